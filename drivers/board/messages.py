"""The two messages of the board link, SHOW and STATUS, as ``hardware/PROTOCOL.md`` lays them out.

Pure: bytes in, values out. A body here is what a frame carries once its CRC has been found right.
"""

from __future__ import annotations

import enum
import struct
from dataclasses import dataclass
from typing import NamedTuple

from drivers import framing
from drivers.base import FrameError

SHOW = 0x21
STATUS = 0x22

DARK = 0xFF
LAMP_TEST = 0xFE
HIGHEST_NUMERALS = 99
HIGHEST_BRIGHTNESS = 15
HIGHEST_NODE = 8
HIGHEST_CURRENT_MA = 0xFFFE
HIGHEST_TEMPERATURE_C = 127
HIGHEST_LIGHT = 0xFE

_NO_CURRENT, _NO_TEMPERATURE, _NO_LIGHT = 0xFFFF, -0x80, 0xFF
_SHOW_LAYOUT = struct.Struct(">BHHBBBB")
_STATUS_LAYOUT = struct.Struct(">BBHBBBBBBBHBHHbB")


class NodeFlag(enum.IntFlag):
    """The flags of STATUS. The low four are the causes of the last reset.

    They stand as in an ATmega328P's MCUSR, so a node copies the nibble.
    """

    POWER_ON = 0x01
    EXTERNAL_RESET = 0x02
    BROWN_OUT = 0x04
    WATCHDOG = 0x08
    DARK_BY_SILENCE = 0x10
    """The node has darkened itself for want of frames since its last answer."""
    CHAIN_FAULT = 0x20
    """What came back through the chain of lamp drivers differs from what was shifted in."""
    LAMP_TEST = 0x40


_ALL_FLAGS = sum(NodeFlag)


class Show(NamedTuple):
    """What every board shall show now.

    ``numerals`` is 0-99, :data:`DARK` or :data:`LAMP_TEST`; ``brightness`` 1-15; ``stamp`` counts
    10 ms, modulo 65536; ``ask`` is the node that shall answer, 0 for none; bit n-1 of
    ``node_mask`` is set when node n shall be lit.
    """

    controller_id: int
    stamp: int
    numerals: int
    brightness: int
    ask: int
    node_mask: int


@dataclass(frozen=True, slots=True)
class NodeStatus:
    """One node's answer.

    ``stamp`` is that of the SHOW it obeyed last; ``segments`` are the lamps read back, (tens,
    units) as in :mod:`drivers.board.segments`; ``supply_dv`` is in 0.1 V; the two counts are
    modulo 256; ``uptime_s`` stops at 65535.

    None is not measured: ``tens_ma`` and ``units_ma``, what the lamps of each digit draw, 0-65534;
    ``temperature_c`` in the case, -127 to 127; ``light``, 15 times log2 of the lux, 0-254.
    """

    node: int
    stamp: int
    segments: tuple[int, int]
    brightness: int
    flags: NodeFlag
    supply_dv: int
    frame_errors: int
    foreign_frames: int
    uptime_s: int
    revision: int
    tens_ma: int | None = None
    units_ma: int | None = None
    temperature_c: int | None = None
    light: int | None = None


def encode_show(show: Show) -> bytes:
    """Give the whole frame of ``show``; :class:`FrameError` where a field is out of range."""
    controller_id, stamp, numerals, brightness, ask, node_mask = show
    _check_show(numerals, brightness, ask)
    try:
        body = _SHOW_LAYOUT.pack(SHOW, controller_id, stamp, numerals, brightness, ask, node_mask)
    except struct.error as error:
        raise FrameError(f"{show}: {error}") from error
    return framing.encode(body)


def decode_show(body: bytes) -> Show:
    """Give the SHOW in ``body``; :class:`FrameError` names the field that is wrong."""
    framing.check_kind("SHOW", SHOW, _SHOW_LAYOUT.size, body)
    show = Show(*_SHOW_LAYOUT.unpack(body)[1:])
    _check_show(show.numerals, show.brightness, show.ask)
    return show


def encode_status(status: NodeStatus) -> bytes:
    """Give the whole frame of ``status``; :class:`FrameError` where a field is out of range."""
    _check_status(status.node, status.brightness, status.flags)
    _check_measured(status)
    try:
        body = _STATUS_LAYOUT.pack(
            STATUS,
            status.node,
            status.stamp,
            *status.segments,
            status.brightness,
            status.flags,
            status.supply_dv,
            status.frame_errors,
            status.foreign_frames,
            status.uptime_s,
            status.revision,
            _NO_CURRENT if status.tens_ma is None else status.tens_ma,
            _NO_CURRENT if status.units_ma is None else status.units_ma,
            _NO_TEMPERATURE if status.temperature_c is None else status.temperature_c,
            _NO_LIGHT if status.light is None else status.light,
        )
    except struct.error as error:
        raise FrameError(f"{status}: {error}") from error
    return framing.encode(body)


def decode_status(body: bytes) -> NodeStatus:
    """Give the STATUS in ``body``; :class:`FrameError` names the field that is wrong."""
    framing.check_kind("STATUS", STATUS, _STATUS_LAYOUT.size, body)
    _, node, stamp, tens, units, brightness, flags, *rest = _STATUS_LAYOUT.unpack(body)
    supply_dv, frame_errors, foreign_frames, uptime_s, revision, *measured = rest
    tens_ma, units_ma, temperature_c, light = measured
    _check_status(node, brightness, flags)
    return NodeStatus(
        node,
        stamp,
        (tens, units),
        brightness,
        NodeFlag(flags),
        supply_dv,
        frame_errors,
        foreign_frames,
        uptime_s,
        revision,
        None if tens_ma == _NO_CURRENT else tens_ma,
        None if units_ma == _NO_CURRENT else units_ma,
        None if temperature_c == _NO_TEMPERATURE else temperature_c,
        None if light == _NO_LIGHT else light,
    )


def _check_show(numerals: int, brightness: int, ask: int) -> None:
    if not (0 <= numerals <= HIGHEST_NUMERALS or numerals in (DARK, LAMP_TEST)):
        raise FrameError(f"SHOW numerals {numerals}: must be 0-99, 254 lamp test or 255 dark")
    if not 1 <= brightness <= HIGHEST_BRIGHTNESS:
        raise FrameError(f"SHOW brightness {brightness}: must be 1-15")
    if not 0 <= ask <= HIGHEST_NODE:
        raise FrameError(f"SHOW ask {ask}: must be a node 1-8, or 0 for none")


def _check_status(node: int, brightness: int, flags: int) -> None:
    if not 1 <= node <= HIGHEST_NODE:
        raise FrameError(f"STATUS node {node}: must be 1-8")
    if not 1 <= brightness <= HIGHEST_BRIGHTNESS:
        raise FrameError(f"STATUS brightness {brightness}: must be 1-15")
    if flags & ~_ALL_FLAGS:
        raise FrameError(f"STATUS flags {flags:02X}: bit 7 must be zero")


def _check_measured(status: NodeStatus) -> None:
    """None stands on the wire as a number that no measurement may give."""
    for name, value, lowest, highest in (
        ("tens_ma", status.tens_ma, 0, HIGHEST_CURRENT_MA),
        ("units_ma", status.units_ma, 0, HIGHEST_CURRENT_MA),
        ("temperature_c", status.temperature_c, -HIGHEST_TEMPERATURE_C, HIGHEST_TEMPERATURE_C),
        ("light", status.light, 0, HIGHEST_LIGHT),
    ):
        if value is not None and not lowest <= value <= highest:
            raise FrameError(f"STATUS {name} {value}: must be {lowest} to {highest}, or None")
