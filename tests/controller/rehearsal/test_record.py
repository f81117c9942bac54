"""The record's sentences: what was told, what gave way, what was assumed, and the rule."""

from __future__ import annotations

import pytest

from controller.rehearsal.notation import KeyPress, WordsPress, parse_sequence
from controller.rehearsal.record import Narrator, RehearsedLine, describe, in_words
from controller.rehearsal.rehearsal import Played, play
from controller.rulebook.loader import load_rule_set
from controller.rules.effects import Decision, GaveWay, Nudged, Result
from controller.rules.endings import ENDINGS
from controller.rules.events import Event, HoldNumber, Number, Order, PlayEnded, Ready, Undo
from controller.rules.rulings import StartsOn
from tests.controller.rules.crew import SCHOOL, S
from tests.controller.rules.orders import DEAD_BALL

KEY = KeyPress("d@0", 0, "DEAD_BALL")


def told(text: str, words: Event = DEAD_BALL) -> list[RehearsedLine]:
    presses = parse_sequence(text, lambda _: words)
    return list(Narrator(SCHOOL).lines(play(presses, SCHOOL)))


def decided(event: Event, **more: object) -> Decision:
    """A decision as the play clock may give it."""
    fields: dict[str, object] = {
        "order": Order(event, 30 * S),
        "result": Result.HELD,
        "reason": "",
        "assumed": "",
        "phase_before": "LIVE",
        "phase_after": "SET",
        "ruling": SCHOOL.rulings["try_over"],
        "named": frozenset({"routine"}),
        "down": 1,
    }
    return Decision(**{**fields, **more})  # type: ignore[arg-type]


def sentence(*decisions: Decision) -> str:
    """The record's words of the last of ``decisions``, each of a press of its own."""
    played = [Played(KEY, 0, 25, "held", (d,), "", ()) for d in decisions]
    return list(Narrator(SCHOOL).lines(played))[-1].record


def test_an_end_of_play_has_its_count_and_source() -> None:
    (line,) = told("d@0")
    assert (line.at, line.keys, line.seconds, line.state) == (0, "DEAD BALL", 40, "running")
    assert line.record == (
        "routine end of play; nothing assumed; 40 at the dead ball; set by the keeper"
    )


def test_how_a_source_was_read_and_what_is_not_settled_are_said() -> None:
    line = told(":two minutes@0", PlayEnded("two_minute_timeout"))[0]
    assert line.keys == ":two minutes"
    assert "[memory]" in line.record and "NOT SETTLED: NFHS has no two-minute" in line.record


def test_a_local_adoption_is_said() -> None:
    rules = SCHOOL.with_override("touchdown", 40, StartsOn.READY, "our league")
    presses = parse_sequence(":touchdown@0", lambda _: PlayEnded("touchdown"))
    (line,) = Narrator(rules).lines(play(presses, rules))
    assert "LOCAL ADOPTION: our league" in line.record


def test_a_word_that_gave_way_is_named_with_its_age() -> None:
    words = sentence(decided(PlayEnded("foul_defense"), gave_way=GaveWay("foul", 18 * S + 1)))
    assert "replaces 'foul, the team is not told' of 18 s before" in words


@pytest.mark.parametrize(
    ("promised", "why"),
    [("try over", "a try follows"), ("free kick ended", "a free kick follows")],
)
def test_what_was_promised_is_assumed_and_why(promised: str, why: str) -> None:
    words = sentence(decided(DEAD_BALL, promised=promised, result=Result.ASSUMED))
    assert f"{promised} (assumed: told before that {why})" in words
    assert "nothing assumed" not in words


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("s@0;:touchdown@6;r@40;s@50;d@55", "try over (assumed: told before that a try follows)"),
        ("2@0;r@30;s@40;d@48", "free kick ended (assumed: first play of the game)"),
        (
            "s@0;:touchdown@6;r@40;s@50;d@55;N@60;2@120;r@150;s@160;d@168",
            "free kick ended (assumed: told before that a free kick follows, before the period "
            "ended)",
        ),
        (
            "s@0;d@5;N@9;s@70;d@75;N@80;2@900;r@930;s@940;d@948",
            "free kick ended (assumed: a free kick begins each half)",
        ),
    ],
)
def test_why_the_play_clock_takes_a_play_to_be_over(text: str, why: str) -> None:
    assert told(text, PlayEnded("touchdown"))[-1].record.startswith(why)


def test_a_repeated_try_is_why_the_next_try_ends() -> None:
    again = decided(PlayEnded("foul"), named=frozenset({"foul", "try_again"}))
    ended = decided(DEAD_BALL, promised="try over", result=Result.ASSUMED)
    assert "try over (assumed: told before that the try is repeated)" in sentence(again, ended)


def test_what_only_begins_a_half_is_said_where_it_is_assumed() -> None:
    lines = told("2@0;r@30")
    assert "opening kickoff (assumed: first play of the game)" in lines[-1].record
    line = told("s@0;d@5;N@9;s@70;d@75;N@80;2@900")[-1]
    assert "first play of the half (assumed: a free kick begins each half)" in line.record


def test_a_score_that_was_cancelled_is_why_nothing_is_assumed() -> None:
    score = frozenset({"touchdown", "foul_offense", "cancelled"})
    lost, ended = decided(PlayEnded("foul_offense"), named=score), decided(DEAD_BALL)
    assert "nothing assumed; the touchdown before it was cancelled" in sentence(lost, ended)
    assert "cancelled" not in sentence(lost, ended, ended)


def test_the_opening_kickoff_is_why_the_first_free_kick_ended() -> None:
    first = decided(Ready(), promised="opening kickoff", result=Result.ASSUMED)
    ended = decided(DEAD_BALL, promised="free kick ended", result=Result.ASSUMED)
    assert "free kick ended (assumed: first play of the game)" in sentence(first, ended)
    assert "told before" in sentence(first, ended, ended)


def test_a_snap_that_nobody_pressed_after_a_held_count_has_no_ready_either() -> None:
    assumed = decided(DEAD_BALL, assumed="snap", phase_before="SET", result=Result.ASSUMED)
    assert "assumed: snap and ready" in sentence(assumed)
    assumed = decided(DEAD_BALL, assumed="snap", phase_before="RUNNING", result=Result.ASSUMED)
    assert "assumed: snap;" in sentence(assumed)


def test_a_key_taken_back_is_named_with_its_age() -> None:
    flag = decided(PlayEnded("foul"), order=Order(PlayEnded("foul"), 23 * S))
    undone = decided(Undo(), taken_back=flag.order, reason="taken back")
    assert sentence(flag, undone).startswith("taken back: DEAD BALL of 7 s before; 25 on the")
    assert "taken back: foul of 7 s before" in sentence(undone)


def test_a_number_soon_after_a_dead_ball_is_a_correction() -> None:
    assert "a correction 2 s after DEAD BALL" in told("d@6;2@8")[-1].record
    assert "correction" not in told("d@6;2@17")[-1].record
    assert "correction" not in told("d@6;s@7;2@8")[-1].record
    assert "correction" not in sentence(decided(HoldNumber(Number.ADMINISTRATIVE)))


def test_no_change_and_a_refusal_give_the_reason_alone() -> None:
    assert told("d@0;d@3")[-1].record == "no change: the same end of play, pressed again"
    assert told("s@0;x@3")[-1].record.startswith("refused: the ball is in play")
    assert told("2@0;4@0.1")[-1].record == "no change: two number keys at once: 25 stands"


def test_zero_and_a_long_live_ball_have_lines_of_their_own() -> None:
    zero = told("d@0;s@50")[1]
    assert (zero.at, zero.seconds, zero.state) == (40 * S, 0, "zero")
    assert "an official calls" in zero.record
    nudged = Played(KEY, 0, 40, "live", (), "why", (Nudged(3 * S),))
    line, after = Narrator(SCHOOL).lines([nudged])
    assert (line.at, line.seconds, line.state) == (3 * S, 40, "live")
    assert after.record == "no change: why"


def test_the_ready_says_what_its_number_was_put_up_for() -> None:
    line = told("ff@0;r@20")[-1]
    assert line.record.startswith("ready for play: 40 runs, put up for foul by the defense only;")


def test_everything_told_of_a_down_is_in_the_sentence() -> None:
    words = sentence(
        decided(
            PlayEnded("foul_defense", frozenset({"fourth_down"})),
            named=frozenset({"foul_defense", "injury_defense", "routine", "fourth_down"}),
            ruling=SCHOOL.rulings["foul_defense"],
        )
    )
    assert words.startswith(
        "foul by the defense only and injured player of the defense only, fourth down;"
    )


def test_a_word_that_gave_way_and_the_parts_of_a_combination_are_left_out() -> None:
    assert told("d@0;f@2;ff@20")[-1].record.startswith("foul by the defense only; replaces 'foul,")
    both = told("d@0;ff@2;:foul offense@20", PlayEnded("foul_offense"))[-1]
    assert both.record.startswith("fouls by both teams in one down;")


def test_what_was_told_just_after_the_ready_says_so() -> None:
    assert "; told 2 s after the ready; " in told("d@0;f@2;r@30;ff@32")[-1].record


def test_every_ending_of_every_code_has_words() -> None:
    for ending in ENDINGS:
        assert describe(ending) and "_" not in describe(ending)
    for code in ("nfhs", "ncaa", "nfl", "canadian"):
        assert all("_" not in describe(name) for name in load_rule_set(code).variants)


@pytest.mark.parametrize(
    ("press", "words"),
    [
        (KEY, "DEAD BALL"),
        (KeyPress("ff@2", 0, "FLAG", 2), "FLAG twice"),
        (KeyPress("2~@2", 0, "NUMBER_25", 1, held=True), "25 held down"),
        (WordsPress(": foul defense@20", 0, Ready()), ": foul defense"),
    ],
)
def test_a_press_in_plain_words(press: KeyPress | WordsPress, words: str) -> None:
    assert in_words(press) == words
