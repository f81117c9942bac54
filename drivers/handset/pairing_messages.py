"""The messages of the pairing link, WHO, HERE and KEYS, as ``hardware/PROTOCOL.md`` lays them out.

Pure: bytes in, values out. They go over a cable only. HERE proves with two tags that the handset
holds its two keys; no key ever comes out of a handset.
"""

from __future__ import annotations

import hmac
import struct
from dataclasses import dataclass

from drivers import framing
from drivers.base import FrameError
from drivers.handset.layouts import LAYOUTS
from drivers.handset.messages import HIGHEST_HANDSET, KEY_SIZE, TAG_SIZE, tag

WHO = 0x27
HERE = 0x28
KEYS = 0x29

NONCE_SIZE = 8
NOT_PAIRED = 0
KEY_COUNTS = tuple(map(len, LAYOUTS.values()))

_WHO_LAYOUT = struct.Struct(f">B{NONCE_SIZE}s")
_HERE_LAYOUT = struct.Struct(f">B{NONCE_SIZE}sBBB")
_KEYS_LAYOUT = struct.Struct(f">B{NONCE_SIZE}sB{KEY_SIZE}s{KEY_SIZE}s")
_NO_PROOF = bytes(TAG_SIZE)


@dataclass(frozen=True, slots=True, repr=False)
class Paired:
    """What makes a handset one of ours: its ``number``, 1-254, and two keys of 16 bytes."""

    number: int
    handset_key: bytes
    broadcast_key: bytes

    def __repr__(self) -> str:
        return f"Paired(number={self.number})"


@dataclass(frozen=True, slots=True)
class Here:
    """What a handset says of itself.

    ``nonce`` is that of the frame it answers, 8 bytes; ``layout`` its number of keys, 12 or 4;
    ``revision`` of its firmware; ``number`` 1-254, 0 when it is not paired. The proofs are zeros
    then.
    """

    nonce: bytes
    layout: int
    revision: int
    number: int
    handset_proof: bytes
    broadcast_proof: bytes

    def proves(self, paired: Paired) -> bool:
        """Tell whether it is this handset and holds these two keys."""
        said = _here12(self)
        own = hmac.compare_digest(self.handset_proof, tag(said, paired.handset_key))
        common = hmac.compare_digest(self.broadcast_proof, tag(said, paired.broadcast_key))
        return self.number == paired.number and own and common


def encode_who(nonce: bytes) -> bytes:
    """Give the whole frame that asks who is there; ``nonce`` is 8 bytes."""
    _check_nonce("WHO", nonce)
    return framing.encode(_WHO_LAYOUT.pack(WHO, nonce))


def decode_who(body: bytes) -> bytes:
    """Give the nonce of a WHO; :class:`FrameError` when the kind or the length is wrong."""
    framing.check_kind("WHO", WHO, _WHO_LAYOUT.size, body)
    return body[1:]


def make_here(nonce: bytes, layout: int, revision: int, paired: Paired | None) -> Here:
    """Give the answer of a handset with its proofs; None when it is not paired."""
    if paired is None:
        return Here(nonce, layout, revision, NOT_PAIRED, _NO_PROOF, _NO_PROOF)
    said = _HERE_LAYOUT.pack(HERE, nonce, layout, revision, paired.number)
    own, common = tag(said, paired.handset_key), tag(said, paired.broadcast_key)
    return Here(nonce, layout, revision, paired.number, own, common)


def encode_here(here: Here) -> bytes:
    """Give the whole frame of ``here``; :class:`FrameError` where a field is out of range."""
    _check_here(here)
    return framing.encode(_here12(here) + here.handset_proof + here.broadcast_proof)


def decode_here(body: bytes) -> Here:
    """Give the HERE in ``body``; :class:`FrameError` names the field that is wrong."""
    framing.check_kind("HERE", HERE, _HERE_LAYOUT.size + 2 * TAG_SIZE, body)
    _, nonce, layout, revision, number = _HERE_LAYOUT.unpack_from(body)
    here = Here(nonce, layout, revision, number, body[-2 * TAG_SIZE : -TAG_SIZE], body[-TAG_SIZE:])
    _check_here(here)
    return here


def encode_keys(nonce: bytes, paired: Paired) -> bytes:
    """Give the whole frame of new keys; :class:`FrameError` where a field is out of range."""
    _check_nonce("KEYS", nonce)
    _check_paired(paired)
    body = _KEYS_LAYOUT.pack(KEYS, nonce, paired.number, paired.handset_key, paired.broadcast_key)
    return framing.encode(body)


def decode_keys(body: bytes) -> tuple[bytes, Paired]:
    """Give nonce and keys of a KEYS; :class:`FrameError` names what is wrong, never a key."""
    framing.check_kind("KEYS", KEYS, _KEYS_LAYOUT.size, body)
    _, nonce, *fields = _KEYS_LAYOUT.unpack(body)
    paired = Paired(*fields)
    _check_paired(paired)
    return nonce, paired


def _here12(here: Here) -> bytes:
    """What the proofs are made over."""
    return _HERE_LAYOUT.pack(HERE, here.nonce, here.layout, here.revision, here.number)


def _check_here(here: Here) -> None:
    _check_nonce("HERE", here.nonce)
    if here.layout not in KEY_COUNTS:
        raise FrameError(f"HERE layout {here.layout}: must be 12 or 4")
    if not 0 <= here.revision <= 0xFF:
        raise FrameError(f"HERE revision {here.revision}: must be 0-255")
    if not NOT_PAIRED <= here.number <= HIGHEST_HANDSET:
        raise FrameError(f"HERE number {here.number}: must be 0-{HIGHEST_HANDSET}")
    if {len(here.handset_proof), len(here.broadcast_proof)} != {TAG_SIZE}:
        raise FrameError(f"HERE proofs: must have {TAG_SIZE} bytes each")


def _check_paired(keys: Paired) -> None:
    if not 1 <= keys.number <= HIGHEST_HANDSET:
        raise FrameError(f"KEYS number {keys.number}: must be 1-{HIGHEST_HANDSET}")
    for name, key in (("handset_key", keys.handset_key), ("broadcast_key", keys.broadcast_key)):
        if len(key) != KEY_SIZE:
            raise FrameError(f"KEYS {name} of {len(key)} bytes: must be {KEY_SIZE}")
        if not any(key):
            raise FrameError(f"KEYS {name}: all zeros")
    if keys.handset_key == keys.broadcast_key:
        raise FrameError("KEYS handset_key: the same as broadcast_key")


def _check_nonce(name: str, nonce: bytes) -> None:
    if len(nonce) != NONCE_SIZE:
        raise FrameError(f"{name} nonce of {len(nonce)} bytes: must be {NONCE_SIZE}")
