"""The command line: its exit codes, its help, and that a command loads only what it needs."""

from __future__ import annotations

import contextlib
import json
import os
import signal
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

import pytest

from controller import VERSION
from controller.cli import main
from controller.outcome import DONE, FOUND_WRONG, INTERRUPTED, MISTAKE

ROOT = Path(__file__).resolve().parents[2]
PROGRAM = [sys.executable, "-m", "controller"]
RULING = ["ruling", "incomplete_pass", "--rules", "nfhs"]


def exit_code(arguments: list[str]) -> int:
    """What the process would end with."""
    try:
        return main(arguments)
    except SystemExit as ended:
        assert isinstance(ended.code, int)
        return ended.code


@pytest.mark.parametrize(
    ("command", "words"),
    [
        ("", "    run ,    check ,    pair ,    ruling ,    journal "),
        ("", "0 done,1 the,2 a mistake,130 interrupted"),
        ("run", "--config,--rules,--season,--no-boards,--demo,--plain"),
        ("check", "--config,--crew,--no-boards,--no-handsets,--wait-s,--journal"),
        ("journal", "--verify"),
    ],
)
def test_help_explains_every_command_exit_code_and_option(
    capsys: pytest.CaptureFixture[str], command: str, words: str
) -> None:
    assert exit_code([*command.split(), "--help"]) == DONE
    said = capsys.readouterr()
    assert said.out.startswith("usage: playclock") and said.err == ""
    for each in words.split(","):
        assert each in said.out


def test_the_version(capsys: pytest.CaptureFixture[str]) -> None:
    assert exit_code(["--version"]) == DONE
    assert capsys.readouterr().out == f"playclock {VERSION}\n"


def test_no_command_is_a_mistake_that_shows_the_commands(
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert exit_code([]) == MISTAKE
    said = capsys.readouterr()
    assert "ruling" in said.out + said.err


@pytest.mark.parametrize(
    ("arguments", "named"),
    [
        (["rulling"], ["'rulling'", "run", "ruling", "journal"]),
        (["ruling"], ["--rules"]),
        (["ruling", "incomplete_pass"], ["--rules"]),
        ([*RULING, "--season", "last"], ["--season", "'last'"]),
        ([*RULING, "--jsn"], ["--jsn"]),
        ([*RULING, "--js"], ["--js"]),  # an abbreviation may mean another option one day
        (["run", "--confg", "x"], ["--confg"]),
        (["run", "extra"], ["extra"]),
        (["run", "--config"], ["--config"]),
        (["check", "--wait-s", "0"], ["--wait-s", "'0'", "1 to 600"]),
        (["check", "--wait-s", "soon"], ["--wait-s", "'soon'"]),
        (["journal", "--game", "first"], ["--game", "'first'"]),
    ],
)
def test_a_mistake_in_the_command_line_names_it(
    capsys: pytest.CaptureFixture[str], arguments: list[str], named: list[str]
) -> None:
    assert exit_code(arguments) == MISTAKE
    said = capsys.readouterr()
    assert said.out == ""
    for words in named:
        assert words in said.err.splitlines()[-1]


def test_a_command_may_be_called_from_python_with_the_process_arguments(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(sys, "argv", ["playclock", *RULING])
    assert main() == DONE
    assert capsys.readouterr().out.startswith("40 seconds")


def test_an_interrupt_is_130(monkeypatch: pytest.MonkeyPatch) -> None:
    def interrupted(_: object) -> int:
        raise KeyboardInterrupt

    monkeypatch.setattr("controller.commands.ruling.run", interrupted)
    assert main(RULING) == INTERRUPTED


@pytest.mark.parametrize(
    ("error", "code", "said"),
    [
        (ValueError("HOME: none"), MISTAKE, "playclock ruling: HOME: none\n"),
        (OSError(28, "full"), FOUND_WRONG, "playclock ruling: cannot write the output: full\n"),
        (BrokenPipeError(32, "gone"), FOUND_WRONG, ""),
    ],
)
def test_an_error_of_a_command_is_one_line(
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    error: Exception,
    code: int,
    said: str,
) -> None:
    def failing(_: object) -> int:
        raise error

    monkeypatch.setattr("controller.commands.ruling.run", failing)
    assert main(RULING) == code
    assert capsys.readouterr().err == said


# Real processes, each well below half a second


def playclock(
    *arguments: str, stdout: int = subprocess.PIPE, program: Sequence[str] = PROGRAM
) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [*program, *arguments],
        cwd=ROOT,
        stdin=subprocess.DEVNULL,
        stdout=stdout,
        stderr=subprocess.PIPE,
        text=True,
        timeout=20,
        check=False,
    )


def test_the_module_runs_and_gives_its_exit_code() -> None:
    good, bad = playclock(*RULING, "--json"), playclock(*RULING[:1], "nothing", *RULING[2:])
    assert (good.returncode, good.stderr) == (DONE, "")
    assert good.stdout == (
        '{"seconds": 40, "starts_on": "dead_ball", '
        '"citation": "NFHS 3-6-1a(2) (2019): every other down", "read_as": "text"}\n'
    )
    assert (bad.returncode, bad.stdout, bad.stderr.count("\n")) == (MISTAKE, "", 1)


@pytest.mark.parametrize(
    "arguments",
    [
        ["foul", "--json", "by", "--rules", "nfhs", "defense", "only"],
        ["--rules", "nfhs", "--json", "foul", "--fact", "by_defense_only"],
        ["foul by the defense only", "--json", "--rules", "nfhs"],
    ],
)
def test_options_stand_anywhere_among_the_words(
    arguments: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["ruling", *arguments]) == DONE
    assert json.loads(capsys.readouterr().out)["seconds"] == 40


def loaded(*arguments: str) -> set[str]:
    """The modules that stand loaded once a command is done."""
    code = (
        "import sys; from controller.cli import main; code = main(); "
        "print(*sys.modules, file=sys.stderr); sys.exit(code)"
    )
    ended = playclock(*arguments, program=[sys.executable, "-c", code])
    assert ended.returncode == DONE
    return set(ended.stderr.split())


def test_ruling_loads_nothing_that_it_does_not_need() -> None:
    modules = loaded(*RULING)
    assert "controller.commands.ruling" in modules and "tomllib" in modules
    heavy = {"asyncio", "sqlite3", "hashlib", "ssl", "serial", "threading", "subprocess", "socket"}
    assert modules & heavy == set()
    folders = {each.split(".")[1] for each in modules if each.startswith("controller.")}
    assert folders == {"cli", "commands", "outcome", "rulebook", "rules"}
    assert not any(each.startswith("drivers") for each in modules)
    assert "controller.rulebook.options" not in modules  # read only where one is chosen


def test_help_loads_no_command() -> None:
    commands = {f"controller.commands.{name}" for name in ("run", "ruling", "check")}
    heavy = {"asyncio", "sqlite3", "ssl", "serial"}
    assert not (commands | heavy) & loaded("--help")


def test_an_output_that_takes_nothing_is_a_line_not_a_traceback() -> None:
    full = os.open("/dev/full", os.O_WRONLY)  # full(4): every write fails for want of space
    try:
        ended = playclock(*RULING, stdout=full)
    finally:
        os.close(full)
    assert "Traceback" not in ended.stderr
    assert ended.returncode in (FOUND_WRONG, MISTAKE)
    assert ended.stderr.startswith("playclock") and ended.stderr.count("\n") == 1


def test_a_reader_that_has_gone_is_no_traceback() -> None:
    reader, writer = os.pipe()
    os.close(reader)
    try:
        ended = playclock(*RULING, stdout=writer)
    finally:
        os.close(writer)
    assert "Traceback" not in ended.stderr and "Exception ignored" not in ended.stderr


WAITS = """
import sys
import controller.commands.run as run
def waits(*_):
    print("reads", flush=True)
    sys.stdin.read()
run.load_config = waits
from controller.cli import main
sys.exit(main(["run", "--config", "field.toml"]))
"""


def test_interrupted_before_the_clock_runs() -> None:
    pipe = subprocess.PIPE
    waiting = subprocess.Popen(
        [sys.executable, "-c", WAITS], cwd=ROOT, stdin=pipe, stdout=pipe, stderr=pipe, text=True
    )
    try:
        assert waiting.stdout is not None
        assert waiting.stdout.readline() == "reads\n"
        for _ in range(100):  # one that comes just before the read sleeps does not wake it
            waiting.send_signal(signal.SIGINT)
            with contextlib.suppress(subprocess.TimeoutExpired):
                waiting.wait(2)
                break
    finally:
        waiting.kill()
        _, said = waiting.communicate()
    assert waiting.returncode == INTERRUPTED
    assert "Traceback" not in said
