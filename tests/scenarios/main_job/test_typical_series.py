"""The published walk-through through the whole service, read from the lamps of both boards."""

from __future__ import annotations

from pathlib import Path

from tests.scenarios.main_job.playing import Game, Player
from tests.scenarios.main_job.typical_series import TYPICAL


def test_the_typical_series_reads_as_published_on_both_boards(tmp_path: Path) -> None:
    async def series(player: Player) -> None:
        for step in TYPICAL:
            await player.play(step)

    game = Game.of(tmp_path, series)
    for node in game.rig.nodes:
        assert len(game.player.check(node, game.stopped_at)) > 100  # numerals that changed
    cited = [row.citation for row in game.rows if row.citation]
    wanted = [step.rule for step in TYPICAL if step.rule]
    told = iter(cited)  # in the order of the game, so that each is looked for after the last
    assert all(any(rule in each for each in told) for rule in wanted), (wanted, cited)
