"""How a driver is registered: its kind, the table it reads, and the site it is built for.

A kind stands in ``drivers/board/kinds.py`` or ``drivers/handset/kinds.py``, and nothing else names
its driver. The driver is the module beside it of the kind's name, loaded when it is configured: it
has a function ``build`` and, if a table of its own belongs to it, ``read_table``.
"""

from __future__ import annotations

import importlib
from collections.abc import Callable
from dataclasses import dataclass, field
from types import ModuleType
from typing import (
    TYPE_CHECKING,
    Any,
    ClassVar,
    Literal,
    NamedTuple,
    Protocol,
    TypedDict,
    TypeVar,
    Unpack,
    get_args,
)

from drivers.base import Clock, Key, Parity, Port, Rs485, StopBits

if TYPE_CHECKING:
    from drivers.handset.keys import Keys

T = TypeVar("T")

Level = Literal["high", "low"]
LEVELS: tuple[Level, ...] = get_args(Level)
HIGHEST_GPIO = 63
"""Above every numbering of a computer's header by the chip's own numbers."""


class TableReader(Protocol):
    """The table of a device, as its driver reads it: what is wrong is noted with its place, and a
    placeholder given that nobody sees. ``good`` holds the fields so far that were right."""

    good: dict[str, object]

    def has(self, key: str) -> bool: ...

    def keys(self) -> tuple[str, ...]: ...

    def integer(self, key: str, low: int, high: int, default: int | None = None) -> int: ...

    def choice(self, key: str, allowed: tuple[T, ...], default: T | None = None) -> T: ...

    def raw_text(self, key: str, longest: int, default: str | None = None) -> str: ...

    def numbers(self, key: str, low: int, high: int) -> tuple[int, ...]: ...

    def table(self, key: str) -> TableReader: ...

    def problem(self, key: str, what: str) -> None: ...

    def made(self, make: Callable[[], T]) -> T | None:
        """What ``make`` gives. Its ``ValueError``, which begins with the name of a field, is a
        problem of that field."""
        ...

    def finish(self) -> None:
        """Note every key that nobody asked for."""
        ...


class DeviceTable:
    """What a driver's own table says; derived from by the drivers that have one.

    The properties are what others have to know of it.
    """

    __slots__ = ()

    @property
    def pins_used(self) -> tuple[int, ...]:
        """The pins of the computer that it takes, by BCM number."""
        return ()

    @property
    def address(self) -> str:
        """What tells it from others on its line, as "unit 3"; empty where all hear the same, and so
        must have the same table."""
        return ""

    @property
    def keys(self) -> tuple[Key, ...]:
        """The keys that it gives its handset."""
        return ()


class Cures(NamedTuple):
    """What to do about a device that is not there, that may not be opened, or that fails."""

    missing: str = (
        "plug the adapter in, or mend its name in the configuration (ls /dev/serial/by-id)"
    )
    forbidden: str = "add that user to the port's group (dialout)"
    failing: str = "pull the adapter and plug it in again, then check again"


PORT_CURES = Cures()
PIN_CURES = Cures(
    failing="look at the pins in the configuration, the library of the pins (lgpio) and "
    "playclock-pins.conf"
)


@dataclass(frozen=True, kw_only=True)
class DriverKind:
    """A driver that a file may name, and what it cannot do without.

    ``needs_port`` if it has a port; ``has_table`` if it reads a table of its own name; ``shared``
    if one driver serves all that hang on one port; ``stands_in`` if it takes the place of any
    other, whose port and table are then checked and left out, so that a rehearsal changes one word
    of the file. ``baud`` is used where the file names none of ``bauds``.
    """

    name: str
    needs_port: bool = False
    has_table: bool = False
    shared: bool = False
    stands_in: bool = False
    bauds: tuple[int, ...]
    baud: int
    cures: Cures = PORT_CURES
    folder: ClassVar[str]

    @property
    def module(self) -> ModuleType:
        """The driver, loaded by now."""
        return importlib.import_module(f"{self.folder}.{self.name}")


def _itself(port: Port) -> Port:
    return port


class SerialLine(TypedDict, total=False):
    """How a serial line is driven, where not as usual."""

    rs485: Rs485
    parity: Parity
    stop_bits: StopBits


@dataclass(slots=True)
class Site:
    """The installation that drivers are built for.

    ``keys`` are those of the radio handsets. ``listen`` may put something between a driver and its
    port. ``pairs`` and ``airs`` are the far ends of what is simulated, in the order
    in which they were built: ``SimulatedPair`` and ``Air``, which know this module.
    """

    clock: Clock
    controller_id: int = 1
    keys: Keys | None = None
    listen: Callable[[Port], Port] = _itself
    pairs: list[Any] = field(default_factory=list)
    airs: list[Any] = field(default_factory=list)

    def serial_port(self, path: str, baud: int, **line: Unpack[SerialLine]) -> Port:
        """The serial port at ``path``."""
        from drivers.port.serial_port import SerialPort  # noqa: PLC0415 - only one is wanted

        return self.listen(SerialPort(path, baud, clock=self.clock, **line))

    def memory_line(self, near: str, far: str) -> tuple[Port, Port]:
        """The two ends of a line in memory."""
        from drivers.port.memory_port import memory_pair  # noqa: PLC0415 - only one is wanted

        ends = memory_pair(self.clock, names=(near, far))
        return self.listen(ends[0]), ends[1]
