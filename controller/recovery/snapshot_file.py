"""The snapshot file: two slots of which the older is overwritten, and one line after them.

A slot holds a header (magic, sequence, length, CRC-32 over all else) and a text. A write that was
cut short by a kill leaves a slot whose CRC is wrong, and the other slot as it was. The line says
what was decided since the newest slot was written; it is bound to that slot by its sequence.

The file is mapped: to write to it is to copy memory, without a system call that could fail or
wait. It lies in tmpfs: it goes with the power, and no card wears out.
"""

from __future__ import annotations

import mmap
import os
import struct
import zlib
from pathlib import Path

SLOT_BYTES = 1 << 18
LINE_BYTES = 1 << 12
FILE_BYTES = 2 * SLOT_BYTES + LINE_BYTES
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

    Raises ``OSError``, also when the file system has no room for all of it.
    """

    def __init__(self, path: Path) -> None:
        descriptor = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
        try:
            os.posix_fallocate(descriptor, 0, FILE_BYTES)
            self._map = mmap.mmap(descriptor, FILE_BYTES)
        finally:
            os.close(descriptor)
        slots = [self._read(slot * SLOT_BYTES, LARGEST_TEXT) for slot in (0, 1)]
        found = [each for slot, each in enumerate(slots) if each and each[0] % 2 == slot]
        self.found: list[Whole] = sorted(found, reverse=True)
        """The whole slots when the file was opened, newest first."""
        self.line: Whole | None = self._read(2 * SLOT_BYTES, LARGEST_LINE)
        """The line, if it is whole, and the sequence of the slot that it was added to."""
        self._seq = self.found[0][0] if self.found else 0

    def save(self, text: bytes) -> None:
        """Make ``text`` the newest. Raises ``ValueError`` beyond :data:`LARGEST_TEXT` bytes."""
        if len(text) > LARGEST_TEXT:
            raise ValueError(f"snapshot of {len(text)} bytes: at most {LARGEST_TEXT} fit")
        seq = self._seq + 1
        self._write(seq % 2 * SLOT_BYTES, seq, text)
        self._seq = seq

    def add(self, line: bytes) -> None:
        """Add ``line`` to the newest text, instead of one added before. Raises ``ValueError``
        beyond :data:`LARGEST_LINE` bytes."""
        if len(line) > LARGEST_LINE:
            raise ValueError(f"line of {len(line)} bytes: at most {LARGEST_LINE} fit")
        self._write(2 * SLOT_BYTES, self._seq, line)

    def close(self) -> None:
        self._map.close()

    def _write(self, offset: int, seq: int, text: bytes) -> None:
        size = len(text)
        crc = zlib.crc32(text, zlib.crc32(_COVERED.pack(seq, size)))
        record = _HEADER.pack(_MAGIC, seq, size, crc) + text
        self._map[offset : offset + len(record)] = record

    def _read(self, offset: int, largest: int) -> Whole | None:
        magic, seq, size, crc = _HEADER.unpack_from(self._map, offset)
        if magic != _MAGIC or size > largest or seq > LAST_SEQUENCE:
            return None
        begin = offset + HEADER_BYTES
        text = self._map[begin : begin + size]
        right = zlib.crc32(text, zlib.crc32(_COVERED.pack(seq, size)))
        return (seq, text) if crc == right else None
