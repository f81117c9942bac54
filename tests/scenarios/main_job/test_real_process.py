"""The program itself in real time: started from its command line, on ptys, and ended in every way.

A pty carries no line time, so the far ends add it; the tolerances are for a busy machine, where
either process may be kept waiting.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import signal
from pathlib import Path

import pytest

from tests.shared.frames import DARK_NUMERALS, MS_NS, S_NS
from tests.shared.installation import KEEPER, Site
from tests.shared.program import LATEST_NS, boottime, check_count, kill, playclock, running, start

pytestmark = [pytest.mark.full, pytest.mark.waits]


async def test_a_series_with_a_whole_count_then_sigterm(tmp_path: Path) -> None:
    async with running(tmp_path) as program:
        keeper, ends = program.ends.keeper, program.ends
        presence = asyncio.create_task(keeper.presence())
        told = [(await keeper.press("FLAG")).result]  # 25 would be an opening kickoff's
        await program.reads("25")
        started = await keeper.press("READY")
        told.append(started.result)
        await program.until(lambda: boottime() > started.at + 25 * S_NS + LATEST_NS, 27)
        assert keeper.state is not None and keeper.state.phase == "EXPIRED"
        told.append((await keeper.press("SNAP")).result)
        await program.reads("40")
        told.append((await ends.field.press("NUMBER_40")).result)
        await program.reads("38", 3)
        told.append((await keeper.press("UNDO")).result)
        presence.cancel()
        program.process.send_signal(signal.SIGTERM)
        await asyncio.wait_for(program.process.wait(), 5)
        await program.reads("  ")

        assert told == ["held", "running", "held", "running", "refused"]
        check_count(program, 25, started.at)
        assert program.process.returncode == 0
        assert [heard.show.numerals for heard in ends.boards.log[-2:]] == [DARK_NUMERALS] * 2
        assert [(node.silences, node.bad, node.foreign) for node in ends.nodes] == [(0, 0, 0)] * 2
        assert keeper.refused == [] and ends.air.bad == 1
        assert ends.boards.bad == 1, "the byte that spoils what was on the wire before"

    verdict = playclock("journal", str(program.site.journal), "--verify")
    assert verdict.returncode == 0, verdict.stderr
    rows = [row for row in program.site.rows() if row.result]
    assert [(row.handset, row.result, row.phase_after) for row in rows] == [
        (KEEPER, "held", "SET"),
        (KEEPER, "running", "RUNNING"),
        (KEEPER, "held", "LIVE"),
        (2, "running", "RUNNING"),
        (KEEPER, "refused", "RUNNING"),
    ]
    ready = rows[1]
    assert ready.edge_at is not None and 0 <= ready.edge_at - started.at <= LATEST_NS


async def test_after_kill_9_the_boards_darken_themselves(tmp_path: Path) -> None:
    async with running(tmp_path) as program:
        assert (await program.ends.keeper.press("DEAD_BALL")).result == "running"
        await program.reads("40")
        program.process.kill()
        await program.process.wait()
        killed_at = boottime()
        await program.reads("  ", 1.6)
        assert [node.silences for node in program.ends.nodes] == [1, 1]
        assert program.ends.boards.log[-1].show.numerals == 40
        assert boottime() - killed_at <= 1.6 * S_NS


async def test_a_program_that_was_held_up_never_shows_an_old_numeral(tmp_path: Path) -> None:
    async with running(tmp_path) as program:
        started = await program.ends.keeper.press("DEAD_BALL")
        await program.reads("39", 2)
        program.process.send_signal(signal.SIGSTOP)
        await program.reads("  ", 1.6)  # by silence
        await asyncio.sleep(1.5)
        program.process.send_signal(signal.SIGCONT)
        woken_at = boottime()
        heard = len(program.ends.boards.log)
        await program.until(lambda: program.ends.read[0].strip() != "", 1)
        await asyncio.sleep(2)
        right = 40 - (woken_at - started.at) // S_NS
        numerals = [each.show.numerals for each in program.ends.boards.log[heard:]]
        assert max(number for number in numerals if number != DARK_NUMERALS) <= right
        left = 40 - (boottime() - 100 * MS_NS - started.at) // S_NS
        assert program.ends.nodes[0].reads in (f"{left:2d}", f"{left - 1:2d}")
        assert program.ends.read[0] == program.ends.read[1]


async def test_started_again_after_kill_9_the_count_goes_on_in_a_new_session(
    tmp_path: Path,
) -> None:
    async with running(tmp_path) as program:
        keeper = program.ends.keeper
        assert (await keeper.press("NUMBER_25")).result == "held"
        started = await keeper.press("READY")
        await program.reads("24", 2)
        program.process.kill()
        await program.process.wait()
        second = await start(program.site)
        try:
            await program.reads("21", 5)
            due_at = started.at + 4 * S_NS
            for node in program.ends.nodes:
                late_ns = node.instants[node.faces.index("21")] - due_at
                assert 0 < late_ns <= LATEST_NS
            await program.until(lambda: len(keeper.sessions) == 2, 10)
            before = len(keeper.heard)
            await program.until(lambda: len(keeper.heard) > before, 2)
            assert keeper.heard[-1][1].phase == "RUNNING"
            assert (await keeper.press("UNDO")).result == "held"
            await program.reads("25", 2)
            second.send_signal(signal.SIGTERM)
            await second.wait()
        finally:
            await kill(second)
    rows = program.site.rows()
    assert [row.event_number for row in rows] == list(range(1, len(rows) + 1))
    assert {row.game for row in rows} == {1}
    told = [row.detail for row in rows if row.event == "service started"]
    (ready,) = [row.event_number for row in rows if row.event == "ready for play"]
    assert [row.takes_back for row in rows if row.event == "undo"] == [ready]
    assert len(told) == 2 and not told[0] and "died" in told[1]


async def test_started_after_a_power_cut_the_boards_wait_for_a_relight(tmp_path: Path) -> None:
    async with running(tmp_path) as program:
        keeper = program.ends.keeper
        assert (await keeper.press("NUMBER_25")).result == "held"
        await program.reads("25")
        program.process.kill()
        await program.process.wait()
        (program.site.folder / "run" / "snapshot").unlink()  # tmpfs goes with the power
        second = await start(program.site)
        try:
            await program.until(lambda: len(keeper.sessions) == 2, 10)
            assert (await keeper.press("NUMBER_25")).result == "held"
            await asyncio.sleep(0.3)
            assert program.ends.read == ["  ", "  "]
            assert (await keeper.press("BOARDS_OFF", held=True)).result == "held"
            await program.reads("25")
        finally:
            await kill(second)


@pytest.mark.parametrize("options", [(), ("--plain",)])
async def test_a_second_program_on_the_same_ports_says_so_and_disturbs_nothing(
    tmp_path: Path, options: tuple[str, ...]
) -> None:
    async with running(tmp_path) as program:
        assert (await program.ends.keeper.press("NUMBER_25")).result == "held"
        await program.reads("25")
        text = program.site.config.read_text()
        program.site.config.write_text(text.replace("/run", "/run2").replace("/state", "/state2"))
        second = await start(program.site, *options)
        try:
            assert second.stdout is not None
            said = b""
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(3):
                    while b"cannot open" not in said and (more := await second.stdout.read(4096)):
                        said += more
            assert (
                b"cannot open" in said and os.fsencode(program.site.ttys["boards"].link) in said
            ), said
        finally:
            await kill(second)
        assert (await program.ends.keeper.press("READY")).result == "running"
        await program.reads("24", 1.5)
        for node in program.ends.nodes:
            assert node.faces == ["  ", "25", "24"]


async def test_a_second_program_of_one_installation_does_not_start(tmp_path: Path) -> None:
    async with running(tmp_path) as program:
        assert (await program.ends.keeper.press("NUMBER_25")).result == "held"
        ended = await asyncio.to_thread(playclock, "run", "--config", str(program.site.config))
        assert ended.returncode == 1
        assert f"{tmp_path}/run: another play clock service is running" in ended.stderr
        assert (await program.ends.keeper.press("READY")).result == "running"
        assert len(program.ends.keeper.sessions) == 1, "it opened no receiver"


@pytest.mark.parametrize(
    ("right", "wrong", "said"),
    [
        ("node = 2", "node = 9", "boards[1].node"),
        ('rules = "nfhs"', 'rules = "nfsh"', "nfsh"),
        ("layout", "layuot", "layuot"),
    ],
)
def test_a_mistake_in_the_configuration_is_named_and_nothing_starts(
    tmp_path: Path, right: str, wrong: str, said: str
) -> None:
    with Site(tmp_path) as site:
        site.config.write_text(site.config.read_text().replace(right, wrong))
        ended = playclock("run", "--config", str(site.config))
        assert ended.returncode == 2
        assert str(site.config) in ended.stderr and said in ended.stderr
        assert "Traceback" not in ended.stderr
        assert not site.journal.exists()


def test_keys_that_others_may_read_are_refused(tmp_path: Path) -> None:
    with Site(tmp_path) as site:
        keys = tmp_path / "handsets.keys"
        keys.chmod(0o644)
        ended = playclock("run", "--config", str(site.config))
        assert ended.returncode == 2
        assert str(keys) in ended.stderr and "0600" in ended.stderr
