"""The snapshot file: two slots of which the older is overwritten, so that one is always whole.

Each slot holds a header (magic, sequence, length, CRC-32 over all else) and a text. A write that
was cut short by a kill leaves a slot whose CRC is wrong, and the other slot as it was. The file
lies in tmpfs: it goes with the power, and no card wears out.
"""

from __future__ import annotations

import os
import struct
import zlib
from pathlib import Path

SLOT_BYTES = 1 << 18
_MAGIC = b"PLCK"
_HEADER = struct.Struct("<4sQLL")
LARGEST_TEXT = SLOT_BYTES - _HEADER.size


class SnapshotFile:
    """The open file at ``path``, made readable for its owner alone. Raises ``OSError``."""

    def __init__(self, path: Path) -> None:
        self._fd = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
        found = [(seq, text) for slot in (0, 1) for seq, text in self._read(slot)]
        found.sort(reverse=True)
        self.found = [text for _, text in found]
        """The texts of the whole slots when the file was opened, newest first."""
        self._seq = found[0][0] if found else 0

    def save(self, text: bytes) -> None:
        """Make ``text``, at most :data:`LARGEST_TEXT` bytes, the newest. Raises ``OSError``."""
        if len(text) > LARGEST_TEXT:
            raise ValueError(f"snapshot of {len(text)} bytes: at most {LARGEST_TEXT} fit")
        seq = self._seq + 1
        crc = zlib.crc32(text, zlib.crc32(struct.pack("<QL", seq, len(text))))
        record = _HEADER.pack(_MAGIC, seq, len(text), crc) + text
        if os.pwrite(self._fd, record, seq % 2 * SLOT_BYTES) < len(record):
            raise OSError(28, os.strerror(28))  # ENOSPC: the next write would have said it
        self._seq = seq

    def close(self) -> None:
        os.close(self._fd)

    def _read(self, slot: int) -> list[tuple[int, bytes]]:
        """The slot's sequence and text, or nothing if it is not whole or in the wrong place."""
        data = os.pread(self._fd, SLOT_BYTES, slot * SLOT_BYTES)
        if len(data) < _HEADER.size:
            return []
        magic, seq, length, crc = _HEADER.unpack_from(data)
        text = data[_HEADER.size : _HEADER.size + length]
        right = zlib.crc32(text, zlib.crc32(struct.pack("<QL", seq, length)))
        if magic != _MAGIC or len(text) != length or crc != right or seq % 2 != slot:
            return []
        return [(seq, text)]
