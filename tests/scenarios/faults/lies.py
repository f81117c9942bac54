"""How a board may answer wrongly with every check of its frame right."""

from __future__ import annotations

from tests.shared.line import Lie


def _as_it_is(body: bytes) -> bytes:
    return body


def _other_node(body: bytes) -> bytes:
    return body[:1] + bytes([3 - body[1]]) + body[2:]


def _other_stamp(body: bytes) -> bytes:
    return body[:3] + bytes([body[3] ^ 0x55]) + body[4:]


def _other_segments(body: bytes) -> bytes:
    return body[:4] + bytes([body[4] ^ 0x06, body[5] ^ 0x40]) + body[6:]


LIES = {
    "late": Lie(0.03, 1, _as_it_is),
    "very late": Lie(0.35, 1, _as_it_is),
    "twice": Lie(0.0, 2, _as_it_is),
    "without end": Lie(0.0, 50, _as_it_is),
    "other node": Lie(0.0, 1, _other_node),
    "other stamp": Lie(0.0, 1, _other_stamp),
    "other segments": Lie(0.0, 1, _other_segments),
    "other type": Lie(0.0, 1, lambda body: b"\x13" + body[1:]),
    "too short": Lie(0.0, 1, lambda body: body[:-2]),
    "flags unknown": Lie(0.0, 1, lambda body: body[:7] + b"\x80" + body[8:]),
}
