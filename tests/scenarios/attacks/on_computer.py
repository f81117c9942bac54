"""Attacks at the table: on the record between two runs, on the key file, on the program itself."""

from __future__ import annotations

import asyncio
import contextlib
import os
import select
import shutil
import sqlite3
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from pathlib import Path

from controller.assembly.assembler import radio_keys
from controller.config.load import load_config
from tests.scenarios.attacks.forging import of_version
from tests.scenarios.attacks.on_air import DARK, in_words
from tests.scenarios.attacks.tally import Tally
from tests.shared.frames import Unframer, framed
from tests.shared.installation import Site
from tests.shared.program import kill, playclock, running, start
from tests.shared.rig import Rig, play

CUT = b"rows cut off"
"""As the console and the record say it."""
TRIGGERS = "SELECT name FROM sqlite_master WHERE type = 'trigger'"


def changed(journal: Path, *statements: str) -> None:
    """Change the record as someone with the machine can: its triggers are no hindrance."""
    with closing(sqlite3.connect(journal)) as connection, connection:
        for (name,) in connection.execute(TRIGGERS).fetchall():
            connection.execute(f"DROP TRIGGER {name}")
        for statement in statements:
            connection.execute(statement)


def cut(rows: int) -> Callable[[Path], None]:
    """Cut so many rows off the end."""

    def made(folder: Path) -> None:
        last = "(SELECT max(seq) FROM journal)"
        changed(
            folder / "state" / "journal.sqlite3", f"DELETE FROM journal WHERE seq > {last} - {rows}"
        )

    return made


def taken_away(folder: Path) -> None:
    """The journal alone."""
    for path in (folder / "state").glob("journal.sqlite3*"):
        path.unlink()


def older_copy(folder: Path) -> None:
    """The record of an evening before, whole in itself, in the place of this one."""
    taken_away(folder)
    shutil.copy(folder / "copy.sqlite3", folder / "state" / "journal.sqlite3")


def head_removed(folder: Path) -> None:
    """The head kept beside the record."""
    (folder / "state" / "journal.head").unlink()


def head_emptied(folder: Path) -> None:
    """As of a card that was full."""
    (folder / "state" / "journal.head").write_bytes(b"")


def head_garbled(folder: Path) -> None:
    """As of a sector that went."""
    (folder / "state" / "journal.head").write_bytes(b"\xff\0 9999:0000")


def a_word_changed(folder: Path) -> None:
    """One row of the past tells something else."""
    changed(
        folder / "state" / "journal.sqlite3",
        "UPDATE journal SET event = 'official' WHERE seq = 2",
    )


Harm = Callable[[Path], None]
TOLD: tuple[Harm, ...] = (cut(1), cut(2), cut(1_000), taken_away, older_copy)
"""What the console and a row of the next run tell by the head kept beside the record."""
SHEET: tuple[tuple[Harm, ...], ...] = (
    (cut(1),),
    (cut(1), head_removed),
    (cut(2), head_emptied),
    (cut(2), head_garbled),
    (older_copy, head_removed),
    (a_word_changed,),
    (a_word_changed, head_removed),
)
"""What the head on the game's sheet tells, whatever became of the one kept."""


def what_of(*harms: Harm) -> str:
    """Their names."""
    return ", ".join(harm.__qualname__.partition(".")[0] for harm in harms)


def evening(folder: Path) -> str:
    """Two runs of a service, the record of the first copied; gives the head on the sheet."""
    told = ""

    async def run(rig: Rig) -> None:
        nonlocal told
        await rig.running_25()
        await asyncio.sleep(2)
        await rig.keeper.press("SNAP")
        await rig.end()
        rig.journal.close(5.0)

    play(folder, run)
    shutil.copy(folder / "state" / "journal.sqlite3", folder / "copy.sqlite3")
    play(folder, run)
    verdict = playclock("journal", str(folder / "state" / "journal.sqlite3"), "--verify")
    assert verdict.returncode == 0, verdict.stderr
    words = verdict.stdout.replace(",", " ").replace(".", " ").split()
    (told,) = {word for word in words if ":" in word and word.count("-") == 3}
    return told


def record_cut(tally: Tally, folder: Path) -> None:
    """Shortened, replaced or taken away: the next start says so, and the clock runs."""
    evening(folder)
    state, kept = folder / "state", folder / "kept"
    shutil.copytree(state, kept)
    said: list[str] = []

    async def after(rig: Rig) -> None:
        said.append(in_words(rig))
        await rig.running_25()

    for harm in TOLD:
        harm(folder)
        rows = play(folder, after).site.rows()
        tally.tried(bool(said[-1]), f"{what_of(harm)}: the console says nothing")
        told = [row.detail for row in rows if row.kind == "fault" and "noted" in row.detail]
        tally.tried(bool(told), f"{what_of(harm)}: no row tells of it")
        shutil.rmtree(state)
        shutil.copytree(kept, state)
    play(folder, after)
    assert said[-1] == "", f"a whole record is doubted: {said[-1]!r}"


def heads_removed(tally: Tally, folder: Path) -> None:
    """The record is whole, its head is not: the clock runs all the same."""
    evening(folder)

    async def after(rig: Rig) -> None:
        await rig.running_25()

    for harm in (head_removed, head_emptied, head_garbled):
        harm(folder)
        rows = play(folder, after).site.rows()
        last = [row.event for row in rows if row.kind == "press"][-1]
        tally.tried(last == "ready for play", f"{what_of(harm)}: the clock did not run")


def paper_sheet(tally: Tally, folder: Path) -> None:
    """Rows cut off or changed, and the kept head with them: the sheet tells."""
    head = evening(folder)
    journal, kept = folder / "state" / "journal.sqlite3", folder / "kept"
    shutil.copytree(folder / "state", kept)
    assert playclock("journal", str(journal), "--verify", "--head", head).returncode == 0
    for harms in SHEET:
        for harm in harms:
            harm(folder)
        verdict = playclock("journal", str(journal), "--verify", "--head", head)
        held = verdict.returncode == 1 and "Traceback" not in verdict.stderr
        tally.tried(held, f"{what_of(*harms)}: {verdict.stdout}{verdict.stderr}")
        shutil.rmtree(folder / "state")
        shutil.copytree(kept, folder / "state")


def key_file_modes(tally: Tally, folder: Path) -> None:
    """Keys that anyone but their owner may read, or write, are not used."""
    with Site(folder) as site:
        keys = folder / "handsets.keys"
        handsets = list(load_config(site.config).handsets)
        assert handsets
        for mode in (0o604, 0o640, 0o602, 0o620, 0o644, 0o660, 0o664, 0o666, 0o677, 0o777):
            keys.chmod(mode)
            told = ""
            try:
                config = load_config(site.config)
                radio_keys(config)
            except Exception as error:
                told = str(error)
            held = str(keys) in told and "0600" in told
            tally.tried(held, f"{mode:04o}: {told!r}")
        keys.chmod(0o640)
        ended = playclock("run", "--config", str(site.config))
        held = ended.returncode == 2 and str(keys) in ended.stderr and "0600" in ended.stderr
        tally.tried(held, f"{ended.returncode}: {ended.stderr}")
        tally.tried(not site.journal.exists(), "something has begun")


def noted(folder: Path) -> int:
    """The row that the head in memory names."""
    return int((folder / "run" / "head").read_text().partition(":")[0])


def cut_after_a_kill(tally: Tally, folder: Path) -> None:
    """Killed, the record cut and the kept head removed: that in memory tells. `check` says it
    before the next start, console and record at it; `journal --verify` does not know it."""

    async def told() -> None:
        async with running(folder) as program:
            for key in ("NUMBER_25", "READY", "SNAP"):
                await program.ends.keeper.press(key)
            await program.until(lambda: noted(folder) >= 4, 5)  # the start and three presses
            program.process.kill()
            await program.process.wait()
            cut(2)(folder)
            (folder / "state" / "journal.head").unlink()
            before = playclock(
                "check", "--config", str(program.site.config), "--no-boards", "--no-handsets"
            )
            second = await start(program.site)
            said = b""
            try:
                assert second.stdout is not None
                with contextlib.suppress(TimeoutError):
                    async with asyncio.timeout(5):
                        while CUT not in said and (more := await second.stdout.read(4096)):
                            said += more
                second.terminate()
                await second.wait()
            finally:
                await kill(second)
            rows = program.site.rows()
        told = [row for row in rows if row.kind == "fault" and "rows cut off" in row.detail]
        tally.tried(bool(told), "no row tells of it")
        tally.tried(CUT in said, f"the console does not: {said!r}")
        tally.tried("cut off" in before.stdout, f"check says {before.stdout}{before.stderr}")

    asyncio.run(told())


def pairing_by_another_version(tally: Tally, folder: Path) -> None:
    """On the pairing cable answers a handset of another version: named in words, nothing paired."""
    keys = folder / "keys"
    for version in (1, 3, 15):
        (place := folder / f"version {version}").mkdir()
        with Site(place) as site:
            master = site.ttys["receiver"].master
            port = str(site.ttys["receiver"].link)
            arguments = ("--handset", "1", "--port", port, "--key-file", str(keys), "--wait-s", "1")
            with ThreadPoolExecutor() as pool:
                asked = pool.submit(playclock, "pair", *arguments)
                unframer = Unframer()
                while not asked.done():
                    if not select.select([master], [], [], 0.05)[0]:
                        continue
                    for body in unframer.feed(os.read(master, 4096)):
                        here = bytes([0x28]) + body[1:9] + bytes([12, 1, 0]) + bytes(16)
                        os.write(master, of_version(version, framed(here)))
                ended = asked.result()
        said = ended.stdout + ended.stderr
        tally.tried(f"version {version}" in said, f"{version} is not named: {said!r}")
        tally.tried(ended.returncode != 0, f"version {version}: paired")


def program_replayed(tally: Tally, folder: Path) -> None:
    """The program itself: presses of a run that was killed, its folders wiped, the keys kept."""

    async def told() -> None:
        async with running(folder) as program:
            keeper = program.ends.keeper
            for key in ("NUMBER_25", "READY", "SNAP", "DEAD_BALL", "NUMBER_40", "NUMBER_25") * 3:
                await keeper.press(key)
            await program.until(lambda: program.ends.read[0].strip() != "", 2)
            program.process.kill()
            await program.process.wait()
            for name in ("state", "run"):
                shutil.rmtree(folder / name)
            recorded = list(keeper.recorded)
            second = await start(program.site)
            try:
                await program.until(lambda: len(keeper.sessions) == 2, 10)
                heard = len(keeper.heard)
                for frame in recorded:
                    keeper.replay(frame)
                    await asyncio.sleep(0.05)
                    tally.tried(program.ends.read == DARK, f"boards read {program.ends.read}")
                said = [state for _, state in keeper.heard[heard:] if state.handset]
                tally.tried(said == [], "a recorded press was answered")
                assert (await keeper.press("NUMBER_25")).result in ("held", "running")
            finally:
                await kill(second)

    asyncio.run(told())
