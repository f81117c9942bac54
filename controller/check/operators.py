"""What people do at boards and handsets; what is simulated does it by itself, a second later."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence

from controller.assembly.assembler import Assembly
from controller.check.handsets import CheckedHandset
from drivers.base import Edge, Key

LATER_S = 1.0
"""So that the text is read before it happens."""
THUMB_S = 0.2


class Hands:
    """The simulated parts of ``assembly``; whatever is real is left to people.

    ``simulated`` are the handsets without hardware; the simulator taps the first of them only.
    """

    def __init__(self, assembly: Assembly, simulated: Sequence[CheckedHandset]) -> None:
        self._nodes, self._companions = assembly.nodes, assembly.companions
        self._tap = assembly.press
        self._simulated = list(simulated)
        self._running: list[asyncio.Task[None]] = []

    def can_press(self, handset: CheckedHandset) -> bool:
        """False for a simulated handset whose keys nobody presses."""
        if handset not in self._simulated:
            return True
        return handset == self._simulated[0] and handset.layout == "twelve"

    def pull(self) -> None:
        """Take one board's cable out."""
        if self._nodes:
            _later(setattr, self._nodes[-1], "deaf", True)

    def plug(self) -> None:
        """Put it in again."""
        if self._nodes:
            _later(setattr, self._nodes[-1], "deaf", False)

    def press(self, handset: int, key: Key, edge: Edge, times: int) -> None:
        """Press a key once or twice."""
        if self._tap is not None and handset == self._simulated[0].number and edge is Edge.DOWN:
            for n in range(times):
                asyncio.get_running_loop().call_later(LATER_S + n * THUMB_S, self._tap, key.name)

    def battery(self, handset: int, *, inside: bool) -> None:
        """Take the battery out of a handset, or put it in again: all simulated ones at once."""
        if any(each.number == handset for each in self._simulated):
            _later(self.switch_on if inside else self.switch_off)

    def switch_on(self) -> None:
        """Everything that is simulated beside the boards begins to live."""
        self._running = [asyncio.ensure_future(run()) for run in self._companions]

    def switch_off(self) -> None:
        """And dies."""
        for task in self._running:
            task.cancel()


def _later(act: object, *args: object) -> None:
    assert callable(act)
    asyncio.get_running_loop().call_later(LATER_S, act, *args)
