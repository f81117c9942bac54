"""The drivers of the boards and handsets that a configuration names, by their kinds."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from itertools import groupby
from typing import Generic, NamedTuple, Protocol, TypeVar

from controller.config.model import HandsetConfig
from drivers.base import Board, Handset
from drivers.board.kinds import BOARD_KINDS, BoardConfig
from drivers.handset.kinds import HANDSET_KINDS, HandsetDevice
from drivers.kind import DriverKind, Site

SIMULATED_BOARDS = (
    BoardConfig("north", "simulated", None, node=1),
    BoardConfig("south", "simulated", None, node=2),
)
"""Those of the simulator."""
SIMULATED_HANDSETS = (HandsetConfig("simulated", 1, "twelve", role="keeper"),)


class _Device(Protocol):
    @property
    def driver(self) -> str: ...

    @property
    def port(self) -> str | None: ...


K = TypeVar("K", bound=DriverKind)
D = TypeVar("D", bound=_Device)
B = TypeVar("B")


class Built(NamedTuple, Generic[B]):
    """A driver, and its kind."""

    kind: DriverKind
    driver: B


def board_drivers(boards: Iterable[BoardConfig], site: Site) -> list[Built[Board]]:
    """The drivers of ``boards``: board nodes first, then the displays that are sent to."""
    kinds = sorted(BOARD_KINDS, key=lambda kind: not kind.numbered)
    return _built(kinds, boards, lambda kind, group: kind.build(group, site))


def handset_drivers(handsets: Iterable[HandsetDevice], site: Site) -> list[Built[Handset]]:
    """The drivers of ``handsets``: first those whose presses are authentic."""
    kinds = sorted(HANDSET_KINDS, key=lambda kind: not kind.authenticated)
    return _built(kinds, handsets, lambda kind, group: kind.build(group, site))


def _built(
    kinds: Iterable[K], devices: Iterable[D], build: Callable[[K, Sequence[D]], B]
) -> list[Built[B]]:
    given = list(devices)
    return [
        Built(kind, build(kind, group))
        for kind in kinds
        for group in _groups(kind, [each for each in given if each.driver == kind.name])
    ]


def _groups(kind: DriverKind, devices: Sequence[D]) -> list[list[D]]:
    """What one driver serves: all of a port, or each its own."""
    if not kind.shared:
        return [[each] for each in devices]
    by_port = sorted(devices, key=lambda each: each.port or "")
    return [list(group) for _, group in groupby(by_port, key=lambda each: each.port)]
