"""Keys typed on a terminal: handset 0, the console that always works.

A letter is one key of the handset, see :data:`KEYS`, upper case or lower: so Caps Lock changes
nothing. Tapping twice is typing the letter twice. :data:`HOLDS` are letters of their own for keys
held down: ``p`` (points) is 25 held. ``o`` is BOARDS OFF held and wants to be typed twice, since a
slip of a finger must not darken the boards: typed once it goes to the ``command`` callback, which
can say so. ``m`` is one tap of BOARDS OFF: a mark. ``:`` opens a line for what has no key, which
Enter hands over and Escape throws away; ``q`` goes to the ``command`` callback.

Leaning on a key is one press: :mod:`drivers.handset.keystrokes` sorts out the repeats.
"""

from __future__ import annotations

import asyncio
import codecs
import contextlib
import os
import stat
import termios
from collections.abc import Callable, Iterator

from drivers.base import (
    MS_NS,
    Clock,
    CrewState,
    DriverError,
    Edge,
    HandsetListener,
    Key,
    Press,
)
from drivers.handset.keystrokes import ESCAPE_MS, REPEAT_GAP_MS, EscapeFilter, RepeatFilter

KEYS = {
    "d": Key.DEAD_BALL,
    "r": Key.READY,
    "2": Key.NUMBER_25,
    "s": Key.SNAP,
    "4": Key.NUMBER_40,
    "x": Key.STOP,
    "f": Key.FLAG,
    "t": Key.TIME_OUT,
    "i": Key.INJURY,
    "u": Key.UNDO,
    "n": Key.NO_COUNT,
    "m": Key.BOARDS_OFF,
}
HOLDS = {"p": Key.NUMBER_25, "o": Key.BOARDS_OFF}
MARK, BOARDS, QUIT, OPEN_ENTRY = "m", "o", "q", ":"
TWICE_MS = 2_000
"""``o`` again within this is meant: quick enough in a hurry, too far apart for two slips."""
MARK_AGAIN_MS = 700
"""A mark sooner than this after the one before is the same mark: more than the 600 ms that join
taps of one key, so that no burst of marks is ever four taps of BOARDS OFF, which darken."""
LONGEST_ENTRY = 64
"""Characters that an entry line holds; what is typed beyond is dropped."""


def _nothing(_: str) -> None:
    return None


class TerminalKeys:
    """Handset 0, read from the terminal or pipe ``fd``, which stays the caller's to close.

    Callbacks, all from the event loop: ``command`` gets ``q``, and ``o`` when it was typed once;
    ``entered`` gets the finished entry line; ``unknown`` gets a character that means nothing. At
    the end of a pipe :meth:`run` waits on until it is cancelled. Raises :class:`DriverError` when
    the terminal hangs up or ``fd`` is a file that cannot be waited on.
    """

    serves = (0,)
    authenticated = True  # whoever types here holds the machine
    beacons = False

    def __init__(
        self,
        fd: int,
        clock: Clock,
        *,
        name: str = "console keys",
        command: Callable[[str], None] = _nothing,
        entered: Callable[[str], None] = _nothing,
        unknown: Callable[[str], None] = _nothing,
    ) -> None:
        self.name = name
        self.entry: str | None = None
        """The entry line as typed so far, None while it is closed."""
        self._fd, self._clock = fd, clock
        self._command, self._entered, self._unknown = command, entered, unknown

    async def run(self, listener: HandsetListener) -> None:
        """Read keys until cancelled. The terminal's settings are restored on every way out."""
        loop = asyncio.get_running_loop()
        self._loop, self._listener = loop, listener
        self._failed: asyncio.Future[None] = loop.create_future()
        self._decoder = codecs.getincrementaldecoder("utf-8")("replace")
        self._escapes, self._repeats = EscapeFilter(), RepeatFilter()
        self._timers: dict[str, asyncio.TimerHandle] = {}
        self._marked_at: int | None = None
        self._boards_at: int | None = None
        self.entry = None
        with _character_mode(self._fd) as self._is_terminal:
            try:
                self._watch()
                await self._failed
            finally:
                loop.remove_reader(self._fd)
                for timer in self._timers.values():
                    timer.cancel()

    def tell(self, state: CrewState) -> None:
        """Nothing: the console draws the service's status, which has the answer too."""

    def _watch(self) -> None:
        try:
            self._loop.add_reader(self._fd, self._guarded, self._read)
        except PermissionError:  # epoll's answer to what never has to be waited for
            if stat.S_ISREG(os.fstat(self._fd).st_mode):
                raise DriverError(
                    f"{self.name}: descriptor {self._fd} is a file and cannot be waited on; "
                    f"give a terminal or a pipe"
                ) from None

    def _guarded(self, act: Callable[[int], None]) -> None:
        """Act on what the loop called for; an error ends :meth:`run`, not just this turn."""
        try:
            act(self._clock())
        except Exception as error:
            if not self._failed.done():
                self._failed.set_exception(error)

    def _read(self, at: int) -> None:
        try:
            data = os.read(self._fd, 1024)
        except BlockingIOError:
            return
        except OSError as error:
            raise DriverError(f"{self.name}: the terminal was lost: {error.strerror}") from error
        if not data:
            if self._is_terminal:
                raise DriverError(f"{self.name}: the terminal hung up")
            self._loop.remove_reader(self._fd)
        for char in self._decoder.decode(data, final=not data):
            self._typed(char, at)
        self._arm("escape", self._escapes.open, ESCAPE_MS, self._escape_silence)
        self._arm("repeat", self._repeats.next_at is not None, REPEAT_GAP_MS, self._repeat_due)

    def _arm(self, name: str, wanted: bool, delay_ms: int, act: Callable[[int], None]) -> None:
        timer = self._timers.pop(name, None)
        if timer is not None:
            timer.cancel()
        if wanted:
            self._timers[name] = self._loop.call_later(delay_ms / 1000, self._guarded, act)

    def _typed(self, char: str, at: int) -> None:
        plain = self._escapes.take(char)
        if plain is None:
            return
        if self.entry is not None:
            self._edit(plain)
            return
        letter = plain.lower() if plain.isascii() else plain
        for tapped, tapped_at in self._repeats.take(letter, at):
            self._tapped(tapped, tapped_at)

    def _tapped(self, char: str, at: int) -> None:
        asked_at, self._boards_at = self._boards_at, None
        if char == BOARDS and not _within(TWICE_MS, asked_at, at):
            self._boards_at = at
            self._command(char)
        elif char == MARK and _within(MARK_AGAIN_MS, self._marked_at, at):
            return
        elif char in HOLDS:
            self._press(HOLDS[char], Edge.HELD, at)
        elif char in KEYS:
            self._marked_at = at if char == MARK else self._marked_at
            self._press(KEYS[char], Edge.DOWN, at)
        elif char == OPEN_ENTRY:
            self.entry = ""
        elif char == QUIT:
            self._command(char)
        else:
            self._unknown(char)

    def _press(self, key: Key, edge: Edge, at: int) -> None:
        self._listener.key_pressed(Press(0, key, edge, edge_at=at, received_at=at))

    def _edit(self, char: str) -> None:
        assert self.entry is not None
        if char in "\r\n":
            text = self.entry
            self._close_entry()
            self._entered(text)
        elif char in "\x7f\x08":
            self.entry = self.entry[:-1]
        elif char == "\x15":  # Ctrl-U, which clears a line on every terminal
            self.entry = ""
        elif char.isprintable() and len(self.entry) < LONGEST_ENTRY:
            self.entry += char

    def _close_entry(self) -> None:
        self.entry = None
        self._repeats = RepeatFilter()  # what was typed since is not a run of one key

    def _escape_silence(self, _at: int) -> None:
        if not self._escapes.silence():
            return
        if self.entry is not None:
            self._close_entry()
        else:
            self._unknown("\x1b")

    def _repeat_due(self, at: int) -> None:
        # The timer's own delay is the wait: a clock a hair behind it must not lose the tap.
        for char, tapped_at in self._repeats.due(max(at, self._repeats.next_at or at)):
            self._tapped(char, tapped_at)


def _within(limit_ms: int, since_at: int | None, at: int) -> bool:
    return since_at is not None and at - since_at <= limit_ms * MS_NS


@contextlib.contextmanager
def _character_mode(fd: int) -> Iterator[bool]:
    """Have a terminal give each character as it is typed, unseen; Ctrl-C still interrupts.

    Gives whether ``fd`` is a terminal; it cannot be asked any more once it has hung up.
    """
    if not os.isatty(fd):
        yield False
        return
    before, changed = termios.tcgetattr(fd), termios.tcgetattr(fd)
    changed[3] &= ~(termios.ICANON | termios.ECHO)
    changed[0] &= ~termios.IXON  # a slip must not freeze the picture,
    changed[6][termios.VMIN], changed[6][termios.VTIME] = 1, 0
    changed[6][termios.VSUSP] = changed[6][termios.VQUIT] = b"\0"  # nor stop the clock
    try:
        termios.tcsetattr(fd, termios.TCSANOW, changed)
        termios.tcflush(fd, termios.TCIFLUSH)  # what was typed before the start is not for us
        yield True
    finally:
        with contextlib.suppress(termios.error):  # the terminal may be gone
            termios.tcsetattr(fd, termios.TCSANOW, before)
