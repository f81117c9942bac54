"""The main job, end to end on real bytes: thumbs at one end, lamps at the other.

The whole service runs on ptys in virtual time; every numeral of a scripted series is read from the
lamps of two board nodes that share no code with the product.
"""

from __future__ import annotations

import asyncio
import statistics
from itertools import pairwise
from pathlib import Path

import pytest

from tests.scenarios.main_job.playing import SETTLED_NS, Game, Player, face_of
from tests.scenarios.main_job.series import CONSOLE, NOBODY, SERIES
from tests.shared.frames import BYTE_NS, DARK_NUMERALS, MS_NS, S_NS, SHOW_BYTES
from tests.shared.installation import CONTROLLER_ID, FIELD, KEEPER
from tests.shared.rig import Rig, rigged
from tests.shared.truth import Face
from tests.shared.virtual_time import START_AT

CHANGES = 390
"""At least so many times the series changes what there is to read."""
SHOW_LINE_NS = SHOW_BYTES * BYTE_NS


@pytest.fixture(scope="module")
def game(tmp_path_factory: pytest.TempPathFactory) -> Game:
    """The series, played once for all tests that look at its records."""

    async def series(player: Player) -> None:
        for step in SERIES:
            await player.play(step)

    return Game.of(tmp_path_factory.mktemp("game"), series)


def test_every_numeral_on_both_boards_at_every_moment(game: Game) -> None:
    for node in game.rig.nodes:
        late_ns = game.player.check(node, game.stopped_at)
        assert len(late_ns) > CHANGES
        assert 0 <= statistics.median(late_ns) <= SHOW_LINE_NS  # no answer was under way
        assert (node.bad, node.foreign, node.silences) == (0, 0, 0)
    north, south = game.rig.nodes
    stops = [each for each in game.player.done if each.step.shows.startswith("stops")]
    read = [f"stops {north.read_at(each.at + SETTLED_NS)}" for each in stops]
    assert read == [each.step.shows for each in stops] != []
    assert (north.instants, north.faces) == (south.instants, south.faces)


def test_boards_and_handsets_are_spoken_to_as_soon_as_their_ports_are_open(game: Game) -> None:
    assert game.rig.boards.log[0].at - START_AT <= 10 * MS_NS
    assert game.rig.air.begun_at is not None
    assert game.rig.air.begun_at - START_AT <= 10 * MS_NS


def test_every_frame_is_ours_whole_and_for_both_boards(game: Game) -> None:
    assert game.rig.boards.bad == 1, "the first byte, which spoils what was on the wire before"
    assert game.rig.boards.refused == []
    shows = [heard.show for heard in game.rig.boards.log]
    assert {show.controller for show in shows} == {CONTROLLER_ID}
    assert {show.mask for show in shows} == {0b11}
    assert {show.brightness for show in shows} == {15}


def test_stamps_rise_and_follow_the_clock(game: Game) -> None:
    stamps = [heard.show.stamp for heard in game.rig.boards.log]
    steps = [(new - old) % 65536 for old, new in pairwise(stamps)]
    assert all(0 < step <= 12 for step in steps)  # 100 ms, and at most 20 ms for an answer
    ticks = (game.rig.boards.log[-1].at - game.rig.boards.log[0].at) // (10 * MS_NS)
    assert abs(sum(steps) - ticks) <= 3


def test_ten_frames_a_second_and_each_change_once_more_after_25_ms(game: Game) -> None:
    log = [heard for heard in game.rig.boards.log if heard.at <= game.stopped_at]
    gaps = [new.at - old.at for old, new in pairwise(log)]
    assert max(gaps) <= 121 * MS_NS
    assert len(log) >= 10 * (log[-1].at - log[0].at) // S_NS
    turned = [
        index
        for index in range(1, len(log))
        if log[index].show.numerals != log[index - 1].show.numerals
    ]
    north = game.rig.nodes[0]
    assert len(turned) == sum(at <= game.stopped_at for at in north.instants) - 1
    for index in turned:
        again = [
            later.at - log[index].at
            for later in log[index + 1 : index + 4]
            if later.show.numerals == log[index].show.numerals
        ]
        # 25 ms; the change itself may have waited for an answer, or the repeat may have to.
        assert any(5 * MS_NS <= each <= 46 * MS_NS for each in again), log[index]


def test_each_board_is_asked_about_once_a_second_in_turn(game: Game) -> None:
    asked = [heard for heard in game.rig.boards.log if heard.show.ask]
    assert {heard.show.ask for heard in asked} == {1, 2}
    for node in (1, 2):
        instants = [heard.at for heard in asked if heard.show.ask == node]
        gaps = [new - old for old, new in pairwise(instants)]
        assert min(gaps) >= 900 * MS_NS and max(gaps) <= 1_520 * MS_NS
    assert len(game.rig.boards.answered_at) == len(asked)  # and nobody spoke into an answer
    following = {heard.at: later.at for heard, later in pairwise(game.rig.boards.log)}
    for heard, answered_at in zip(asked, game.rig.boards.answered_at, strict=True):
        assert following[heard.at] >= answered_at


def test_the_handsets_are_told_the_state_as_it_is(game: Game) -> None:
    assert game.rig.keeper.refused == [] and game.rig.air.bad == 1  # the byte that spoils
    states = [state for _, state in game.rig.keeper.heard]
    assert len(game.rig.keeper.sessions) == 1
    beats = [state.beat for state in states]
    assert beats == list(range(beats[0], beats[0] + len(beats)))
    instants = [at for at, _ in game.rig.keeper.heard]
    assert max(new - old for old, new in pairwise(instants)) <= 1_020 * MS_NS
    spells = iter(game.player.truth.readings(game.stopped_at))
    begin_at, until_at, text = next(spells)
    for at, state in game.rig.keeper.heard:
        sent_at = at - 29 * 260_417  # before the line
        if not begin_at <= sent_at <= game.stopped_at - MS_NS:
            continue
        while sent_at >= until_at:
            begin_at, until_at, text = next(spells)
        numerals = "  " if state.numerals is None else f"{state.numerals:2d}"
        assert numerals == text, (at, state)
        assert ("lit" in state.flags) is (text != "  ")
        assert not state.flags & {"fault", "off"}
        if state.phase == "RUNNING":
            assert -(-state.remaining_10ms // 100) == state.numerals


def test_the_journal_tells_the_series(game: Game) -> None:
    rows = [row for row in game.rows if row.result]
    done = game.player.done
    assert [(row.handset, row.result, row.phase_after) for row in rows] == [
        (each.handset, each.result, each.phase) for each in done
    ]
    last = {id(each.step): index for index, each in enumerate(done)}
    for index, (row, each) in enumerate(zip(rows, done, strict=True)):
        if last[id(each.step)] == index:
            assert each.step.rule in row.citation, each.step
        assert row.received_at == each.at
        assert row.edge_at == each.at
    zeros = [row for row in game.rows if row.event == "count reached zero"]
    assert len(zeros) == 2
    confirmed = [row for row in game.rows if row.kind == "confirmed"]
    changed = [each for each in done if each.result in ("running", "held", "assumed")]
    assert len(confirmed) > 0.9 * len(changed)
    assert not [row for row in game.rows if row.kind in ("fault", "rejected")]


def test_the_last_word_to_the_boards_is_dark(game: Game) -> None:
    assert [heard.show.numerals for heard in game.rig.boards.log[-4:]] == [DARK_NUMERALS] * 4
    assert game.rig.read == ["  ", "  "]


@pytest.mark.full
def test_undo_gives_back_what_each_accepted_order_took(tmp_path: Path) -> None:
    """The series again; each accepted order is taken back 0.7 s later, and then given again.

    Long waits are cut short, except for those in which a count runs out.
    """
    undone: list[str] = []

    async def series(player: Player) -> None:
        for step in SERIES:
            await asyncio.sleep(step.after_s if step.who == NOBODY else min(step.after_s, 8.0))
            before, phase = player.truth.face(player.rig.clock()), player.phase
            await player.again(step)
            if step.changes:
                await asyncio.sleep(0.7)
                await player.undo(step, before, phase)
                undone.append(step.does)
                await asyncio.sleep(1.1)
                await player.again(step)

    game = Game.of(tmp_path, series)
    for node in game.rig.nodes:
        assert len(game.player.check(node, game.stopped_at)) > CHANGES // 2
    assert len(undone) == sum(step.changes for step in SERIES)
    assert {done.handset for done in game.player.done} == {0, KEEPER, FIELD}
    assert CONSOLE in {step.who for step in SERIES if step.changes}


@rigged
async def test_undo_reaches_through_the_snap_to_a_count_that_went_on(rig: Rig) -> None:
    player = Player(rig)
    faces: list[Face] = []
    for key, shows in [
        ("NUMBER_25", "25"),
        ("READY", "25 runs"),
        ("SNAP", "40"),
        ("DEAD_BALL", "25"),
    ]:
        before, at, _ = await player.press(KEEPER, key)
        faces.append(before)
        assert player.truth.face(at) == face_of(shows, at, before)
        await asyncio.sleep(2.4)
    for before in reversed(faces):
        _, at, _ = await player.press(KEEPER, "UNDO")
        assert player.truth.face(at) == before
        await asyncio.sleep(1.7)
    assert (await player.press(KEEPER, "UNDO"))[2] == "refused"
    for node in rig.nodes:
        assert len(player.check(node, rig.clock())) > 10
