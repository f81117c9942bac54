"""Any sequence of stall, full, hang-up, cut, return, other name, nonsense and second controller, on
any port at any instant of a game. A failing seed replays exactly; its story is printed.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.scenarios.faults.chaos import Chaos, judged
from tests.shared.frames import MS_NS
from tests.shared.pty_time import PtyPort, TellingPort
from tests.shared.rig import Rig, play


def game(
    folder: Path,
    seed: int,
    lasts_s: float,
    port: type[PtyPort] = TellingPort,
    without: tuple[str, ...] = (),
) -> Chaos:
    """Play one game and judge it."""
    games: list[Chaos] = []

    async def script(rig: Rig) -> None:
        games.append(Chaos(rig, seed, lasts_s, without=without))
        await games[0].play()
        text = games[0].truth.reads(rig.clock())
        assert rig.read == [text, text], f"not back: {rig.status.boards_why or rig.status.boards}"

    try:
        play(folder, script, port=port)
        judge = judged(games[0])
        assert judge.oldest_ns <= 326 * MS_NS
        assert games[0].heard == games[0].presses, "a press was not heard by a port that was well"
    except AssertionError as error:
        error.add_note(f"seed {seed}:\n" + "\n".join(games[0].told if games else []))
        raise
    return games[0]


@pytest.mark.parametrize("seed", range(3))
def test_whatever_happens_no_old_numeral_is_shown(tmp_path: Path, seed: int) -> None:
    game(tmp_path, seed, 12.0)


@pytest.mark.full
@pytest.mark.parametrize("seed", range(100, 160))
def test_whatever_happens_in_a_longer_game(tmp_path: Path, seed: int) -> None:
    game(tmp_path, seed, 90.0)


@pytest.mark.full
@pytest.mark.parametrize("seed", range(160, 180))
def test_whatever_happens_to_ports_that_cannot_tell_what_they_have_sent(
    tmp_path: Path, seed: int
) -> None:
    """All but a stall: whatever such a port has taken is out of anybody's reach."""
    game(tmp_path, seed, 90.0, PtyPort, ("stall",))


@pytest.mark.long
@pytest.mark.parametrize("block", range(20))
def test_whatever_happens_in_a_thousand_games(tmp_path: Path, block: int) -> None:
    for seed in range(1000 + 50 * block, 1050 + 50 * block):
        folder = tmp_path / str(seed)
        folder.mkdir()
        game(folder, seed, 90.0)
