"""The fuzzer over every parser, and the proof that it is not blind."""

from __future__ import annotations

import contextlib
import importlib.util
import inspect
import sys
import textwrap
import types
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from controller.commands import journal as journal_command
from controller.config import load as config
from controller.console import entry as console_entry
from controller.recovery import snapshot_codec as snapshot_text
from controller.recovery import snapshot_file as snapshot
from drivers import framing
from drivers.board import messages, simulated, verification
from drivers.handset import keys, keystrokes, radio
from drivers.handset import messages as handset_messages
from tests.fuzz.__main__ import main
from tests.fuzz.guided import FuzzFailure, Target, fuzz
from tests.fuzz.targets import TARGETS

SEED = 1
EXECUTIONS = {
    "framing": 15_000,
    "board-messages": 60_000,
    "handset-messages": 50_000,
    "node": 2_000,
    "node-bus": 600,
    "receiver": 2_000,
    "handset": 2_000,
    "config": 3_000,
    "rule-set": 4_000,
    "key-file": 5_000,
    "snapshot-file": 3_000,
    "snapshot-text": 8_000,
    "arguments": 1_200,
    "options": 30_000,
    "journal-file": 200,
    "keystrokes": 5_000,
    "terminal": 3_000,
    "entry": 300,
}
"""Some three seconds each on a small machine."""
LONG = 40

RESTARTS = {"node-bus": 2}
"""Walks that begin again with another seed: of the bus one alone may miss the planted fault."""

BY_NAME = {target.name: target for target in TARGETS}


def seeds_of(name: str) -> range:
    return range(SEED, SEED + RESTARTS.get(name, 1))


def test_every_target_has_its_share() -> None:
    assert set(EXECUTIONS) == set(BY_NAME)


@pytest.mark.parametrize("name", BY_NAME)
def test_the_seeds_of_a_target_are_good(name: str, tmp_path: Path) -> None:
    for seed in BY_NAME[name].seeds:
        BY_NAME[name].check(seed, tmp_path)


@pytest.mark.parametrize(
    "share", [pytest.param(1, marks=pytest.mark.full), pytest.param(LONG, marks=pytest.mark.long)]
)
@pytest.mark.parametrize("name", BY_NAME)
def test_no_input_breaks_a_contract(
    name: str, share: int, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    target = BY_NAME[name]
    for seed in seeds_of(name):
        outcome = fuzz(target, tmp_path, EXECUTIONS[name] * share, seed)
        with capsys.disabled():
            print(f"\n{outcome.summary(target)}")
        reached, lines = outcome.lines[target.modules[0].__name__]
        assert reached >= target.reaches * lines, "it does not get into its parser"


MAZE_EXECUTIONS = 200_000
MAZE = """
def parse(data):
    if len(data) < 3:
        return
    if data[0] == 0x17:
        if data[1] == 0x9C:
            if data[2] == 0x55:
                raise KeyError("the way out")
"""


def maze(folder: Path) -> types.ModuleType:
    """A parser with a fault behind three bytes: one input in 16 million hits it."""
    file = folder / "maze.py"
    file.write_text(MAZE)
    spec = importlib.util.spec_from_file_location("maze", file)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.mark.full
def test_guided_by_coverage_it_finds_what_chance_does_not(tmp_path: Path) -> None:
    module = maze(tmp_path)

    def check(data: bytes, _: Path) -> None:
        module.parse(data)

    with pytest.raises(FuzzFailure) as found:
        fuzz(Target("maze", check, (module,), (b"...",)), tmp_path, MAZE_EXECUTIONS, SEED)
    assert found.value.data == bytes([0x17, 0x9C, 0x55])
    assert isinstance(found.value.__cause__, KeyError)
    fuzz(Target("maze", check, (), (b"...",)), tmp_path, MAZE_EXECUTIONS, SEED)  # blind: nothing


def test_a_failure_is_short_and_comes_again(tmp_path: Path) -> None:
    def check(data: bytes, _: Path) -> None:
        if b"ab" in data:
            raise LookupError("ab")

    target = Target("pair", check, (), (b"-" * 50 + b"ba" + b"-" * 50,), (b"a", b"b"))
    with pytest.raises(FuzzFailure, match=r"python -m tests\.fuzz pair --input 6162$") as first:
        fuzz(target, tmp_path, 10_000, SEED)
    with pytest.raises(FuzzFailure) as second:
        fuzz(target, tmp_path, 10_000, SEED)
    assert first.value.data == second.value.data == b"ab"
    assert first.value.execution == second.value.execution


def test_a_target_and_an_input_can_be_run_from_the_command_line(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(sys, "argv", ["fuzz", "options", "--executions", "20", "--seed", "3"])
    main()
    assert capsys.readouterr().out.startswith("fuzz options: 20 executions, ")
    monkeypatch.setattr(sys, "argv", ["fuzz", "options", "--input", b"17".hex()])
    main()
    with planted(journal_command._game, "{1,9}", "+"):
        monkeypatch.setattr(sys, "argv", ["fuzz", "options", "--input", (b"9" * 5_000).hex()])
        with pytest.raises(ValueError, match="limit"):
            main()


@contextlib.contextmanager
def planted(function: Callable[..., object], right: str, wrong: str) -> Iterator[None]:
    """A fault in the product: in the source of ``function``, ``wrong`` stands for ``right``."""
    assert isinstance(function, types.FunctionType)
    lines, first = inspect.getsourcelines(function)
    source = textwrap.dedent("".join(lines))
    assert source.count(right) == 1, f"{right!r} stands {source.count(right)} times"
    above = "\n" * (first - 1)
    changed = above + source.replace(right, wrong)
    whole = compile(changed, function.__code__.co_filename, "exec", dont_inherit=True)
    before = function.__code__
    (function.__code__,) = (c for c in whole.co_consts if isinstance(c, types.CodeType))
    try:
        yield
    finally:
        function.__code__ = before


HASTY = "_handset_key(path, number, entry); handset = _handset(path, number)"
"""A number that has not been checked gets into an error: it may be a key in the wrong place."""

PLANTED: list[tuple[str, Callable[..., object], str, str]] = [
    ("framing", framing.Deframer.feed, "> LONGEST_CONTENT", ">= LONGEST_CONTENT"),
    ("framing", framing._unstuff_slowly, "after > end:", "after > end + 1:"),
    ("framing", framing.check_version, ">> 4 != VERSION", ">> 4 & 7 != VERSION"),
    ("board-messages", messages._check_show, "if not 1 <= brightness", "if not 0 <= brightness"),
    ("board-messages", messages._check_status, "flags & ~_ALL_FLAGS", "flags > 0xF0"),
    ("handset-messages", handset_messages._check_tag, "if not hmac", "if body[7] and not hmac"),
    ("node", simulated.SimulatedNode._hear, "not 0 < (", "not 0 <= ("),
    ("node-bus", verification.Query.is_answered_by, " and status.stamp == self.stamp", ""),
    ("receiver", radio.RadioHandsets._take_new, "> OLDEST_AGE_10MS", "> OLDEST_AGE_10MS + 9"),
    ("receiver", radio.RadioHandsets._take_press, "frame.counter > peer.last", "frame.counter"),
    ("receiver", radio.RadioHandsets._take_hello, "<= peer.last", "< peer.last"),
    ("config", config.parse_config, "(ValueError, RecursionError)", "ValueError"),
    ("key-file", keys.load_keys, "handset = _handset(path, number)", HASTY),
    ("snapshot-file", snapshot.SnapshotFile._read, "if crc == right", "if crc & right"),
    ("snapshot-text", snapshot_text.read, ", RecursionError) as", ") as"),
    ("options", journal_command._moment, "(ValueError, OverflowError)", "ValueError"),
    (
        "keystrokes",
        keystrokes.RepeatFilter._let_go,
        "= self._waiting_at, None",
        "= (self._waiting_at,) * 2",
    ),
    ("entry", console_entry._number, "<= high", "<= 999"),
]


@pytest.mark.full
@pytest.mark.parametrize(
    ("name", "function", "right", "wrong"),
    PLANTED,
    ids=lambda value: value if isinstance(value, str) else value.__name__,
)
def test_a_planted_fault_is_found(
    name: str, function: Callable[..., object], right: str, wrong: str, tmp_path: Path
) -> None:
    with planted(function, right, wrong), pytest.raises(FuzzFailure) as found:
        for seed in seeds_of(name):
            fuzz(BY_NAME[name], tmp_path, EXECUTIONS[name], seed)
    assert found.value.execution >= len(BY_NAME[name].seeds), "the seeds alone find it"
    BY_NAME[name].check(found.value.data, tmp_path)  # and without the fault it is no failure
