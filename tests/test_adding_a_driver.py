"""A driver of boards added by the guide alone: one file and its kind, and nothing else."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from tests.shared.installation import Tty

ROOT = Path(__file__).resolve().parent.parent
DRIVER = ROOT / "tests" / "examples" / "plain_digits.py"
KINDS = Path("drivers/board/kinds.py")
KIND = """\
    BoardKind(
        name="plain_digits",
        needs_port=True,
        has_table=True,
        shared=True,
        bauds=LINE_BAUDS,
        baud=9600,
    ),
"""
INSTALLATION = """\
state_folder = "{folder}/state"
runtime_folder = "{folder}/run"

[[boards]]
name = "press"
driver = "plain_digits"
port = "{port}"

[boards.plain_digits]
stop = "{stop}"
"""
SERVICE = """\
import asyncio, sys
from controller.assembly.assembler import Assembler, rules_of
from controller.clock import boottime
from controller.config.load import load_config
from controller.rules.events import SetCount

async def main():
    config = load_config(sys.argv[1])
    assembler = Assembler(boottime, rules_of(config), config.play_clock)
    assembler.console("keeper")
    assembler.boards(config.boards)
    service = assembler.build(None).service
    running = asyncio.create_task(service.run())
    await asyncio.sleep(0)
    service.enter(SetCount(37))
    await asyncio.sleep(0)
    service.stop()
    await running

asyncio.run(main())
"""


@pytest.fixture
def clone(tmp_path: Path) -> Path:
    """A copy of the product, with the driver and its kind."""
    clone = tmp_path / "clone"
    for package in ("controller", "drivers"):
        shutil.copytree(
            ROOT / package, clone / package, ignore=shutil.ignore_patterns("__pycache__")
        )
    shutil.copy(DRIVER, clone / "drivers" / "board")
    kinds = (clone / KINDS).read_text("utf-8")
    head, opening, rest = kinds.partition("BOARD_KINDS = (\n")
    others, closing, tail = rest.partition("\n)\n")
    assert opening and closing
    (clone / KINDS).write_text(f"{head}{opening}{others}\n{KIND})\n{tail}", "utf-8")
    return clone


def installation(folder: Path, port: str, stop: str = ".") -> Path:
    file = folder / "installation.toml"
    file.write_text(INSTALLATION.format(folder=folder, port=port, stop=stop), "utf-8")
    return file


def python(clone: Path, *words: str) -> subprocess.CompletedProcess[str]:
    environment = {**os.environ, "PYTHONPATH": str(clone), "PYTHONDONTWRITEBYTECODE": "1"}
    command = [sys.executable, "-P", *words]
    return subprocess.run(
        command, env=environment, cwd=clone, capture_output=True, text=True, check=False
    )


def test_the_service_shows_its_faces_on_a_driver_added_by_the_guide(
    clone: Path, tmp_path: Path
) -> None:
    line = Tty(tmp_path / "line")
    done = python(clone, "-c", SERVICE, str(installation(tmp_path, str(line.link))))
    assert done.returncode == 0, done.stderr
    shown = os.read(line.master, 4096).decode()
    line.unplug()
    assert shown.startswith("37.") and shown.endswith("--.")


@pytest.mark.full
def test_its_table_is_read_as_strictly_as_any_other(clone: Path, tmp_path: Path) -> None:
    file = installation(tmp_path, "/dev/press", stop="?")
    done = python(clone, "-m", "controller", "run", "--config", str(file))
    assert done.returncode == 2
    assert done.stderr == (
        f'playclock run: {file}: boards[0].plain_digits.stop = "?": must be one of ".", "!"\n'
    )


@pytest.mark.full
def test_the_check_before_a_game_opens_it_too_and_says_what_to_do(
    clone: Path, tmp_path: Path
) -> None:
    file = installation(tmp_path, "/dev/not-there")
    done = python(clone, "-m", "controller", "check", "--no-handsets", "--config", str(file))
    assert "WRONG  press: /dev/not-there: cannot open" in done.stdout
    assert "plug the adapter in, or mend its name" in done.stdout
