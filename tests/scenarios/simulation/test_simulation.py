"""Games with faults from seeds: short in every check, ten in the full tier, and in the long tier a
hundred, a thousand whole ones at the pace of a real game, and a thousand at a quicker one."""

from __future__ import annotations

import random
from collections.abc import Iterable, Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from drivers.base import PortError
from tests.scenarios.simulation.__main__ import Sums, again, timeline
from tests.scenarios.simulation.faults import KINDS
from tests.scenarios.simulation.game import Game, Plan, play
from tests.scenarios.simulation.judge import LampsJudge, Spans
from tests.scenarios.simulation.link import Link
from tests.scenarios.simulation.pair import Asked, Pair
from tests.scenarios.simulation.process import Process
from tests.scenarios.simulation.schedule import Schedule, Span
from tests.scenarios.simulation.truth import InstallationTruth
from tests.shared.board_node import DARK, Face, Node
from tests.shared.frames import MS_NS, S_NS
from tests.shared.truth import Step
from tests.shared.virtual_time import VirtualClock, virtual

SHORT, USUAL, WHOLE = 20, 50, 160
"""Plays: about ten minutes, 25 minutes, and a whole game without its long breaks."""
USUALLY = Plan(0, USUAL)
QUICKLY = Plan(0, plays=80, pace=0.3, every_s=12.0)
"""Half a game with shorter waits, in which as many things happen to each play: more of them are
found in an hour, and words that come close together meet rules that a real pace seldom does."""


def played(seeds: Iterable[int], folder: Path, plan: Plan) -> Iterator[Game]:
    for seed in seeds:
        yield play(replace(plan, seed=seed), folder / str(seed))


def explained(game: Game) -> str:
    """What went wrong, and how to see it again."""
    return "\n".join([again(game.plan), *timeline(game, whole=False)])


@pytest.mark.full
def test_ten_minutes_with_faults(tmp_path: Path) -> None:
    game = play(Plan(1, SHORT), tmp_path / "game")
    assert not game.verdict.problems, explained(game)
    assert game.truth.accepted > SHORT
    assert len(game.struck) > 3


@pytest.mark.full
def test_a_seed_plays_the_same_game_again(tmp_path: Path) -> None:
    first, second = (play(Plan(7, 5), tmp_path / name) for name in ("first", "second"))
    assert timeline(first, whole=True) == timeline(second, whole=True)
    assert len(first.pair.log) == len(second.pair.log)
    other = play(Plan(8, 5), tmp_path / "other")
    assert timeline(other, whole=True) != timeline(first, whole=True)


@pytest.mark.parametrize(
    "games",
    [pytest.param(10, marks=pytest.mark.full), pytest.param(100, marks=pytest.mark.long)],
)
def test_games(games: int, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    judged(range(100, 100 + games), USUALLY, tmp_path, capsys)


@pytest.mark.long
@pytest.mark.parametrize("first", range(3_000, 4_000, 20))
def test_a_thousand_whole_games(
    first: int, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    judged(range(first, first + 20), Plan(0, WHOLE), tmp_path, capsys)


@pytest.mark.long
@pytest.mark.parametrize("first", range(1_000, 2_000, 50))
def test_a_thousand_quick_games(
    first: int, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    judged(range(first, first + 50), QUICKLY, tmp_path, capsys)


def judged(
    seeds: Iterable[int], plan: Plan, folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """All of them are without a problem; the sums are printed."""
    sums = Sums()
    failed = []
    for game in played(seeds, folder, plan):
        sums.add(game)
        if game.verdict.problems:
            failed.append(explained(game))
    with capsys.disabled():
        print("", *sums.table(), sep="\n")
    assert not failed, "\n\n".join(failed)
    missing = set(KINDS) - sums.kinds
    assert not missing, f"faults that never struck: {missing}"


# The judge itself


def spells_of(faces: list[Face], steps: list[Step], spans: Iterable[Span] = ()) -> LampsJudge:
    """A judge that has looked at two nodes of which the first showed ``faces``."""
    truth = InstallationTruth.__new__(InstallationTruth)
    truth.steps, truth.toggles = steps, []
    nodes = [Node(1, lambda: 0), Node(2, lambda: 0)]
    for node in nodes:
        node.history = faces
    pair = Pair.__new__(Pair)
    pair.nodes, pair.told = nodes, []
    judge = LampsJudge(truth, pair, Spans(spans), [], 60 * S_NS)
    judge.judge()
    return judge


def face(at_ms: int, shown: int) -> Face:
    return Face(at_ms * MS_NS, shown, shown)


def test_a_late_numeral_is_counted_and_a_stale_one_is_a_problem() -> None:
    steps = [Step(0, 25, False), Step(10 * S_NS, 40, False), Step(20 * S_NS, 25, False)]
    faces = [face(0, 25), face(10_004, 40), face(21_000, 25)]
    verdict = spells_of(faces, steps).verdict
    assert verdict.wrong_s["no fault"] == pytest.approx(2 * 1.004)
    assert [text for _, text in verdict.problems] == [
        "node 1 wrong for 1.000 s (no fault)",
        "node 2 wrong for 1.000 s (no fault)",
    ]


def test_stale_for_as_long_as_the_silence_rule_allows() -> None:
    steps = [Step(0, 25, False), Step(10 * S_NS, 40, False)]
    killed = [Span("killed", 9_900 * MS_NS, 13 * S_NS)]
    for stale_ms, problems in ((1_490, 0), (1_600, 2)):
        faces = [face(0, 25), face(10_000 + stale_ms, DARK), face(13_004, 40)]
        assert len(spells_of(faces, steps, killed).verdict.problems) == problems


def test_lit_while_off_is_wrong_whatever_it_shows() -> None:
    steps = [Step(0, 25, False), Step(10 * S_NS, 25, True)]
    (one, _) = spells_of([face(0, 25)], steps).verdict.problems
    assert one == (10 * S_NS, "node 1 wrong for 50.000 s (no fault)")


def test_dark_without_a_cause() -> None:
    steps = [Step(0, 25, False)]
    faces = [face(0, 25), face(10_000, DARK), face(12_000, 25)]
    assert len(spells_of(faces, steps).verdict.problems) == 2
    mute = [Span("board mute", 8 * S_NS, 12 * S_NS)]
    assert not spells_of(faces, steps, mute).verdict.problems


def test_the_faults_near_a_moment() -> None:
    long, short, late = (
        Span("a", 0, 9 * S_NS),
        Span("b", S_NS, 2 * S_NS),
        Span("c", 8 * S_NS, 9 * S_NS),
    )
    spans = Spans([late, short, long])
    assert spans.near(3 * S_NS, 4 * S_NS) == [long]
    assert spans.near(3 * S_NS, 4 * S_NS, S_NS) == [long, short]
    assert spans.near(10 * S_NS, 20 * S_NS) == []
    assert spans.near(-S_NS, 0) == [long]


# The world when the event loop is late


@virtual
async def test_an_answer_is_noted_before_the_question_that_it_leads_to(clock: VirtualClock) -> None:
    pair = Pair([Node(1, clock)], Schedule(clock), random.Random(1))

    def ask_again(_: bytes) -> bool:
        pair.asked.append(Asked(clock(), 1, "silent"))
        return True

    pair.to_service = ask_again
    pair.answered(pair.nodes[0], b"status", False, clock())
    assert [asked.word for asked in pair.asked] == ["right", "silent"]


class Reader:
    """Reads a port that nobody writes to."""

    def bytes_received(self, data: bytes, at: int) -> None: ...
    def port_lost(self, error: PortError) -> None: ...


def test_what_a_stalled_port_kept_leaves_when_the_stall_ends_and_not_when_it_is_noticed() -> None:
    clock = VirtualClock()
    left: list[tuple[bytes, int]] = []
    link = Link("boards", clock, lambda data, ends_at: left.append((data, ends_at)))
    link.opened(Process(clock, lambda: None), Reader())
    link.stall()
    link.take(b"old")
    ends_at = clock() + 50 * MS_NS
    clock.jump(600 * MS_NS)
    link.take(b"new")
    link.resume(ends_at)
    assert [(data, (at - ends_at) // MS_NS) for data, at in left] == [
        (b"old", 0),
        (b"new", 550),
    ]
