"""The published walk-through through the whole service, read from the lamps of both boards."""

from __future__ import annotations

import asyncio
from pathlib import Path

from tests.scenarios.main_job.playing import Player
from tests.scenarios.main_job.typical_series import TYPICAL
from tests.shared.rig import Rig, play


def test_the_typical_series_reads_as_published_on_both_boards(tmp_path: Path) -> None:
    players: list[Player] = []

    async def script(rig: Rig) -> None:
        player = Player(rig)
        players.append(player)
        for step in TYPICAL:
            await player.play(step)
        await asyncio.sleep(2)
        stopped_at = rig.clock()
        for node in rig.nodes:
            late_ns = player.check(node, stopped_at)
            assert len(late_ns) > 100  # numerals that changed
        await rig.end()

    rig = play(tmp_path, script)
    cited = [row.citation for row in rig.site.rows() if row.citation]
    wanted = [step.rule for step in TYPICAL if step.rule]
    told = iter(cited)  # in the order of the game, so that each is looked for after the last
    assert all(any(rule in each for each in told) for rule in wanted), (wanted, cited)
