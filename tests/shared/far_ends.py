"""All that hangs on the ports of one installation: boards, handsets, and the lines to them."""

from __future__ import annotations

import asyncio
import os

from tests.shared.board_node import Boards, Node
from tests.shared.handset_end import Air, HandsetEnd
from tests.shared.installation import (
    BOARDS,
    BROADCAST_KEY,
    FIELD,
    HANDSET_KEYS,
    KEEPER,
    PORTS,
    Site,
)
from tests.shared.line import Line
from tests.shared.pty_time import Lanes
from tests.shared.wire import Clock


class FarEnds:
    """Two nodes and two handsets, and each port's line with its faults; in an event loop.

    They are at the ptys of ``site``; without one, :meth:`attach` them.
    """

    def __init__(self, clock: Clock, site: Site | None = None, lanes: Lanes | None = None) -> None:
        self.clock = clock
        self.nodes = [Node(number, clock) for number in BOARDS]
        self.boards = Boards(self.nodes, clock)
        self.handsets = {
            number: HandsetEnd(number, own, BROADCAST_KEY, clock)
            for number, own in HANDSET_KEYS.items()
        }
        self.keeper, self.field = self.handsets[KEEPER], self.handsets[FIELD]
        self.air = Air([self.keeper, self.field], clock)
        self.lanes = lanes or Lanes()
        received = {"boards": self.boards.received, "receiver": self.air.received}
        self.lines = {name: Line(received[name], clock, self.lanes[name]) for name in PORTS}
        self.boards.wire = self.lines["boards"]
        self.keeper.wire = self.field.wire = self.lines["receiver"]
        self._ttys = site.ttys if site is not None else {}
        self._held: list[int] = []
        self._asking = [asyncio.create_task(each.ask()) for each in self.handsets.values()]
        for name, tty in self._ttys.items():
            if tty.master >= 0:
                self.attach(name, tty.master)

    @property
    def read(self) -> list[str]:
        """What players read at either end of the field."""
        return [node.reads for node in self.nodes]

    def attach(self, name: str, fd: int) -> None:
        """The line of the "boards" or the "receiver" ends at the master ``fd``."""
        self.lines[name].join(fd)

    def unplug(self, name: str) -> None:
        """Pull the adapter of the "boards" or the "receiver"."""
        self.lines[name].leave()
        self._ttys[name].unplug()

    def plug(self, name: str, *, elsewhere: bool = False) -> None:
        """Put the adapter in again; ``elsewhere``: the system gives it another device."""
        tty = self._ttys[name]
        if tty.master < 0:
            if elsewhere:
                self._held += os.openpty()  # takes the number that is free
            tty.plug()
            self.attach(name, tty.master)

    def fill(self, name: str) -> None:
        """Let the port of ``name`` take nothing more."""
        if self._ttys[name].master >= 0:
            self.lines[name].fill(self._ttys[name].slave)

    def mend(self, name: str, *, elsewhere: bool = False) -> None:
        """Make the line of ``name`` whole again, whatever it suffered."""
        self.plug(name, elsewhere=elsewhere)
        self.lines[name].resume()
        self.lines[name].cut = False

    def stop(self) -> None:
        """Leave every line."""
        for task in self._asking:
            task.cancel()
        for line in self.lines.values():
            line.leave()
        for fd in self._held:
            os.close(fd)
        self._held.clear()
