"""The whole command: exit codes, what it skips, an installation on ptys, a real terminal."""

from __future__ import annotations

import argparse
import asyncio
import fcntl
import os
import pty
import select
import signal
import subprocess
import sys
import termios
import time
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from controller.assembly.assembler import rules_of
from controller.check.report import Report
from controller.cli import main
from controller.commands import check as check_command
from controller.commands.check import Check
from controller.config.load import load_config
from controller.outcome import DONE, FOUND_WRONG, INTERRUPTED, MISTAKE
from controller.recovery.recovery import LOCK
from controller.rulebook.loader import load_rule_set
from drivers.handset.layouts import LAYOUTS
from tests.controller.answering_crew import checks
from tests.shared.far_ends import FarEnds
from tests.shared.frames import (
    DARK_NUMERALS,
    LAMP_TEST_NUMERALS,
    Unframer,
    read_show,
)
from tests.shared.installation import Site
from tests.shared.pty_time import AwakeLoop, Lanes, PatientClock, PtyPort
from tests.shared.virtual_time import VirtualClock, run

ROOT = Path(__file__).resolve().parents[3]


def arguments(*given: str) -> argparse.Namespace:
    parser = argparse.ArgumentParser()
    check_command.add_arguments(parser)
    return parser.parse_args(given)


def checked(check: Check) -> int:
    """Run in virtual time."""

    async def main_(clock: VirtualClock) -> int:
        check.clock = clock
        return await check.run()

    return run(main_)


@pytest.fixture(autouse=True)
def own_state(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "xdg"))


def simulator(*given: str) -> tuple[int, list[str]]:
    lines: list[str] = []
    check = Check(arguments(*given), None, load_rule_set("nfhs"), Report(lines.append))
    return checked(check), lines


def test_the_simulator_is_all_right_and_leaves_nothing(tmp_path: Path) -> None:
    code, lines = simulator()
    assert code == DONE
    assert [line for line in lines if line.startswith("WRONG")] == []
    for part in ("Rules", "Computer", "Boards", "Handsets"):
        assert part in lines
    assert lines[-1].startswith("Ready")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("option", "left_out"), [("--no-boards", "Boards"), ("--no-handsets", "Handsets")]
)
def test_a_part_may_be_left_out(option: str, left_out: str) -> None:
    code, lines = simulator(option)
    assert code == DONE and left_out not in lines
    assert "Rules" in lines and {"Boards", "Handsets"} & set(lines)


# An installation on ptys


class Installed:
    """An installation whose far ends live on the masters of its ptys, in virtual time."""

    def __init__(self, site: Site, patch: pytest.MonkeyPatch) -> None:
        self.site, self._patch = site, patch
        self.lines: list[str] = []
        self.change: Callable[[FarEnds], None] = lambda _: None

    def check(self, *given: str, handsets: tuple[int, ...] = (1, 2)) -> int:
        """The command's exit code; ``handsets`` are those whose keys are pressed."""
        self.lines.clear()
        lanes = Lanes()
        clock = PatientClock(lanes)
        self._patch.setattr("drivers.port.serial_port.SerialPort", partial(PtyPort, lanes))

        async def whole() -> int:
            config = load_config(self.site.config)
            args, report = arguments(*given), Report(self.lines.append)
            check = Check(args, config, rules_of(config), report, clock=clock)
            far = FarEnds(clock, self.site, lanes)
            self.change(far)
            thumb = asyncio.create_task(thumbs(far, handsets))
            try:
                return await check.run()
            finally:
                thumb.cancel()
                await asyncio.sleep(0.05)
                self.read = far.read
                far.stop()

        with asyncio.Runner(loop_factory=lambda: AwakeLoop(clock)) as runner:
            return runner.run(whole())

    def said(self, word: str) -> str:
        return "\n".join(line for line in self.lines if line.startswith(word))


async def thumbs(far: FarEnds, pressed: tuple[int, ...]) -> None:
    """Every key of each handset, one handset after the other."""
    layouts = {1: LAYOUTS["twelve"], 2: LAYOUTS["four"]}
    for number in pressed:
        handset = far.handsets[number]
        while handset.state is None:  # noqa: ASYNC110 - tells nobody
            await asyncio.sleep(0.1)
        for key in layouts[number]:
            await handset.press(key.name)
            await asyncio.sleep(0.2)


@pytest.fixture
def installed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Installed]:
    mounts = f"tmpfs {tmp_path} tmpfs rw 0 0\n"
    monkeypatch.setattr("controller.check.storage._mounts", lambda: mounts)
    with Site(tmp_path) as site:
        yield Installed(site, monkeypatch)


def test_a_whole_installation_is_ready(installed: Installed) -> None:
    assert installed.check() == DONE
    good = installed.said("OK")
    assert installed.said("WRONG") == ""
    assert "north showed all that it was told" in good
    assert "south showed all that it was told" in good
    assert "boards answer in" in good
    assert "a key for every handset" in good
    assert "handset 1 (keeper, twelve keys): all 12 keys came" in good
    assert "handset 2 (field, four keys): all 4 keys came" in good
    assert installed.read == ["  ", "  "]


def test_a_dead_board_and_a_missing_handset_are_told_together(installed: Installed) -> None:
    installed.change = lambda far: setattr(far.nodes[1], "plugged", False)
    assert installed.check("--wait-s", "5", handsets=(2,)) == FOUND_WRONG
    bad = installed.said("WRONG")
    assert "south (node 2 on" in bad and "does not answer" in bad
    assert "handset 1 (keeper, twelve keys): not heard" in bad
    assert installed.lines[-1].startswith("Not ready: 2 wrong")


def test_a_missing_key_file_is_told_and_the_boards_are_checked(installed: Installed) -> None:
    (installed.site.folder / "handsets.keys").unlink()
    assert installed.check() == FOUND_WRONG
    bad = installed.said("WRONG")
    assert "handsets.keys" in bad and "pair the handsets" in bad
    assert "south showed all" in installed.said("OK")


def test_a_key_file_that_others_can_read_is_told(installed: Installed) -> None:
    (installed.site.folder / "handsets.keys").chmod(0o644)
    assert installed.check("--no-boards") == FOUND_WRONG
    assert "mode 0644 lets others at the keys" in installed.said("WRONG")


def test_a_running_service_keeps_its_boards(installed: Installed) -> None:
    runtime = installed.site.folder / "run"
    runtime.mkdir()
    (runtime / LOCK).touch()
    service = os.open(runtime / LOCK, os.O_RDONLY)
    fcntl.flock(service, fcntl.LOCK_EX)
    assert installed.check() == FOUND_WRONG
    os.close(service)
    assert "systemctl stop playclock" in installed.said("WRONG")
    assert "Boards" not in installed.lines and "Computer" in installed.lines


def test_nothing_configured_wants_a_look(installed: Installed) -> None:
    installed.site.config.write_text(f'state_folder = "{installed.site.folder}/state"\n')
    installed.check()
    assert "no boards are configured" in installed.said("LOOK")
    assert "no handsets are configured" in installed.said("LOOK")


# Mistakes, before anything is opened


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("brightness = 16\n", "brightness"),
        ('rules = "nfsh"\n', "nfsh"),
    ],
)
def test_a_mistake_in_the_configuration_is_2_and_named(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], text: str, said: str
) -> None:
    (tmp_path / "c.toml").write_text(text)
    assert main(["check", "--config", str(tmp_path / "c.toml")]) == MISTAKE
    told = capsys.readouterr()
    assert told.out == "" and said in told.err and str(tmp_path / "c.toml") in told.err


def test_root_is_sent_to_the_services_user(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "c.toml").write_text(f'state_folder = "{tmp_path}"\n')
    monkeypatch.setattr("controller.check.storage.stranger", lambda _: "playclock")
    assert main(["check", "--config", str(tmp_path / "c.toml")]) == MISTAKE
    assert "sudo -u playclock playclock check" in capsys.readouterr().err


# Real processes


def started(tmp_path: Path, *given: str, **more: Any) -> subprocess.Popen[bytes]:
    environment = {**os.environ, "XDG_STATE_HOME": str(tmp_path / "xdg"), "PYTHONUNBUFFERED": "1"}
    command = [sys.executable, "-m", "controller", "check", *given]
    return subprocess.Popen(command, cwd=ROOT, env=environment, **more)


def read_until(fd: int, words: str, patience_s: float = 30.0) -> str:
    """What the program printed up to ``words``."""
    text, ends_at = "", time.monotonic() + patience_s
    while words not in " ".join(text.split()):
        assert select.select([fd], [], [], max(0, ends_at - time.monotonic()))[0], text
        text += os.read(fd, 4096).decode()
    return text


@pytest.mark.full
def test_at_a_real_terminal_the_crew_is_led_and_may_leave(tmp_path: Path) -> None:
    master, slave = pty.openpty()
    termios.tcsetwinsize(slave, (24, 80))
    program = started(tmp_path, "--crew", "--no-handsets", stdin=slave, stdout=slave, stderr=slave)
    os.close(slave)
    try:
        printed = read_until(master, "north shows 88: read aloud and right")
        assert max(map(len, printed.splitlines())) < 80
        time.sleep(0.1)
        os.write(master, b"perhaps\n")
        read_until(master, "ends the check north shows 88: read aloud")
        os.write(master, b"s\n")
        read_until(master, "start the wrist timer")
        os.write(master, b"q\n")
        assert "Not ready" in read_until(master, "Not ready: 1 wrong")
        assert program.wait(20) == FOUND_WRONG
    finally:
        program.kill()
        program.wait()
        os.close(master)
    journal = tmp_path / "xdg" / "playclock" / "journal.sqlite3"
    assert [row.result for row in checks(journal)] == ["skipped", "aborted", "wrong"]


@pytest.mark.full
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_a_signal_ends_it_in_order(tmp_path: Path, number: int) -> None:
    with Site(tmp_path) as site:
        program = started(
            tmp_path,
            *("--config", str(site.config), "--no-handsets"),
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
        )
        assert program.stdout is not None
        read_until(program.stdout.fileno(), "lamp test")
        time.sleep(0.5)
        program.send_signal(number)
        assert program.wait(10) == INTERRUPTED
        said = program.stdout.read().decode()
        program.stdout.close()
        assert "Traceback" not in said
        os.set_blocking(site.ttys["boards"].master, False)
        sent = os.read(site.ttys["boards"].master, 1 << 16)
    shown = [read_show(body).numerals for body in Unframer().feed(sent)]
    assert LAMP_TEST_NUMERALS in shown[:-2] and shown[-2:] == [DARK_NUMERALS] * 2


@pytest.mark.full
def test_without_a_terminal_it_ends_by_itself(tmp_path: Path) -> None:
    program = started(
        tmp_path, "--crew", stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE
    )
    said, errors = program.communicate(timeout=60)
    assert program.returncode == FOUND_WRONG and errors == b""
    assert "ended early" in said.decode()
