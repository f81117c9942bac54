"""Frames on a serial line: ``00 COBS(body CRC) 00``, as ``hardware/PROTOCOL.md`` says.

The CRC is that of IEEE 802.3. The high nibble of a body's first byte is the version of the
protocol; :func:`check_version` alone judges it.

Byte stuffing is COBS (Cheshire and Baker, "Consistent Overhead Byte Stuffing", IEEE/ACM
Transactions on Networking 7(2), 1999): 00 stands between frames and nowhere else, so a receiver
that joins late or loses a byte is right again at the next 00.
"""

from __future__ import annotations

from zlib import crc32

from drivers.base import FrameError

VERSION = 2
"""Of the protocol that this program speaks; it opens the first byte of every body."""
LONGEST_CONTENT = 64
"""Most bytes between two delimiters. The longest frame of today, KEYS, has 47."""
CRC_SIZE = 4

_LONGEST_BODY = LONGEST_CONTENT - CRC_SIZE - 1  # one byte of stuffing
_FULL = 0xFF  # the code of a block of 254 bytes that no zero follows
_FULL_BLOCK = _FULL - 1
_UNUSUAL = frozenset({0, _FULL})
_CODES = tuple(bytes([code]) for code in range(256))

SPOIL = b"\x55"
"""To be sent before a frame when nobody knows how the last one ended: one that lacks only its last
00 would be made whole, and obeyed, by the first 00 of the next."""


def stuff(data: bytes) -> bytes:
    """Give ``data`` in COBS, free of zeros and without delimiters."""
    if len(data) < _FULL_BLOCK:
        return b"".join([_CODES[len(run) + 1] + run for run in data.split(b"\0")])
    blocks = []
    for run in data.split(b"\0"):
        rest = run
        while len(rest) >= _FULL_BLOCK:
            blocks.append(_CODES[_FULL] + rest[:_FULL_BLOCK])
            rest = rest[_FULL_BLOCK:]
        blocks.append(_CODES[len(rest) + 1] + rest)
    return b"".join(blocks)


def unstuff(content: bytes) -> bytes:
    """Give back the data that was stuffed; :class:`FrameError` where a block is broken."""
    data = bytearray(content)
    at, end = 0, len(content)
    while at < end:  # each code byte becomes the zero that it stands for
        code = data[at]
        if code in _UNUSUAL:
            return _unstuff_slowly(content)
        data[at] = 0
        at += code
    if at != end:
        return _unstuff_slowly(content)
    return bytes(data[1:])  # the zero before the first block is not data


def _unstuff_slowly(content: bytes) -> bytes:
    """The same for content with a block of 254 bytes, which no zero follows, or a broken one."""
    data = bytearray()
    at, end, code = 0, len(content), _FULL
    while at < end:
        code = content[at]
        after = at + code
        if code == 0:
            raise FrameError(f"COBS: code 00 at byte {at} of {end}: 00 is a delimiter and no code")
        if after > end:
            raise FrameError(f"COBS: code {code:02X} at byte {at} of {end} leads past the end")
        data += content[at + 1 : after]
        if code != _FULL:
            data.append(0)
        at = after
    if code != _FULL:
        data.pop()  # the last block's zero stands for the end and is not data
    return bytes(data)


def encode(body: bytes) -> bytes:
    """Give the frame of ``body`` as it goes on the wire, both delimiters included.

    Raises :class:`FrameError` for an empty body or one longer than a receiver would take.
    """
    if not 1 <= len(body) <= _LONGEST_BODY:
        raise FrameError(f"body of {len(body)} bytes: must be 1-{_LONGEST_BODY}")
    return b"\0" + stuff(body + crc32(body).to_bytes(CRC_SIZE, "big")) + b"\0"


def decode(content: bytes) -> bytes:
    """Give the body of a frame from what stood between its delimiters.

    Raises :class:`FrameError` when the length, the COBS or the CRC is wrong.
    """
    if len(content) > LONGEST_CONTENT:
        raise FrameError(f"frame of {len(content)} bytes: the longest has {LONGEST_CONTENT}")
    checked = unstuff(content)
    if len(checked) <= CRC_SIZE:
        raise FrameError(
            f"frame of {len(checked)} bytes with its CRC: the shortest has {CRC_SIZE + 1}"
        )
    body, check = checked[:-CRC_SIZE], int.from_bytes(checked[-CRC_SIZE:], "big")
    if crc32(body) != check:
        raise FrameError(f"CRC {check:08X}: the body gives {crc32(body):08X}")
    return body


def other_version_words(version: int) -> str:
    """Say to a person that a whole frame of another ``version`` was heard."""
    return f"a frame of protocol version {version}; this program speaks version {VERSION}"


def check_version(body: bytes) -> None:
    """Raise :class:`VersionError` when ``body``, not empty, is of another version than ours."""
    if body[0] >> 4 != VERSION:
        raise VersionError(body[0] >> 4)


def check_kind(name: str, kind: int, length: int, body: bytes) -> None:
    """Raise :class:`FrameError` unless ``body`` is a ``name``, of this ``kind`` and ``length``.

    A layout is never reinterpreted: version, kind and length must all be the known ones.
    """
    if body[:1] != _CODES[kind]:
        if body:
            check_version(body)
        raise FrameError(f"{name} kind {body[:1].hex().upper()}: must be {kind:02X}")
    if len(body) != length:
        raise FrameError(f"{name} length {len(body)}: must be {length} bytes")


class VersionError(FrameError):
    """A whole frame of another ``version`` of the protocol, 0-15."""

    def __init__(self, version: int) -> None:
        super().__init__(other_version_words(version))
        self.version = version


class Deframer:
    """Cuts a stream of bytes into the bodies of its good frames.

    However the stream is cut into pieces, the same bodies come out and the same number of frames
    is counted as bad. It holds at most :data:`LONGEST_CONTENT` bytes; of a longer run all is
    dropped up to the next 00.
    """

    __slots__ = ("_overlong", "_unfinished", "bad", "of_other_version", "other_version")

    def __init__(self) -> None:
        self.bad = 0
        """Frames dropped so far because their CRC, COBS, length or version was wrong."""
        self.of_other_version = 0
        """How many of them were whole frames of another version."""
        self.other_version: int | None = None
        """The version of the last of these, None while there is none."""
        self._unfinished = b""
        self._overlong = False

    def feed(self, data: bytes) -> list[bytes]:
        """Take the bytes that came and give the bodies of the frames that they complete."""
        if self._overlong:
            end = data.find(0)
            if end < 0:
                return []
            self._overlong = False
            data = data[end:]
        runs = (self._unfinished + data).split(b"\0")
        self._unfinished = runs.pop()
        if len(self._unfinished) > LONGEST_CONTENT:
            self.bad += 1
            self._unfinished = b""
            self._overlong = True
        bodies = []
        for run in runs:
            if run:
                try:
                    body = decode(run)
                    check_version(body)
                    bodies.append(body)
                except VersionError as error:
                    self.bad += 1
                    self.of_other_version += 1
                    self.other_version = error.version
                except FrameError:
                    self.bad += 1
        return bodies
