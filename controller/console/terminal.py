"""Where the console goes: a terminal's whole screen, or plain lines. Neither can stop the clock.

A terminal that was paused (Ctrl-S) or a full pipe blocks whoever writes to it. So both write
without waiting, to a stream from :func:`unblocked`: what does not go out at once is finished
before anything newer, and what is newer replaces what was not begun.
"""

from __future__ import annotations

import contextlib
import io
import os
import select
import stat
from collections.abc import Sequence
from typing import Protocol, Self

from controller.console.layout import draw
from controller.console.sentences import awaited, boards_words, is_ruled, phase_words, reply, why
from controller.console.style import Look, clean, cut, in_ascii
from controller.status.document import Status

_ENTER = "\x1b[?1049h\x1b[?25l\x1b[?7l"  # alternate screen, cursor hidden, no wrap at the edge
_LEAVE = "\x1b[0m\x1b[?7h\x1b[?25h\x1b[?1049l"
_CLEAR = "\x1b[2J"
_REPAINT_EVERY = 30
"""Redraws after which every line is sent again: a kernel message may have been written over it."""
_LEAVE_WITHIN_MS = 200
_LONGEST_LINE = 400


class ByteStream(Protocol):
    """A binary stream. A raw one in non-blocking mode answers None when it is full."""

    def write(self, data: bytes, /) -> int | None: ...

    def flush(self) -> None: ...

    def fileno(self) -> int: ...


def unblocked(fd: int) -> io.RawIOBase:
    """A stream of one's own to what ``fd`` is open on, which never waits if that can be had.

    Terminals and pipes are opened again (Linux: ``/proc/self/fd``), for the non-blocking mode
    belongs to the open file, which the shell and other programs share. Raises ``OSError`` if
    ``fd`` is not open.
    """
    mode = os.fstat(fd).st_mode
    if stat.S_ISCHR(mode) or stat.S_ISFIFO(mode):
        with contextlib.suppress(OSError):  # another user's terminal, after su
            flags = os.O_WRONLY | os.O_NONBLOCK | os.O_NOCTTY | os.O_CLOEXEC
            return io.FileIO(os.open(f"/proc/self/fd/{fd}", flags), "w")
    return io.FileIO(os.dup(fd), "w")


class _Outlet:
    """Writes all of one thing before the next, never waits, and dies of the first error."""

    def __init__(self, stream: ByteStream) -> None:
        self._stream = stream
        self._rest = b""
        self.dead = False
        """True after an error: nothing is written any more."""

    def free(self) -> bool:
        """Send what is left over; true when that is done and something new may be given."""
        if self._rest:
            self.write(b"")
        return not (self._rest or self.dead)

    def write(self, data: bytes) -> None:
        self._rest += data
        try:
            while self._rest and not self.dead:
                sent = self._stream.write(self._rest)
                if not sent:
                    break
                self._rest = self._rest[sent:]
            self._stream.flush()
        except BlockingIOError as error:  # a buffered stream over a full descriptor
            self._rest = self._rest[error.characters_written :]
        except (OSError, ValueError):  # hung up, broken pipe; closed by its owner
            self.dead, self._rest = True, b""

    def finish(self, within_ms: int) -> None:
        """Wait a moment for a slow reader: only when nothing else is left to do."""
        for _ in range(within_ms // 10):
            if self.free() or self.dead:
                return
            with contextlib.suppress(OSError, ValueError):
                select.select([], [self._stream], [], 0.01)


class Screen:
    """The whole screen of a terminal, for as long as the ``with`` block lasts.

    Only changed lines are sent. Nothing here raises once the stream is given; after an error of
    the stream :attr:`dead` is true and every call does nothing.
    """

    def __init__(self, stream: ByteStream, look: Look = Look()) -> None:  # noqa: B008 - immutable
        self._outlet = _Outlet(stream)
        self._look = look
        self._open = False
        self._seen: object = None
        self._lines: list[str] = []
        self._size = (0, 0)
        self._age = 0

    @property
    def dead(self) -> bool:
        """True after an error of the stream."""
        return self._outlet.dead

    def __enter__(self) -> Self:
        if not self._open:
            self._open = True
            self._outlet.write(_ENTER.encode("ascii"))
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self, last_words: str = "") -> None:
        """Give the terminal back as it was, with these words on it. May be called again."""
        if self._open:
            self._open = False
            words = f"{clean(last_words)}\n" if last_words else ""
            self._outlet.write(f"{_LEAVE}{words}".encode("utf-8", "replace"))
            self._outlet.finish(_LEAVE_WITHIN_MS)

    def show(
        self,
        status: Status,
        *,
        columns: int,
        rows: int,
        keys: Sequence[tuple[str, str]],
        entry: str | None = None,
        entry_error: str = "",
        clock_text: str = "",
        ordered_text: str = "",
    ) -> None:
        """Bring the screen up to date, see :func:`controller.console.layout.draw`.

        While the terminal takes nothing the screen stays as it is; call again at the next change.
        """
        texts = (entry, entry_error, clock_text, ordered_text)
        seen = (status, columns, rows, tuple(keys), texts)
        if seen == self._seen or not self._open or not self._outlet.free():
            return
        lines = draw(
            status,
            columns=columns,
            rows=rows,
            keys=keys,
            entry=entry,
            entry_error=entry_error,
            clock_text=clock_text,
            ordered_text=ordered_text,
            look=self._look,
        )
        self._seen = seen
        self._send(lines, (columns, rows))

    def _send(self, lines: list[str], size: tuple[int, int]) -> None:
        parts: list[str] = []
        self._age += 1
        if size != self._size:
            parts.append(_CLEAR)
            self._size, self._lines = size, []
        elif self._age >= _REPAINT_EVERY:
            self._age, self._lines = 0, []
        before = self._lines + [""] * (len(lines) - len(self._lines))
        for row, (new, old) in enumerate(zip(lines, before, strict=False), 1):
            if new != old:
                parts.append(f"\x1b[{row};1H{new}")
        self._lines = lines
        if parts:
            self._outlet.write("".join(parts).encode("utf-8", "replace"))


class _Lines:
    """Lines for a stream that is not a terminal, in ASCII unless ``blocks``."""

    def __init__(self, stream: ByteStream, *, blocks: bool = True) -> None:
        self._outlet = _Outlet(stream)
        self._blocks = blocks

    @property
    def dead(self) -> bool:
        """True after an error of the stream."""
        return self._outlet.dead

    def say(self, words: str, *, clock_text: str = "") -> None:
        """Write one line, if the reader takes it."""
        if self._outlet.free():
            text = cut(clean(f"{clock_text} {words}".strip()[:_LONGEST_LINE]), _LONGEST_LINE - 1)
            text = text if self._blocks else in_ascii(text)
            self._outlet.write(f"{text}\n".encode("utf-8", "replace"))


class PlainLines(_Lines):
    """For a stream that is not a terminal: one line for each change. Never raises."""

    def __init__(self, stream: ByteStream, *, blocks: bool = True) -> None:
        super().__init__(stream, blocks=blocks)
        self._seen: object = None
        self._order: object = None

    def list_keys(self, keys: Sequence[tuple[str, str]]) -> None:
        """Say once what each key does."""
        self._outlet.write(b"keys:\n")
        for key, does in keys:
            self._outlet.write(f"  {key}  {does}\n".encode("ascii", "replace"))

    def show(self, status: Status, *, clock_text: str = "", ordered_text: str = "") -> None:
        """Write a line if the count, an order, the boards or a fault changed since the last one.

        While the reader takes nothing the changes are dropped; the newest is said after that.
        """
        order = (status.orders, status.last, status.by, status.result, status.reason)
        seen = (
            *(status.phase, status.numerals, status.boards, status.boards_why, order),
            status.nudged,
            *(status.alarms, status.journal, status.journal_doubt, status.troubles),
            *(status.unauthenticated, status.refused_minute),
            tuple((each.name, each.state) for each in status.board_health),
            tuple((each.name, each.state) for each in status.handset_health),
        )
        if seen == self._seen or not self._outlet.free():
            return
        self._seen = seen
        said = [f"{clock_text} {phase_words(status)}".strip(), *_standing(status)]
        said += [awaited(status)] if status.nudged else []
        if order != self._order and status.last:
            said.append(_order_words(status, ordered_text))
        self._order = order
        self.say(" | ".join(said))


class FaultLines(_Lines):
    """For an installation without a terminal: a line for each change of what is not well, and
    nothing while all is. Never raises."""

    def __init__(self, stream: ByteStream, *, blocks: bool = True) -> None:
        super().__init__(stream, blocks=blocks)
        self._seen: list[str] = []

    def show(self, status: Status, *, clock_text: str = "", ordered_text: str = "") -> None:
        """Write what is wrong now, if that changed; the newest when the reader was slow."""
        words = _wrong(status)
        if words == self._seen or not self._outlet.free():
            return
        self._seen = words
        self.say(" | ".join(words or ["all well"]), clock_text=clock_text)


def _wrong(status: Status) -> list[str]:
    """Everything that someone must look at, without ages, which change by themselves."""
    said = [f"boards off: {status.boards_why}"] if status.boards_why else []
    if status.boards_why:  # one missed answer darkens nothing, and is no news
        said += [f"{each.name} {each.state}" for each in status.board_health if not each.well]
    said += [f"{each.name} {each.state}" for each in status.handset_health if not each.well]
    said += [f"port: {each.detail}" for each in status.board_health if each.state == "port fault"]
    said += [f"port: {each.detail}" for each in status.handset_health if each.state == "port fault"]
    said += [f"journal: {status.journal}"] if status.journal else []
    said += status.troubles
    said += [f"record: {status.journal_doubt}"] if status.journal_doubt else []
    said += [status.refused_minute] if status.refused_minute else []
    return list(dict.fromkeys(said))


def _standing(status: Status) -> list[str]:
    words, urgent = boards_words(status)
    said = [words] if urgent or not status.board_health else []
    boards = []
    for board in status.board_health:
        # A board that is right was asked about the numeral before: not to be read beside this one.
        seen = () if board.well else (board.shows, board.detail)
        boards.append(" ".join(each for each in (board.name, board.state, *seen) if each))
    said += [", ".join(boards)] if boards else []
    for handset in status.handset_health:
        if not handset.well:
            said.append(f"{handset.name} {handset.state} {handset.detail}".rstrip())
    said += [f"ALARM {alarm}" for alarm in status.alarms]
    said += [f"JOURNAL {status.journal}"] if status.journal else []
    said += [f"TROUBLE {each}" for each in status.troubles]
    said += [f"RECORD {status.journal_doubt}"] if status.journal_doubt else []
    said += [status.refused_minute] if status.refused_minute else []
    return said + (["UNAUTHENTICATED"] if status.unauthenticated else [])


def _order_words(status: Status, ordered_text: str) -> str:
    _, did = reply(status, ordered_text)
    if not is_ruled(status):
        return did
    rule = status.override or why(status)
    adopted = "LOCAL ADOPTION " if status.override else ""
    return did + (f" ({adopted}{rule})" if rule else "")
