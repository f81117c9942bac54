"""A simulated handset in pairing mode, as ``hardware/PROTOCOL.md`` has it.

:class:`PairableHandset` is pure: bytes in, bytes out. :class:`CableEnd` puts one behind a port.

Left out: the keys held at power-on, the end of the mode after 60 s, and the time that a tag and
the lasting memory take.
"""

from __future__ import annotations

import enum
from dataclasses import replace

from drivers.base import FrameError, Port, PortError
from drivers.framing import Deframer
from drivers.handset.pairing_messages import (
    Here,
    Paired,
    decode_keys,
    decode_who,
    encode_here,
    make_here,
)


class Cut(enum.Enum):
    """When the power or the cable of a simulated handset goes: it is silent from then on."""

    NEVER = enum.auto()
    BEFORE_KEYS = enum.auto()
    """KEYS do not reach it whole."""
    BEFORE_STORED = enum.auto()
    """Inside the write: the record in force is still the old one."""
    BEFORE_HERE = enum.auto()
    """The new record is in force and the answer is lost."""


class PairableHandset:
    """One handset: what it keeps through power-off is ``paired`` and ``counter``.

    Faults: ``cut`` silences it, ``bad_bits`` of the next handset keys are stored wrong, the next
    ``lose_heard`` frames and ``lose_sent`` answers vanish. ``written`` counts records written.
    """

    def __init__(
        self,
        layout: int = 12,
        revision: int = 1,
        paired: Paired | None = None,
        *,
        cut: Cut = Cut.NEVER,
    ) -> None:
        self.layout, self.revision, self.paired = layout, revision, paired
        self.counter = 0
        self.cut = cut
        self.dead = False
        self.bad_bits = self.lose_heard = self.lose_sent = 0
        self.written = 0
        self._deframer = Deframer()

    def receive(self, data: bytes) -> bytes:
        """Bytes came in on the cable; gives those that go out."""
        return b"".join(self._answer(body) for body in self._deframer.feed(data))

    def _answer(self, body: bytes) -> bytes:
        if self.dead:
            return b""
        if self.lose_heard > 0:
            self.lose_heard -= 1
            return b""
        try:
            nonce = decode_who(body)
        except FrameError:
            try:
                nonce, paired = decode_keys(body)
            except FrameError:
                return b""
            self._store(paired)
        if self.dead:
            return b""
        if self.lose_sent > 0:
            self.lose_sent -= 1
            return b""
        return encode_here(self.here(nonce))

    def here(self, nonce: bytes) -> Here:
        """What it says of itself."""
        return make_here(nonce, self.layout, self.revision, self.paired)

    def _store(self, paired: Paired) -> None:
        if self.cut in (Cut.BEFORE_KEYS, Cut.BEFORE_STORED):
            self.dead = True
            return
        self.dead = self.cut is Cut.BEFORE_HERE
        if paired == self.paired:
            return  # the counter may not begin again under the same key
        if self.bad_bits > 0:
            self.bad_bits -= 1
            wrong = bytes([paired.handset_key[0] ^ 1]) + paired.handset_key[1:]
            paired = replace(paired, handset_key=wrong)
        self.written += 1
        self.paired, self.counter = paired, 0


class CableEnd:
    """A handset behind ``port``: call :meth:`open` inside the event loop, and :meth:`close`."""

    def __init__(self, port: Port, handset: PairableHandset) -> None:
        self._port, self._handset = port, handset

    def open(self) -> None:
        """Begin to answer. Raises :class:`PortError`."""
        self._port.open(self)

    def close(self) -> None:
        """The cable is out."""
        self._port.close()

    def bytes_received(self, data: bytes, at: int) -> None:
        """Answer what came in at ``at``."""
        self._port.write(self._handset.receive(data))

    def port_lost(self, error: PortError) -> None:
        """Nobody is told: the other end notices."""
