"""Builds the drivers of displays and inputs that are neither nodes nor radio handsets."""
# ruff: noqa: PLC0415 - a driver loads only when it is configured

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import groupby
from operator import attrgetter
from typing import Any, Protocol, TypeVar

from controller.config.model import BoardConfig, HandsetConfig
from drivers.base import Board, Clock, Handset, Key
from drivers.port.serial_port import SerialPort

PARITY_LETTERS = {"none": "N", "even": "E", "odd": "O"}


class _Wired(Protocol):
    @property
    def driver(self) -> str: ...

    @property
    def port(self) -> str | None: ...


W = TypeVar("W", bound=_Wired)


def of_driver(driver: str, configured: Sequence[W]) -> list[W]:
    """Those with this driver, in order."""
    return [each for each in configured if each.driver == driver]


def by_port(driver: str, configured: Sequence[W]) -> list[tuple[str, list[W]]]:
    """Those with this driver by their port."""
    mine = sorted(of_driver(driver, configured), key=attrgetter("port"))
    return [(port, list(group)) for port, group in groupby(mine, key=attrgetter("port"))]


def sent_boards(boards: Sequence[BoardConfig], clock: Clock) -> list[Board]:
    """The drivers of all displays that are no board nodes."""
    makers: dict[str, Callable[[str, list[BoardConfig], Clock], Board]]
    makers = {"modbus": _modbus, "text_line": _text_line}
    made = [
        make(port, group, clock)
        for driver, make in makers.items()
        for port, group in by_port(driver, boards)
    ]
    return made + [_segments(each) for each in of_driver("gpio_segments", boards)]


def plain_handsets(handsets: Sequence[HandsetConfig], clock: Clock) -> list[Handset]:
    """The drivers of all inputs that are no radio handsets: a handset each."""
    made: list[Handset] = []
    for each in of_driver("gpio", handsets):
        from drivers.handset.gpio import GpioKeys

        pins: Any = each.details
        made.append(GpioKeys(each.id, each.layout, pins, clock))
    for each in of_driver("input_event", handsets):
        from drivers.handset.input_event import InputKeys

        keys: Any = each.details
        made.append(InputKeys(each.id, each.layout, str(each.port), keys, clock))
    return made


def bound_keys(handset: HandsetConfig) -> tuple[Key, ...]:
    """The keys that an input's own table gives it; empty when it has none, and all its layout's."""
    details: Any = handset.details
    if handset.driver == "gpio":
        return tuple(details.pins)
    return tuple(details.values()) if handset.driver == "input_event" else ()


def _port(path: str, first: BoardConfig, clock: Clock) -> SerialPort:
    parity: Any = PARITY_LETTERS[first.parity]
    stop_bits: Any = first.stop_bits
    return SerialPort(
        path, first.baud, rs485=first.rs485, parity=parity, stop_bits=stop_bits, clock=clock
    )


def _modbus(path: str, boards: list[BoardConfig], clock: Clock) -> Board:
    from drivers.board.modbus import ModbusLine

    units: Any = [(each.name, each.details) for each in boards]
    return ModbusLine(path, _port(path, boards[0], clock), units, clock, baud=boards[0].baud)


def _text_line(path: str, boards: list[BoardConfig], clock: Clock) -> Board:
    from drivers.board.text_line import TextLine

    layout: Any = boards[0].details
    names = [each.name for each in boards]
    port = _port(path, boards[0], clock)
    return TextLine(path, port, names, layout, clock, baud=boards[0].baud)


def _segments(board: BoardConfig) -> Board:
    from drivers.board.gpio_segments import GpioSegments

    pins: Any = board.details
    return GpioSegments(board.name, pins)
