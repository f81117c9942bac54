"""The same node twice for the same tests: its logic on this computer, its image on a chip."""

from __future__ import annotations

import ctypes
from pathlib import Path

from tests.firmware import board, pc
from tests.firmware.chip import symbols

SETTLED_MS = 0.4
"""After a frame: the lamps must be right 0.3 ms after its last byte."""
ANSWERED_MS = 12.0
"""After a frame that asks, an answer must have ended by then."""


class NodeState(ctypes.LittleEndianStructure):
    """``struct node`` of node.h as it lies in the chip's RAM: an AVR aligns nothing."""

    _pack_ = 1
    _layout_ = "ms"
    _fields_ = (
        ("run", ctypes.c_uint8 * 64),
        ("length", ctypes.c_uint8),
        ("overlong", ctypes.c_uint8),
        ("bad", ctypes.c_uint8),
        ("number", ctypes.c_uint8),
        ("revision", ctypes.c_uint8),
        ("flags", ctypes.c_uint8),
        ("bound", ctypes.c_uint8),
        ("controller", ctypes.c_uint16),
        ("stamp", ctypes.c_uint16),
        ("lamps", ctypes.c_uint16),
        ("brightness", ctypes.c_uint8),
        ("refused_frames", ctypes.c_uint8),
        ("foreign_frames", ctypes.c_uint8),
        ("silent_ticks", ctypes.c_uint16),
        ("second_ticks", ctypes.c_uint16),
        ("uptime_s", ctypes.c_uint16),
    )


def _address(image: Path) -> int:
    (name,) = [name for name in symbols(image) if name.startswith("node.")]
    address, size = symbols(image)[name]
    assert size == ctypes.sizeof(NodeState), f"struct node has {size} bytes"
    return address


def state_of(node: board.BoardNode, image: Path) -> NodeState:
    """What the firmware knows, read from the chip's RAM."""
    return NodeState.from_buffer_copy(node.chip.read(_address(image), ctypes.sizeof(NodeState)))


class OnChip:
    """The image on a simulated chip, powered up and 5 ms old."""

    def __init__(self, image: Path, number: int, causes: int = 1, revision: int | None = None):
        self.node = board.BoardNode(image, number=number)
        self.node.chip.reset(causes)
        self.node.run_ms(5)
        self._image = image
        if revision is not None:
            self._write("revision", revision)

    def state(self) -> NodeState:
        return state_of(self.node, self._image)

    def _write(self, field: str, value: int) -> None:
        place = getattr(NodeState, field)
        data = value.to_bytes(place.size, "little")
        self.node.chip.write(_address(self._image) + place.offset, data)

    def hear(self, wire: bytes) -> None:
        self.node.hear(wire)
        self.node.run_ms(SETTLED_MS)

    def wait(self, ms: float) -> None:
        self.node.run_ms(ms)

    @property
    def digits(self) -> tuple[int, int]:
        return self.node.digits

    @property
    def answers(self) -> list[bytes]:
        return [answer.wire for answer in self.node.answers]

    @property
    def refused(self) -> int:
        state = self.state()
        return int(state.bad + state.refused_frames) & 0xFF

    @property
    def foreign(self) -> int:
        return int(self.state().foreign_frames)

    def put(self, **fields: int) -> None:
        """Bring it into a state: uptime_s, frame_errors, foreign_frames, flags, supply_dv.

        ``upset`` are lamps that the chain gains after each latch, tens in the high byte.
        """
        for field, value in fields.items():
            if field == "supply_dv":
                mv = round(100 * value * board.DIVIDER) + 2  # half a step of the converter
                self.node.chip.adc(board.SUPPLY_CHANNEL, mv)
                self.node.run_ms(200)
            elif field == "upset":
                self.node.registers.upset = (value >> 8, value & 0xFF)
            else:
                self._write({"frame_errors": "refused_frames"}.get(field, field), value)


class OnPC:
    """The logic in a process with sanitizers; see ``pc_node.c`` for its lines."""

    def __init__(
        self,
        process: pc.Process,
        number: int,
        causes: int = 1,
        revision: int | None = None,
    ) -> None:
        self._process = process
        self._answers: list[bytes] = []
        self._ms = 0.0
        self._seen = self._say(f"start {number} {causes} {revision or 0}")

    def _say(self, line: str) -> pc.Seen:
        self._seen = pc.seen(pc.say(self._process, line))
        if self._seen.answers > len(self._answers):
            self._answers.append(self._seen.answer)
        return self._seen

    def hear(self, wire: bytes) -> None:
        self.wait(len(wire) * 0.2604)
        self._say(f"hear {wire.hex()}")
        self.wait(SETTLED_MS)

    def wait(self, ms: float) -> None:
        whole = int(self._ms + ms) - int(self._ms)
        self._ms += ms
        self._say(f"tick {whole}")

    @property
    def digits(self) -> tuple[int, int]:
        return self._seen.digits

    @property
    def answers(self) -> list[bytes]:
        return self._answers

    @property
    def refused(self) -> int:
        return self._seen.refused

    @property
    def foreign(self) -> int:
        return self._seen.foreign

    def put(self, **fields: int) -> None:
        names = {"uptime_s": "uptime", "frame_errors": "bad", "foreign_frames": "foreign"}
        names |= {"supply_dv": "supply", "temperature_c": "temperature"}
        for field, value in fields.items():
            self._say(f"set {names.get(field, field)} {value & 0xFFFF}")


Bench = OnChip | OnPC
"""A node to be led: ``hear`` lets the lamps settle, ``answers`` are all frames that it has sent."""
