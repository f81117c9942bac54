"""Fuzz targets: what a keeper types, as bytes of a terminal, as characters, as an entry line."""

from __future__ import annotations

import asyncio
import itertools
import os
from dataclasses import dataclass, field
from pathlib import Path

from controller.console import entry as console_entry
from controller.console.entry import EntryError
from controller.rulebook import field_words
from controller.rulebook.loader import load_rule_set
from controller.rules.endings import FACTS
from controller.rules.events import SetCount
from controller.rules.rulings import NOT_ENDINGS
from drivers.handset import keystrokes, terminal
from tests.drivers.handset.listeners import KeysListener
from tests.fuzz.guided import Target
from tests.fuzz.steps import PAUSE, in_virtual_time, pause_ns, step, steps
from tests.shared.virtual_time import VirtualClock

MS = 1_000_000
RULES = load_rule_set("nfhs")


def check_keystrokes(data: bytes, _: Path) -> None:
    """Taps are typed characters, each at most once, in order, none out of a sequence."""
    escapes, repeats = keystrokes.EscapeFilter(), keystrokes.RepeatFilter()
    at, typed, taps = 1, 0, [("", 0)]
    for kind, what in steps(data):
        if kind == PAUSE:
            at += pause_ns(what)
            if pause_ns(what) >= keystrokes.ESCAPE_MS * MS:
                escapes.silence()
                assert not escapes.open
            taps += repeats.due(at)
        for char in what.decode("latin-1") if kind != PAUSE else "":
            at += kind * 40 * MS
            plain = escapes.take(char)
            assert plain in (None, char)
            assert plain != "\x1b"
            if plain is not None:
                typed += 1
                taps += repeats.take(plain, at)
        assert len(taps) - 1 <= typed
        assert all(before[1] <= after[1] for before, after in itertools.pairwise(taps))
        assert taps[-1][1] <= at


@dataclass
class Keeper(KeysListener):
    """Keeps what the terminal makes of its bytes."""

    lines: list[str] = field(default_factory=list)
    unknown: list[str] = field(default_factory=list)
    commands: list[str] = field(default_factory=list)


def check_terminal(data: bytes, _: Path) -> None:
    """Bytes at a terminal become keys and lines, and never end the driver."""

    async def story(clock: VirtualClock) -> None:
        keeper = Keeper()
        ours, theirs = os.pipe()
        driver = terminal.TerminalKeys(
            ours,
            clock,
            command=keeper.commands.append,
            entered=keeper.lines.append,
            unknown=keeper.unknown.append,
        )
        task = asyncio.create_task(driver.run(keeper))
        try:
            await asyncio.sleep(0.01)
            for kind, what in steps(data):
                if kind == PAUSE:
                    await asyncio.sleep(pause_ns(what) / 1e9)
                elif what:
                    os.write(theirs, what)
                    await asyncio.sleep(0.04 * kind)
                    assert not task.done(), task.exception()
        finally:
            os.close(theirs)
            await asyncio.sleep(0.5)
            assert not task.done(), task.exception()
            task.cancel()
            await asyncio.gather(task, return_exceptions=True)
            os.close(ours)
        assert all(press.handset == 0 for press in keeper.presses)
        assert all(press.edge_at <= press.received_at <= clock() for press in keeper.presses)
        assert all(len(line) <= terminal.LONGEST_ENTRY for line in keeper.lines)
        assert all(line.isprintable() for line in keeper.lines)
        assert set(keeper.commands) <= {terminal.QUIT, terminal.BOARDS}
        assert all(len(char) == 1 for char in keeper.unknown)

    in_virtual_time(story)


def check_entry(data: bytes, _: Path) -> None:
    """A line is an event that the rule set knows, or an error that says what would be."""
    text = data.decode("utf-8", "replace")
    try:
        event = console_entry.parse_entry(text, RULES)
    except EntryError as error:
        assert str(error)
        return
    if isinstance(event, SetCount):
        assert 0 <= event.seconds <= 99
        return
    if isinstance(event, console_entry.HandOver):
        assert 1 <= event.keeper <= 999
        return
    assert event.ending in set(RULES.rulings) - NOT_ENDINGS
    assert event.facts <= FACTS.keys() - RULES.only_asked
    RULES.ruling(event.ending, event.facts)


_KEYS = (
    b"dr2s4xftiunmpooDNOq:count 17\r",
    b"\x1b[A\x1bOP\x1b[[A\x1b[15~",
    b":foul\x7f\x15\x1b",
    b"ddddd",
)
_TYPED = tuple(
    step(kind, keys) + step(PAUSE, b"\0\x40") + step(1, keys) for kind, keys in enumerate(_KEYS)
)

TARGETS = (
    Target(
        "keystrokes",
        check_keystrokes,
        (keystrokes,),
        _TYPED,
        (b"\x1b[", b"\x1bO", b"\x1b"),
    ),
    Target(
        "terminal",
        check_terminal,
        (terminal, keystrokes),
        _TYPED,
        (b"\x1b[", b"\x1bO", b"\x1b", b"\xc3", b"\xf0\x9f\x8f\x88", b":", b"\r"),
    ),
    Target(
        "entry",
        check_entry,
        (console_entry, field_words),
        (
            b"count 17",
            b"keeper 17 has it",
            b"incomplete pass, fourth down",
            b"fourth_down routine",
            b"foul, x",
        ),
        tuple(phrase.encode() + b" " for phrase in field_words.vocabulary().phrases),
    ),
)
