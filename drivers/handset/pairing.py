"""Pairing: a handset on a cable is found, given its keys, and made to prove that it has them.

Wiring: a USB adapter with a UART of the handset's logic level, plugged into the socket of the
handset's radio: TXD to RXD, RXD to TXD, ground. ``hardware/PROTOCOL.md`` has the exchange.
"""

from __future__ import annotations

import asyncio
import os
from collections.abc import Callable

from drivers.base import DriverError, FrameError, Port, PortError
from drivers.framing import SPOIL, Deframer, other_version_words
from drivers.handset.pairing_messages import (
    KEYS,
    NONCE_SIZE,
    WHO,
    Here,
    Paired,
    decode_here,
    encode_keys,
    encode_who,
)

WHO_S = 0.2
"""How long a WHO waits for its answer, which begins within 0.1 s and takes 8.6 ms."""
KEYS_S = 1.5
"""How long KEYS wait for theirs, which begins within 1 s."""
KEYS_TRIES = 4

Nonce = Callable[[int], bytes]


class PairingError(DriverError):
    """No handset was found, or it did not take its keys; the message says what was heard."""


class PairingCable:
    """One handset behind ``port``, from ``async with`` to its end.

    Entering opens the port and raises :class:`PortError`; so does whatever meets a port that is
    lost. ``nonce`` gives so many random bytes.
    """

    def __init__(self, port: Port, nonce: Nonce = os.urandom) -> None:
        self._port, self._new_nonce = port, nonce
        self._deframer = Deframer()
        self._strange = self._echoes = 0
        self._nonce = b""
        self._answer: asyncio.Future[Here] | None = None
        self._lost: PortError | None = None
        self._spoil = SPOIL  # how the last frame ended is not known

    async def __aenter__(self) -> PairingCable:
        self._port.open(self)
        return self

    async def __aexit__(self, *_: object) -> None:
        self._port.close()

    async def find(self, wait_s: float) -> Here:
        """Ask who is there until a handset answers.

        Raises :class:`PairingError` when none has after ``wait_s``.
        """
        loop = asyncio.get_running_loop()
        until_s = loop.time() + wait_s
        while loop.time() < until_s:
            nonce = self._new_nonce(NONCE_SIZE)
            here = await self._asked(encode_who(nonce), nonce, WHO_S)
            if here is not None:
                return here
        raise PairingError(f"{self._port.name}: no handset answers within {wait_s:g} s{self._why}")

    async def give(self, paired: Paired) -> Here:
        """Give the handset its keys and have it prove that they are in its lasting memory.

        Raises :class:`PairingError` without a good proof: it has its old keys then, or the new.
        """
        answered = 0
        for _ in range(KEYS_TRIES):
            nonce = self._new_nonce(NONCE_SIZE)
            here = await self._asked(encode_keys(nonce, paired), nonce, KEYS_S)
            if here is not None:
                answered += 1
                if here.proves(paired):
                    return here
        said = f"{answered} wrong proofs" if answered else f"no answer{self._why}"
        raise PairingError(f"{self._port.name}: {said} to keys sent {KEYS_TRIES} times")

    @property
    def _why(self) -> str:
        """What was heard instead of an answer."""
        if self._echoes:
            return ": the cable hears itself, its TXD and RXD are joined"
        version = self._deframer.other_version
        if version is not None:
            return f": {other_version_words(version)}"
        bad = self._deframer.bad + self._strange
        if bad:
            return f": {bad} frames were heard that are none of a handset in pairing mode"
        return ""

    async def _asked(self, frame: bytes, nonce: bytes, wait_s: float) -> Here | None:
        """The answer that names ``nonce``, None when there is none in time."""
        if self._lost is not None:
            raise self._lost
        self._nonce = nonce
        self._answer = asyncio.get_running_loop().create_future()
        data = self._spoil + frame
        taken = self._port.write(data)
        self._spoil = b"" if taken == len(data) else SPOIL
        try:
            async with asyncio.timeout(wait_s):
                return await self._answer
        except TimeoutError:
            return None
        finally:
            self._answer = None

    def bytes_received(self, data: bytes, at: int) -> None:
        """Take what came in at ``at``."""
        for body in self._deframer.feed(data):
            self._heard(body)

    def _heard(self, body: bytes) -> None:
        if body[0] in (WHO, KEYS):
            self._echoes += 1
            return
        try:
            here = decode_here(body)
        except FrameError:
            self._strange += 1
            return
        if self._answer is not None and not self._answer.done() and here.nonce == self._nonce:
            self._answer.set_result(here)

    def port_lost(self, error: PortError) -> None:
        """End what waits, and all that follows, with ``error``."""
        self._lost = error
        if self._answer is not None and not self._answer.done():
            self._answer.set_exception(error)
