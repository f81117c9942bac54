"""The wires of an installation for a check: each port with an ear on it, each driver at work.

The ear hears what a driver hears and keeps what a driver throws away: copies of a press, what a
board tells of its firmware and of its last reset.
"""

from __future__ import annotations

import asyncio
import contextlib
import errno
import termios
from collections import defaultdict
from collections.abc import Callable, Coroutine, Sequence
from dataclasses import dataclass, field
from types import TracebackType
from typing import Any, Self

from controller.assembly.builders import by_port, of_driver, plain_handsets, sent_boards
from controller.check.report import Finding, wrong
from controller.check.storage import user
from controller.config.model import BoardConfig, HandsetConfig
from drivers.base import (
    Board,
    Clock,
    DriverError,
    FrameError,
    Handset,
    Port,
    PortError,
    PortListener,
)
from drivers.board import messages
from drivers.board.messages import Status
from drivers.board.node import NodeBus
from drivers.board.simulated import SimulatedNode, SimulatedPair
from drivers.framing import Deframer
from drivers.handset.keys import Keys, new_key
from drivers.handset.messages import PRESS, parse_press, press_is_authentic
from drivers.handset.radio import RadioHandsets
from drivers.handset.simulated import Air, SimulatedHandset
from drivers.port.memory_port import memory_pair
from drivers.port.serial_port import SerialPort

PACKAGES = {"serial": "pyserial"}
"""Packages that have another name than what they give."""
STOPPED = "stop whatever uses it; the service with: systemctl stop playclock"


class SniffingPort:
    """A port that also gives every received frame to ``ear``."""

    def __init__(self, port: Port, ear: Callable[[bytes], None]) -> None:
        self.port, self._ear = port, ear
        self._deframer = Deframer()
        self._listener: PortListener | None = None

    @property
    def name(self) -> str:
        return self.port.name

    def open(self, listener: PortListener) -> None:
        self._listener = listener
        self.port.open(self)

    def write(self, data: bytes) -> int:
        return self.port.write(data)

    def unsent(self) -> int:
        return self.port.unsent()

    def flush(self) -> None:
        self.port.flush()

    def close(self) -> None:
        self.port.close()

    def bytes_received(self, data: bytes, at: int) -> None:
        for body in self._deframer.feed(data):
            self._ear(body)
        if self._listener is not None:
            self._listener.bytes_received(data, at)

    def port_lost(self, error: PortError) -> None:
        if self._listener is not None:
            self._listener.port_lost(error)


class Pair:
    """The boards of one port, by node number; ``told`` are all that each has told."""

    def __init__(self, port: Port, boards: dict[int, str], identity: int, clock: Clock, baud: int):
        self.boards = boards
        self.told: dict[int, list[Status]] = defaultdict(list)
        self.port = SniffingPort(port, self._hear)
        self.bus = NodeBus(port.name, self.port, boards, identity, clock, baud=baud)

    def _hear(self, body: bytes) -> None:
        with contextlib.suppress(FrameError):  # the driver counts it
            status = messages.decode_status(body)
            self.told[status.node].append(status)


class Receiver:
    """The handsets of one port. ``copies`` holds, for each report, the ages in ms of all copies."""

    def __init__(self, port: Port, keys: Keys, session: int, clock: Clock) -> None:
        self.copies: dict[tuple[int, int], list[int]] = defaultdict(list)
        self.presses: set[tuple[int, int]] = set()
        self._keys, self._session = keys, session
        self.port = SniffingPort(port, self._hear)
        self.radio = RadioHandsets(port.name, self.port, keys, session, clock)

    def _hear(self, body: bytes) -> None:
        if body[0] != PRESS:
            return
        try:
            frame = parse_press(body)
        except FrameError:
            return
        key = self._keys.uplink.get(frame.handset)
        if key is not None and press_is_authentic(body, self._session, key):
            report = frame.handset, frame.counter
            self.copies[report].append(frame.age_10ms * 10)
            if frame.keys:
                self.presses.add(report)


@dataclass(slots=True)
class Ports:
    """All pairs and receivers; the simulated ends of those that have no hardware; the displays that
    are no nodes, and the inputs that are no radio."""

    pairs: list[Pair] = field(default_factory=list)
    receivers: list[Receiver] = field(default_factory=list)
    far_pairs: list[SimulatedPair] = field(default_factory=list)
    airs: list[Air] = field(default_factory=list)
    displays: list[Board] = field(default_factory=list)
    inputs: list[Handset] = field(default_factory=list)


def board_wires(wires: Ports, boards: Sequence[BoardConfig], identity: int, clock: Clock) -> None:
    """Add the boards, grouped by the pair they hang on; simulated ones share a line."""
    for path, nodes in by_port("node", boards):
        port = SerialPort(path, nodes[0].baud, rs485=nodes[0].rs485, clock=clock)
        names = {each.node: each.name for each in nodes}
        wires.pairs.append(Pair(port, names, identity, clock, nodes[0].baud))
    simulated = {each.node: each.name for each in of_driver("simulated", boards)}
    if simulated:
        simulated_boards(wires, simulated, identity, clock)
    wires.displays += sent_boards(boards, clock)


def simulated_boards(wires: Ports, names: dict[int, str], identity: int, clock: Clock) -> None:
    """Add boards without hardware, on a line of their own."""
    near, far = memory_pair(clock, names=("simulated pair", "simulated nodes"))
    nodes = [SimulatedNode(number, clock) for number in names]
    wires.far_pairs.append(SimulatedPair(far, nodes, clock))
    wires.pairs.append(Pair(near, names, identity, clock, 38400))


def handset_wires(
    wires: Ports, handsets: Sequence[HandsetConfig], keys: Keys | None, session: int, clock: Clock
) -> None:
    """Add the handsets, grouped by the receiver that hears them."""
    for path, mine in by_port("radio", handsets):
        assert keys is not None  # the configuration demands a key file
        port = SerialPort(path, mine[0].baud, clock=clock)
        known = Keys(keys.downlink, {n.id: keys.uplink[n.id] for n in mine})
        wires.receivers.append(Receiver(port, known, session, clock))
    simulated = [each.id for each in of_driver("simulated", handsets)]
    if simulated:
        simulated_handsets(wires, simulated, clock)
    wires.inputs += plain_handsets(handsets, clock)


def simulated_handsets(wires: Ports, numbers: Sequence[int], clock: Clock) -> None:
    """Add handsets without hardware."""
    keys = Keys(new_key(), {n: new_key() for n in numbers})
    near, far = memory_pair(clock, names=("simulated receiver", "simulated air"))
    ends = [SimulatedHandset(n, key, keys.downlink, battery=9) for n, key in keys.uplink.items()]
    wires.airs.append(Air(far, clock, ends))
    wires.receivers.append(Receiver(near, keys, 1, clock))


class AtWork:
    """A driver that runs while the ``with`` block does; its fault is kept, not raised.

    A bug of ours is raised when the block is left.
    """

    def __init__(self, run: Coroutine[Any, Any, None]) -> None:
        self._run = run
        self._task: asyncio.Task[None]

    async def __aenter__(self) -> Self:
        self._task = asyncio.create_task(self._run)
        await asyncio.sleep(0)  # its first step opens the port
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._task.cancel()
        await asyncio.wait({self._task})  # a board is darkened on the way out
        if kind is None and not self._task.cancelled() and self.fault is None:
            self._task.result()

    @property
    def fault(self) -> Exception | None:
        """Why the driver has stopped, None while it runs."""
        if not self._task.done() or self._task.cancelled():
            return None
        error = self._task.exception()
        return error if isinstance(error, (DriverError, OSError, termios.error)) else None


def port_finding(fault: Exception, whose: str) -> Finding:
    """A port that cannot be used, and the cure that its cause suggests."""
    cause = fault.__cause__ or fault
    code = cause.args[0] if cause.args else None
    match code:
        case errno.ENOENT | errno.ENODEV | errno.ENXIO:
            names = "/dev/input/by-id" if "/dev/input/" in str(fault) else "/dev/serial/by-id"
            do = f"plug the adapter in, or mend its name in the configuration (ls {names})"
        case errno.EACCES | errno.EPERM:
            do = f"{user()} may not open it: add that user to the port's group (dialout)"
            if "/dev/input/" in str(fault):
                do = (
                    f"{user()} may not open it: put playclock-keys.conf beside the unit (its group)"
                )
        case errno.EAGAIN | errno.EBUSY:
            return wrong(f"{whose}: {fault}: another program has it, likely the service", STOPPED)
        case _:
            do = "pull the adapter and plug it in again, then check again"
            if " on pins: " in str(fault):
                do = "look at the pins in the configuration, the library of the pins (lgpio) and "
                do += "playclock-pins.conf"
    # gpiozero without a library of the pins raises one too, which names no module.
    if isinstance(cause, ImportError) and (cause.name or " on pins: " not in str(fault)):
        module = (cause.name or "serial").partition(".")[0]
        package = PACKAGES.get(module, module)
        do = f"install it: pip install {package}, in the environment of the program"
    return wrong(f"{whose}: {fault}", do)
