"""The snapshot file: two slots of which the older is overwritten, one line after them, and a mark.

A slot holds a header (magic, sequence, length, CRC-32 over all else) and a text. A write that was
cut short by a kill leaves a slot whose CRC is wrong, and the other slot as it was. The line says
what was decided since the newest slot was written; it is bound to that slot by its sequence. The
mark says which slot, and whether a line of it, was written whole: so a slot that is no longer whole
is told from one that never was, and the older one is not taken for the newest.

The file lies in tmpfs and has all its room from the start: to write to it is to copy memory, it
goes with the power, and no card wears out. It is not mapped: what is mapped and then cut short
kills whoever touches it.
"""

from __future__ import annotations

import contextlib
import errno
import os
import struct
import zlib
from pathlib import Path

SLOT_BYTES = 1 << 18
LINE_BYTES = 1 << 12
_MARK = struct.Struct("<LL")
"""The sequence (its low 31 bits) and whether it has a line, and the complement of both."""
MARK_AT = 2 * SLOT_BYTES + LINE_BYTES
FILE_BYTES = MARK_AT + _MARK.size
_LOW_SEQUENCE = (1 << 31) - 1
_ALL = (1 << 32) - 1
_MAGIC = b"PLCK"
_HEADER = struct.Struct("<4sQLL")
_COVERED = struct.Struct("<QL")
HEADER_BYTES = _HEADER.size
LARGEST_TEXT = SLOT_BYTES - HEADER_BYTES
LARGEST_LINE = LINE_BYTES - HEADER_BYTES

LAST_SEQUENCE = 1 << 62
"""Beyond any that is ever written."""

Whole = tuple[int, bytes]
"""Sequence and text."""


class SnapshotFile:
    """The open file at ``path``, made readable for its owner alone.

    Raises ``OSError``, also when the file system has no room for all of it and when ``path`` is a
    symbolic link. :meth:`save` and :meth:`add` raise it when the file cannot be written any more.
    """

    def __init__(self, path: Path) -> None:
        flags = os.O_RDWR | os.O_CREAT | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC
        self._descriptor = os.open(path, flags, 0o600)
        try:
            length = os.fstat(self._descriptor).st_size
            if length > FILE_BYTES:
                os.ftruncate(self._descriptor, FILE_BYTES)
            os.posix_fallocate(self._descriptor, 0, FILE_BYTES)
            slots = [self._read(slot * SLOT_BYTES, LARGEST_TEXT) for slot in (0, 1)]
            line = self._read(2 * SLOT_BYTES, LARGEST_LINE)
            mark = os.pread(self._descriptor, _MARK.size, MARK_AT)
        except BaseException:
            os.close(self._descriptor)
            raise
        found = [each for slot, each in enumerate(slots) if each and each[0] % 2 == slot]
        self.found: list[Whole] = sorted(found, reverse=True)
        """The whole slots when the file was opened, newest first."""
        self.line: Whole | None = line
        """The line, if it is whole, and the sequence of the slot that it was added to."""
        self.flaw = "" if length in (0, FILE_BYTES) else f"it had {length} bytes, not {FILE_BYTES}"
        """Why the newest of what was found is not what was written last; empty when it is."""
        self.flaw = self.flaw or self._missing(*_MARK.unpack(mark))
        self._seq = self.found[0][0] if self.found else 0
        self._lined = True  # for all that is known here

    def _missing(self, value: int, complement: int) -> str:
        """What the mark says was written whole and is not there."""
        newest = self.found[0][0] if self.found else 0
        if value ^ complement != _ALL:
            never = not any((value, complement)) and newest <= 1  # killed before the first mark
            return "" if never else "its mark is damaged"
        if (newest - (value >> 1)) & _LOW_SEQUENCE not in (0, 1):  # 1: killed before the mark
            return "what was written last is damaged"
        if value == _value(newest, line=True) and (self.line is None or self.line[0] != newest):
            return "the order that was written last is damaged"
        return ""

    def save(self, text: bytes) -> None:
        """Make ``text`` the newest. Raises ``ValueError`` beyond :data:`LARGEST_TEXT` bytes."""
        if len(text) > LARGEST_TEXT:
            raise ValueError(f"snapshot of {len(text)} bytes: at most {LARGEST_TEXT} fit")
        seq = self._seq + 1
        self._write(seq % 2 * SLOT_BYTES, seq, text)
        self._seq = seq
        self._mark(line=False)

    def add(self, line: bytes) -> None:
        """Add ``line`` to the newest text, instead of one added before. Raises ``ValueError``
        beyond :data:`LARGEST_LINE` bytes."""
        if len(line) > LARGEST_LINE:
            raise ValueError(f"line of {len(line)} bytes: at most {LARGEST_LINE} fit")
        if self._lined:  # the line before it is no longer whole in a moment
            self._mark(line=False)
        self._write(2 * SLOT_BYTES, self._seq, line)
        self._mark(line=True)

    def forget(self) -> None:
        """Leave nothing that a restart could take for the last state, but a sign that there was
        one. Never fails."""
        with contextlib.suppress(OSError):
            os.ftruncate(self._descriptor, 1)

    def close(self) -> None:
        os.close(self._descriptor)

    def _write(self, offset: int, seq: int, text: bytes) -> None:
        size = len(text)
        crc = zlib.crc32(text, zlib.crc32(_COVERED.pack(seq, size)))
        self._put(_HEADER.pack(_MAGIC, seq, size, crc) + text, offset)

    def _mark(self, *, line: bool) -> None:
        value = _value(self._seq, line=line)
        self._put(_MARK.pack(value, value ^ _ALL), MARK_AT)
        self._lined = line

    def _put(self, data: bytes, offset: int) -> None:
        written = os.pwrite(self._descriptor, data, offset)
        if written < len(data):  # cut short, and no room to lengthen it again
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    def _read(self, offset: int, largest: int) -> Whole | None:
        header = os.pread(self._descriptor, HEADER_BYTES, offset)
        magic, seq, size, crc = _HEADER.unpack(header)
        if magic != _MAGIC or size > largest or seq > LAST_SEQUENCE:
            return None
        text = os.pread(self._descriptor, size, offset + HEADER_BYTES)
        right = zlib.crc32(text, zlib.crc32(_COVERED.pack(seq, size)))
        return (seq, text) if crc == right else None


def _value(seq: int, *, line: bool) -> int:
    """What the mark holds."""
    return (seq & _LOW_SEQUENCE) << 1 | line
