"""Rows for the journal: numbers, games and plays, and what waits until the journal has opened."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.journal.file import Opening
from controller.journal.recorder import KEPT_CHARACTERS, RECENT, Numbers, Recent, Recorder, Tally
from controller.journal.row import Dated, Row, row_text
from controller.rules.effects import Decision, GaveWay
from controller.rules.events import Event, Order, PlayEnded, Ready, Role, Snap, Stop, Undo
from controller.rules.play_clock import PlayClock
from tests.controller import journal_rows
from tests.controller.fakes import RULES, FakeJournal, S

AT = 1_000 * S
STANDS = Opening(game=4, play=70, event_number=12, head=(90, "aa"))

WORDS = "what was ordered"


def journal(stands: Opening | None) -> FakeJournal:
    return FakeJournal(lambda: AT, stands, None)


def decide(play_clock: PlayClock, event: Event, at: int = AT, **more: object) -> Decision:
    return play_clock.handle(Order(event, at, **more), at)[0]  # type: ignore[arg-type]


def only_row(make: Callable[[Recorder], None]) -> Row:
    """The row that is made so, in a journal that has opened."""
    kept = journal(STANDS)
    recorder = Recorder(kept, AT)
    recorder.settle(AT)
    make(recorder)
    recorder.hand_over()
    (made,) = kept.rows
    return made


def test_the_head_is_told_in_short_and_a_doubt_in_words() -> None:
    kept = journal(STANDS)
    recorder = Recorder(kept, AT)
    assert (recorder.journal_head, recorder.journal_doubt) == ("", "")
    kept.head, kept.doubt = (90, "7f3a91c20d4e88b1" * 4), "rows cut off"
    assert recorder.journal_head == "90:7f3a-91c2-0d4e-88b1"
    assert recorder.journal_doubt == "rows cut off"
    without = Recorder(None, AT)
    assert (without.journal_head, without.journal_doubt) == ("", "")


def test_a_decision_becomes_one_whole_row() -> None:
    event = PlayEnded("incomplete_pass", frozenset({"fourth_down"}))
    decided = decide(PlayClock(RULES), event, AT - 300, handset=2, role=Role.FIELD)
    row = only_row(lambda recorder: recorder.decided(decided, WORDS, AT, "25"))
    assert (row.kind, row.game, row.event_number) == ("press", 5, 13)
    assert (row.edge_at, row.received_at) == (AT - 300, AT)
    assert (row.handset, row.role, row.facts) == (2, "field", ("fourth_down",))
    assert (row.phase_before, row.phase_after) == ("IDLE", "SET")
    assert (row.ruling_seconds, row.starts_on, row.commanded) == (25, "ready_for_play", "25")
    assert row.citation


def test_a_refusal_has_its_reason_and_its_phase() -> None:
    decided = decide(PlayClock(RULES), Stop())
    row = only_row(lambda recorder: recorder.decided(decided, WORDS, AT, "dark"))
    assert (row.kind, row.result) == ("refused", "refused")
    assert (row.phase_before, row.phase_after) == ("IDLE", "IDLE")
    assert row.reason == "there is no count to stop"


def test_what_the_shadow_presses_is_no_change_with_its_role() -> None:
    decided = decide(PlayClock(RULES), Ready(), role=Role.SHADOW, handset=3)
    row = only_row(lambda recorder: recorder.decided(decided, WORDS, AT, "dark"))
    assert (row.kind, row.role, row.handset) == ("no change", "shadow", 3)


def test_rows_wait_for_the_journal_and_then_go_on_from_its_numbers_in_order() -> None:
    kept = journal(None)
    recorder = Recorder(kept, AT)
    play_clock = PlayClock(RULES)
    recorder.note("fault", AT, "port of north")
    recorder.decided(decide(play_clock, Snap()), WORDS, AT, "40")
    recorder.note("healed", AT + 1, "port of north")
    recorder.settle(AT + 4 * S)
    recorder.hand_over()
    assert kept.rows == []
    kept.stands = STANDS
    recorder.settle(AT + 4 * S)
    recorder.hand_over()
    assert [row.kind for row in kept.rows] == ["fault", "press", "healed"]
    assert [row.event_number for row in kept.rows] == [13, 14, 15]
    assert {row.game for row in kept.rows} == {5}
    assert [row.play for row in kept.rows] == [0, 1, 1], "the play of its own moment"
    recorder.settle(AT + 5 * S)
    recorder.hand_over()
    assert len(kept.rows) == 3


def test_a_journal_that_does_not_open_in_5_s_still_gets_its_rows_numbered_from_1() -> None:
    kept = journal(None)
    recorder = Recorder(kept, AT)
    recorder.note("fault", AT, "port of north")
    recorder.settle(AT + 5 * S - 1)
    recorder.hand_over()
    assert kept.rows == []
    recorder.settle(AT + 5 * S)
    kept.stands = STANDS
    recorder.settle(AT + 6 * S)
    recorder.note("healed", AT + 6 * S, "port of north")
    recorder.hand_over()
    assert [(row.game, row.event_number) for row in kept.rows] == [(1, 1), (1, 2)]


def test_without_a_journal_only_the_play_is_kept() -> None:
    recorder = Recorder(None, AT)
    recorder.note("fault", AT, "port of north")
    recorder.decided(decide(PlayClock(RULES), Snap()), WORDS, AT, "40")
    recorder.settle(AT + 10 * S)
    assert recorder.play == 1


@given(st.lists(st.sampled_from(["note", "decide", "settle", "open"]), max_size=40))
def test_numbers_rise_by_one_without_gap_whenever_the_journal_opens(steps: list[str]) -> None:
    kept = journal(None)
    recorder, play_clock = Recorder(kept, AT), PlayClock(RULES)
    made: list[int] = []
    for index, step in enumerate(steps):
        if step == "open":
            kept.stands = STANDS
        elif step == "settle":
            recorder.settle(AT)
        else:
            made.append(AT + index)
            if step == "note":
                recorder.note("fault", AT + index, "x")
            else:
                recorder.decided(decide(play_clock, Ready(), AT + index), WORDS, AT + index, "25")
    kept.stands = STANDS
    recorder.settle(AT)
    recorder.hand_over()
    assert [row.received_at for row in kept.rows] == made
    assert [row.event_number for row in kept.rows] == list(range(13, 13 + len(made)))


@pytest.mark.parametrize("kind", ["confirmed", "rejected", "deadline"])
def test_a_note_carries_what_it_is_given(kind: str) -> None:
    given: dict[str, Any] = {
        **{"detail": "d", "reason": "r", "commanded": "9", "boards": "b", "setup": "s"},
        **{"edge_at": 4, "gesture": 3},
    }
    row = only_row(lambda recorder: recorder.note(kind, AT, "e", handset=1, **given))
    assert (row.kind, row.event, row.handset) == (kind, "e", 1)
    assert {name: getattr(row, name) for name in given} == given


def test_zero_says_how_late_it_was() -> None:
    row = only_row(lambda recorder: recorder.reached_zero(AT, AT + 1_500_000, "0"))
    said = (row.kind, row.detail, row.phase_after)
    assert said == ("deadline", "1.5 ms after it was due", "EXPIRED")


def test_rows_of_the_run_before_are_kept_and_those_that_do_not_fit_are_counted() -> None:
    """The oldest are kept, as the journal does, until all are on the disk."""
    before = [Dated(journal_rows.row(n, detail="x" * 60_000), 7) for n in range(1, 6)]
    fit = KEPT_CHARACTERS // len(row_text(before[0]))
    kept = journal(None)
    recorder = Recorder(kept, AT, numbers=Numbers(3, 5, settled=True), play=9, rows=before)
    assert recorder.fresh
    assert recorder.kept == [row_text(each) for each in before[:fit]]
    assert (recorder.left_out, recorder.game, recorder.play) == (5 - fit, 3, 9)
    assert not recorder.fresh
    recorder.hand_over()
    assert [each.event_number for each in kept.rows] == [1, 2, 3, 4, 5]
    assert (recorder.kept, recorder.left_out) == ([], 0)


def test_the_fault_of_the_journal_is_that_of_the_record() -> None:
    kept = journal(None)
    kept.fault = "disk full"
    assert Recorder(kept, AT).journal_fault == "disk full"
    assert Recorder(None, AT).journal_fault == ""


def test_a_row_says_what_gave_way_what_was_left_and_what_was_promised() -> None:
    decided = decide(PlayClock(RULES), Ready())._replace(
        gave_way=GaveWay("foul", 18 * S), left_s=12, promised="try over", assumed="snap"
    )
    row = only_row(lambda recorder: recorder.decided(decided, WORDS, AT, "25"))
    assert (row.gave_way, row.gave_way_after_ms, row.left_s) == ("foul", 18_000, 12)
    assert (row.promised, row.assumed) == ("try over", "snap")


@pytest.mark.parametrize("opens_late", [False, True])
def test_an_undo_names_the_number_of_the_row_that_it_takes_back(opens_late: bool) -> None:
    kept = journal(None if opens_late else STANDS)
    recorder = Recorder(kept, AT)
    recorder.settle(AT)
    play_clock = PlayClock(RULES)
    first = decide(play_clock, Ready(), AT - S)
    recorder.decided(first, WORDS, AT, "25")
    recorder.decided(decide(play_clock, Snap()), WORDS, AT, "40")
    undo = decide(play_clock, Undo())._replace(taken_back=first.order)
    kept.stands = STANDS
    if opens_late:
        recorder.decided(undo, WORDS, AT, "25", took_back="ready for play")
        recorder.settle(AT)
    else:
        recorder.decided(undo, WORDS, AT, "25", took_back="ready for play")
    recorder.hand_over()
    assert [row.takes_back for row in kept.rows] == [None, None, 13]
    assert kept.rows[-1].detail == "took back ready for play"
    assert recorder.recent[0] == Recent(AT - S, 0, 13)


def test_what_may_be_taken_back_goes_on_in_the_next_run_and_is_not_kept_for_ever() -> None:
    kept = journal(STANDS)
    before = [Recent(n, 1, n) for n in range(RECENT)]
    numbers = Numbers(5, 40, settled=True)
    recorder = Recorder(kept, AT, numbers=numbers, recent=before, keeper=17)
    undo = decide(PlayClock(RULES), Ready())._replace(taken_back=Order(Snap(), 3, 1))
    recorder.decided(undo, WORDS, AT, "25", took_back="snap or free kick")
    recorder.hand_over()
    assert [(row.takes_back, row.keeper) for row in kept.rows] == [(3, 17)]
    assert recorder.recent == [*before[1:], Recent(AT, 0, 41)]


def test_a_refused_order_is_not_one_to_take_back() -> None:
    recorder = Recorder(journal(STANDS), AT)
    recorder.decided(decide(PlayClock(RULES), Stop()), WORDS, AT, "dark")
    assert recorder.recent == []


def test_a_tally_becomes_one_row() -> None:
    row = only_row(lambda recorder: recorder.answered(AT, Tally(9, 6, 1, 2, "south 2 silent")))
    assert (row.kind, row.event) == ("answers", "the boards' answers to the count")
    assert (row.answers_asked, row.answers_right) == (9, 6)
    assert (row.answers_wrong, row.answers_silent, row.detail) == (1, 2, "south 2 silent")
