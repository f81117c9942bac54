"""The console beside the service: draws snapshots when something changed, takes typed commands.

A console that fails never ends the clock: it says so once and stays away.
"""

from __future__ import annotations

import asyncio
import contextlib
import io
import os
import sys
import time
from collections.abc import Callable
from typing import Protocol

from controller.console.entry import EntryError, HandOver, parse_entry
from controller.console.panels import KEYS
from controller.console.sentences import BOARDS_TWICE, how_to_quit, no_key
from controller.console.style import beyond_ascii, look_for, screen_size
from controller.console.terminal import FaultLines, PlainLines, Screen, unblocked
from controller.rules.events import Event
from controller.rules.rulings import RuleSet
from controller.status.document import Status

LOOK_S = 0.25
"""How often the screen is looked over without a change: ages, alarms, the entry line."""
AT_MOST_S = 0.05
"""The shortest time between two drawings."""
QUIT = "quit"
_CLOCK = "%H:%M:%S"


class Typing(Protocol):
    """The keys of the console: ``entry`` is the line being typed, None while there is none."""

    entry: str | None


class Commanded(Protocol):
    """The service, as its console sees it."""

    observers: list[Callable[[], None]]

    @property
    def rules(self) -> RuleSet: ...

    def status(self) -> Status: ...

    def enter(self, event: Event) -> object: ...

    def hand_over(self, keeper: int) -> None: ...

    def stop(self) -> None: ...


class ConsoleTask:
    """The console of one run. :meth:`attach` it before :meth:`run`."""

    def __init__(self, *, simulator: bool, plain: bool) -> None:
        self._simulator = simulator
        self._changed = asyncio.Event()
        self._hint = ""
        self._hinted_after = 0
        self._timed = 0
        self._ordered_text = ""
        self._keys = KEYS if simulator else (*KEYS[:-1], (f":{QUIT}", "ends, boards dark"))
        self._stream: io.RawIOBase | None = None
        self._screen: Screen | None = None
        self._lines: PlainLines | FaultLines | None = None
        self._service: Commanded | None = None
        self._terminal: Typing | None = None
        self._choose(plain)

    def _choose(self, plain: bool) -> None:
        """A screen on a terminal, lines elsewhere; an installation without a terminal says only
        what is not well."""
        out = sys.stdout
        if out is None:
            return
        look = look_for(out.encoding, os.environ) if out.isatty() and not plain else None
        self._stream = stream = unblocked(out.fileno())
        blocks = beyond_ascii(out.encoding, os.environ)
        if look is not None:
            self._screen = Screen(stream, look)
        elif self._simulator or plain or out.isatty():
            self._lines = PlainLines(stream, blocks=blocks)
        else:
            self._lines = FaultLines(stream, blocks=blocks)

    def attach(self, service: Commanded, terminal: Typing | None) -> None:
        """Watch this service."""
        self._service, self._terminal = service, terminal
        service.observers.append(self.notify)

    def notify(self) -> None:
        """Something changed."""
        self._changed.set()

    async def run(self) -> None:
        """Draw until cancelled."""
        try:
            if self._screen is not None:
                self._screen.__enter__()
            if isinstance(self._lines, PlainLines) and self._terminal is not None:
                self._lines.list_keys(self._keys)
            while True:
                self._draw()
                await asyncio.sleep(AT_MOST_S)
                try:
                    async with asyncio.timeout(LOOK_S):
                        await self._changed.wait()
                except TimeoutError:
                    pass
                self._changed.clear()
        except Exception as error:  # a bug of the console must not end the clock
            self.close()
            with contextlib.suppress(OSError, ValueError):  # it may be the terminal that is gone
                words = f"playclock run: the console failed: {error!r}\n"
                os.write(sys.stderr.fileno(), words.encode())  # unbuffered: nothing is left over

    def close(self, last_words: str = "") -> None:
        """Give the terminal back as it was, with these words on it."""
        if self._screen is not None:
            self._screen.close(last_words)
        if self._lines is not None and last_words:
            self._lines.say(last_words, clock_text=time.strftime(_CLOCK))
        if self._stream is not None:
            self._stream.close()

    def _draw(self) -> None:
        assert self._service is not None
        status = self._service.status()
        if status.orders != self._hinted_after:
            self._hint = ""
        if status.orders != self._timed:
            self._timed, self._ordered_text = status.orders, _ordered_text(status)
        clock_text = time.strftime(_CLOCK)
        if self._lines is not None:
            self._lines.show(status, clock_text=clock_text, ordered_text=self._ordered_text)
        if self._screen is not None:
            columns, rows = screen_size(sys.stdout.fileno(), os.environ)
            self._screen.show(
                status,
                columns=columns,
                rows=rows,
                keys=self._keys if self._terminal is not None else (),
                entry=self._terminal.entry if self._terminal is not None else None,
                entry_error=self._hint,
                clock_text=clock_text,
                ordered_text=self._ordered_text,
            )

    # Typed

    def command(self, char: str) -> None:
        """``q``, or ``o`` typed once. Boards that serve a game are not darkened by one slip of a
        finger."""
        assert self._service is not None
        if char == "o":
            self._answer(BOARDS_TWICE)
        elif self._simulator:
            self._service.stop()
        else:
            self._answer(how_to_quit(QUIT))

    def entered(self, text: str) -> None:
        """A finished entry line."""
        assert self._service is not None
        self._hint = ""
        if text.strip().lower() == QUIT:
            self._service.stop()
            return
        try:
            order = parse_entry(text, self._service.rules)
        except EntryError as error:
            self._answer(str(error))
        else:
            if isinstance(order, HandOver):
                self._hand_over(order)
            else:
                self._service.enter(order)
        self.notify()

    def _hand_over(self, order: HandOver) -> None:
        assert self._service is not None
        self._service.hand_over(order.keeper)
        self._answer(f"keeper {order.keeper} has it")

    def unknown(self, char: str) -> None:
        """A character that is not a key."""
        self._answer(no_key(char))

    def _answer(self, words: str) -> None:
        """Answer what was typed, until the next order."""
        assert self._service is not None
        self._hint, self._hinted_after = words, self._service.status().orders
        if self._lines is not None:
            self._lines.say(words, clock_text=time.strftime(_CLOCK))
        self.notify()


def _ordered_text(status: Status) -> str:
    """The wall time of the last order."""
    ago_s = (status.made_at - status.ordered_at) / 1e9
    return time.strftime(_CLOCK, time.localtime(time.time() - ago_s))
