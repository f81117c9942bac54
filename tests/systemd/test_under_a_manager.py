"""The installation under a real service manager: its sandbox, its watchdog, an upgrade.

Two ptys are the serial ports. The counterparts of ``tests/shared`` read what is on the wires.
"""

from __future__ import annotations

import asyncio
import contextlib
import csv
import grp
import os
import signal
import tty
from collections.abc import AsyncIterator, Callable, Iterator
from pathlib import Path

import pytest

from tests.shared.far_ends import FarEnds
from tests.shared.frames import S_NS
from tests.shared.installation import PORTS, configuration, key_file
from tests.shared.program import boottime, until
from tests.systemd.private_manager import PYTHON, PrivateManager, cannot_run
from tests.systemd.releases import Releases, digest

WHY_NOT = cannot_run()
pytestmark = [
    pytest.mark.full,
    pytest.mark.waits,
    pytest.mark.needs_systemd,
    pytest.mark.needs_ssh,
    pytest.mark.skipif(WHY_NOT != "", reason=WHY_NOT),
]

LOG = "/var/log/playclock-test.log"
SITE = f"""\
[Service]
# What stands in for serial ports here.
DeviceAllow=char-136 rw
# No journal runs.
StandardOutput=append:{LOG}
StandardError=append:{LOG}
"""
INSTALLER = (PYTHON, "-I", "/opt/playclock/current/install.py")


@pytest.fixture(scope="module")
def manager(
    tmp_path_factory: pytest.TempPathFactory, releases: Releases
) -> Iterator[PrivateManager]:
    """A service manager with the old release installed."""
    with PrivateManager(tmp_path_factory.mktemp("manager") / "layers") as manager:
        manager.run(
            PYTHON, "-I", releases.old / "install.py", "install", "--digest", digest(releases.old)
        )
        manager.write("/etc/systemd/system/playclock.service.d/site.conf", SITE)
        manager.run("systemctl", "daemon-reload")
        yield manager


class Game:
    """The service between its ports."""

    def __init__(self, manager: PrivateManager) -> None:
        self.manager = manager
        self.ends = FarEnds(boottime)
        self._fds: list[int] = []
        ports = {name: self._port(name) for name in PORTS}
        path = "/etc/playclock/handsets.keys"
        text = configuration(ports, state="/var/lib/playclock", run="/run/playclock", keys=path)
        manager.write("/etc/playclock/playclock.toml", text)
        manager.write(path, key_file())
        manager.run("chmod", "600", path)
        manager.run("chown", "playclock", path)

    def _port(self, name: str) -> str:
        """A pty that, as a serial port, belongs to root and the group dialout."""
        master, slave = os.openpty()
        tty.setraw(slave)
        os.fchown(slave, 0, grp.getgrnam("dialout").gr_gid)
        os.fchmod(slave, 0o660)
        self._fds += [master, slave]
        self.ends.attach(name, master)
        return os.ttyname(slave)

    def close(self) -> None:
        """End the service, as on another day, and take its ports away."""
        self.ends.stop()
        for fd in self._fds:
            os.close(fd)

    async def call(self, *words: str | Path) -> str:
        """Run a program beside the manager while the counterparts go on; it must succeed."""
        return await asyncio.to_thread(self.manager.run, *words)

    async def fails(self, *words: str | Path) -> str:
        """The same for one that must not; gives what it said."""
        done = await asyncio.to_thread(self.manager.call, *words)
        assert done.returncode != 0, done.stdout
        return done.stdout + done.stderr

    async def until(self, holds: Callable[[], bool], within_s: float) -> None:
        """Wait until something holds."""
        told = lambda: f"boards read {self.ends.read}; {self.manager.read(LOG)[-2000:]}"  # noqa: E731
        await until(holds, within_s, told)

    async def reads(self, text: str, within_s: float = 3) -> None:
        """Both boards come to read ``text``."""
        await self.until(lambda: self.ends.read == [text, text], within_s)

    async def boards_off(self) -> None:
        """Order the boards off."""
        await asyncio.sleep(1.6)  # the same order sooner would be the same press again
        assert (await self.ends.keeper.press("BOARDS_OFF", held=True)).result == "held"
        await self.reads("  ")
        async with asyncio.timeout(10):  # a late answer may be the reason of the moment
            while "boards off" not in await self.shows("StatusText"):  # noqa: ASYNC110 - no event
                await asyncio.sleep(0.1)

    async def shows(self, name: str) -> str:
        """One property of the unit."""
        return (await asyncio.to_thread(self.manager.shown, name))[name]

    async def count_from_40(self) -> int:
        """DEAD BALL, and both boards read its count; when it began."""
        started = await self.ends.keeper.press("DEAD_BALL")
        assert started.result == "running"
        await self.right_numerals(started.at, 1)
        return started.at

    async def right_numerals(self, started_at: int, within_s: float) -> None:
        """Both boards come to read the count that started then with 40, and go on with it."""

        def right() -> bool:
            left_ns = started_at + 40 * S_NS - boottime()
            return all(node.reads == f"{-(-left_ns // S_NS):2d}" for node in self.ends.nodes)

        await self.until(right, within_s)
        await asyncio.sleep(1.2)
        await self.until(right, 0.3)


@contextlib.asynccontextmanager
async def playing(manager: PrivateManager) -> AsyncIterator[Game]:
    """A fresh day: the service started, and heard by boards and handsets."""
    game = Game(manager)
    presence = None
    # The counterparts stand for processors of their own: they do not wait for this computer's.
    first = os.SCHED_FIFO | os.SCHED_RESET_ON_FORK
    with contextlib.suppress(PermissionError):
        os.sched_setscheduler(0, first, os.sched_param(1))
    try:
        await game.call("sh", "-c", f"rm -rf /run/playclock /var/lib/playclock; : > {LOG}")
        await game.call("systemctl", "start", "playclock")
        await game.until(lambda: game.ends.keeper.state is not None, 5)
        presence = asyncio.create_task(game.ends.keeper.presence())
        yield game
    finally:
        if presence is not None:
            presence.cancel()
        await asyncio.to_thread(manager.call, "systemctl", "stop", "playclock")
        game.close()
        os.sched_setscheduler(0, os.SCHED_OTHER, os.sched_param(0))


async def test_a_start_returns_with_the_first_frame_out(manager: PrivateManager) -> None:
    async with playing(manager) as game:
        assert game.ends.boards.log, "a frame was on the wire"
        assert await game.shows("ActiveState") == "active"
        assert (await game.ends.keeper.press("NUMBER_25")).result == "held"
        await game.reads("25")
        assert await game.shows("StatusText") == "boards lit"
        await game.boards_off()
        assert (await game.shows("StatusText")).startswith("boards off")


async def test_the_sandbox_holds_and_lets_the_service_do_its_work(manager: PrivateManager) -> None:
    async with playing(manager) as game:
        process = Path(f"/proc/{manager.main_pid}")
        lines = (process / "status").read_text().splitlines()
        status = dict(line.split(":", 1) for line in lines)
        user = await game.call("id", "-u", "playclock")
        assert set(status["Uid"].split()) == {user.strip()} != {"0"}
        assert status["CapBnd"].strip() == status["CapEff"].strip() == "0" * 16
        assert (status["NoNewPrivs"].strip(), status["Seccomp"].strip()) == ("1", "2")
        assert network_of(process) != network_of(process.parent / "self")
        assert (await game.ends.keeper.press("NUMBER_25")).result == "held"
        await game.reads("25")
        await asyncio.sleep(0.5)
        journal = "/var/lib/playclock/journal.sqlite3"
        rows = list(
            csv.DictReader((await game.call("playclock", "journal", journal, "--csv")).splitlines())
        )
        (held,) = [row for row in rows if row["event"] == "25, held"]
        assert held["wall_synchronised"] in ("0", "1"), "the kernel was asked about its clock"


def network_of(process: Path) -> Path:
    return (process / "ns/net").readlink()


async def test_a_count_that_goes_well_is_not_logged(manager: PrivateManager) -> None:
    async with playing(manager) as game:
        await game.count_from_40()
        before = len(manager.read(LOG).splitlines())
        await asyncio.sleep(6)
        said = manager.read(LOG).splitlines()[before:]
        assert len(said) <= 2, said  # one answer may be late here, which is said, and healed


async def test_a_hang_is_ended_by_the_watchdog_and_the_count_goes_on(
    manager: PrivateManager,
) -> None:
    async with playing(manager) as game:
        started_at = await game.count_from_40()
        hung = manager.main_pid
        os.kill(hung, signal.SIGSTOP)
        hung_at = boottime()
        await game.reads("  ", 1.7)  # by silence
        await game.right_numerals(started_at, 5)
        assert await game.shows("NRestarts") == "1"
        assert manager.main_pid != hung
        read = {
            face for node in game.ends.nodes for face in node.faces_between(hung_at, boottime())
        }
        assert max(int(face) for face in read if face.strip()) <= 39, "no numeral of before"


async def test_a_killed_service_is_started_again_and_the_count_goes_on(
    manager: PrivateManager,
) -> None:
    async with playing(manager) as game:
        started_at = await game.count_from_40()
        os.kill(manager.main_pid, signal.SIGKILL)
        await game.until(lambda: game.ends.boards.log[-1].at < boottime() - S_NS // 5, 1)
        silent_at = game.ends.boards.log[-1].at
        await game.until(lambda: game.ends.boards.log[-1].at > silent_at, 5)
        await game.right_numerals(started_at, 2)
        assert await game.shows("NRestarts") == "1"


@pytest.mark.parametrize(
    ("mounted", "said"),
    [
        ("-o ro,mode=0700,uid=playclock,gid=playclock", "Read-only file system"),
        ("-o size=4k,mode=0700,uid=playclock,gid=playclock", "No space left on device"),
    ],
)
async def test_a_card_that_takes_nothing_does_not_keep_it_down(
    manager: PrivateManager, mounted: str, said: str
) -> None:
    folder = "/var/lib/playclock"
    async with playing(manager) as game:
        await game.call("systemctl", "stop", "playclock")
        fill = f"head -c 4096 /dev/zero > {folder}/file"
        mount = f"mount -t tmpfs {mounted} card {folder} && ({fill} || true)"
        await game.call("sh", "-c", mount)
        try:
            await game.call("systemctl", "start", "playclock")
            assert await game.shows("ActiveState") == "active"
            assert await game.shows("NRestarts") == "0"
            assert f"a power cut would go unnoticed: {folder}: {said}" in manager.read(LOG)
            await game.call("systemctl", "stop", "playclock")
        finally:
            await game.call("umount", folder)


async def test_a_mistake_in_the_configuration_is_not_tried_again(manager: PrivateManager) -> None:
    async with playing(manager) as game:
        await game.call("systemctl", "stop", "playclock")
        text = manager.read("/etc/playclock/playclock.toml")
        manager.write("/etc/playclock/playclock.toml", text.replace("node = 2", "node = 9"))
        await game.fails("systemctl", "start", "playclock")
        await asyncio.sleep(0.5)
        assert await game.shows("ActiveState") == "failed"
        assert await game.shows("NRestarts") == "0"
        assert "boards[1].node" in manager.read(LOG)


async def test_an_upgrade_a_rollback_and_a_release_that_does_not_start(
    manager: PrivateManager, releases: Releases
) -> None:
    async with playing(manager) as game:
        assert (await game.ends.keeper.press("NUMBER_25")).result == "held"
        await game.reads("25")
        why = await game.fails(*INSTALLER, "install", releases.new)
        assert "boards lit" in why
        assert game.ends.read == ["25", "25"]

        await game.boards_off()
        assert "The service runs." in await game.call(*INSTALLER, "install", releases.new)
        assert (await game.call("playclock", "--version")).split()[-1] == "99.1"
        await relit(game)

        await game.boards_off()
        why = await game.fails(*INSTALLER, "install", releases.broken)
        assert "is not in use" in why
        assert (await game.call("playclock", "--version")).split()[-1] == "99.1"
        await relit(game)

        await game.boards_off()
        assert "is in use again" in await game.call(*INSTALLER, "rollback")
        assert (await game.call("playclock", "--version")).split()[-1] != "99.1"
        await relit(game)


async def relit(game: Game) -> None:
    """After all that the held number is still known, dark until it is asked for."""
    assert game.ends.read == ["  ", "  "]
    await game.until(lambda: game.ends.keeper.heard[-1][0] > boottime() - S_NS // 10, 3)
    await asyncio.sleep(1.6)
    assert (await game.ends.keeper.press("BOARDS_OFF", held=True)).result == "held"
    await game.reads("25")


async def test_after_enabling_it_starts_by_itself(manager: PrivateManager) -> None:
    await asyncio.to_thread(manager.run, "systemctl", "enable", "playclock")
    assert "enabled" in manager.run("systemctl", "is-enabled", "playclock")
    (wanted,) = manager.run("ls", "/etc/systemd/system/multi-user.target.wants").split()
    named = f"/etc/systemd/system/multi-user.target.wants/{wanted}"
    unit = "/usr/local/lib/systemd/system/playclock.service"
    assert manager.run("readlink", named).strip() == unit, "of no release in particular"
    manager.run("systemctl", "disable", "playclock")
    assert "static" not in manager.run("systemctl", "cat", "playclock")
