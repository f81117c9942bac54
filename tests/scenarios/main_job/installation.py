"""One installation on real ptys: ports, key file, configuration, and what hangs on the ports."""

from __future__ import annotations

import os
import tty
from pathlib import Path

from controller.journal.reader import JournalReader
from controller.journal.row import Row
from tests.scenarios.main_job.board_ends import Boards, Node
from tests.scenarios.main_job.flight import Flight
from tests.scenarios.main_job.handset_ends import Air, HandsetEnd
from tests.scenarios.main_job.wire import Clock, MasterEnd

CONTROLLER_ID = 0x1A2B
KEEPER, FIELD = 1, 2
DOWNLINK = bytes(range(0xF0, 0x100))
UPLINKS = {KEEPER: bytes(range(16)), FIELD: bytes(range(16, 32))}

CONFIG = """\
# Fairview Field: two boards on one pair, a keeper in the press box, the back judge on the field.
rules = "nfhs"
controller_id = {controller_id}
state_folder = "{folder}/state"
runtime_folder = "{folder}/run"
key_file = "{folder}/handsets.keys"

[[boards]]
name = "north"
driver = "node"
port = "{folder}/boards"
node = 1

[[boards]]
name = "south"
driver = "node"
port = "{folder}/boards"
node = 2

[[handsets]]
driver = "radio"
id = 1
role = "keeper"
layout = "twelve"
port = "{folder}/receiver"

[[handsets]]
driver = "radio"
id = 2
role = "field"
layout = "four"
port = "{folder}/receiver"
"""


class Tty:
    """A pty behind a lasting name, as udev gives one to an adapter."""

    def __init__(self, link: Path) -> None:
        self.link = link
        self.master = self._slave = -1
        self.plug()

    def plug(self) -> None:
        """Put the adapter in: a new device behind the old name."""
        self.master, self._slave = os.openpty()
        tty.setraw(self._slave)  # until the service has opened it, nothing shall be echoed
        self.link.symlink_to(os.ttyname(self._slave))

    def unplug(self) -> None:
        """Pull the adapter out: name and device are gone."""
        if self.master >= 0:
            self.link.unlink()
            os.close(self.master)
            os.close(self._slave)
            self.master = -1


class Site:
    """Folder, devices and files of one installation. Use it in a ``with`` statement."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.config = folder / "playclock.toml"
        self.journal = folder / "state" / "journal.sqlite3"
        self.ttys = {name: Tty(folder / name) for name in ("boards", "receiver")}
        self.config.write_text(CONFIG.format(folder=folder, controller_id=CONTROLLER_ID))
        lines = [f'downlink = "{DOWNLINK.hex()}"']
        lines += [f'[handset.{n}]\nuplink = "{key.hex()}"' for n, key in UPLINKS.items()]
        keys = folder / "handsets.keys"
        keys.touch(0o600)
        keys.write_text("\n".join(lines) + "\n")

    def __enter__(self) -> Site:
        return self

    def __exit__(self, *_: object) -> None:
        for each in self.ttys.values():
            each.unplug()

    def rows(self) -> list[Row]:
        """The journal's rows, after its chain was found whole."""
        with JournalReader(self.journal) as reader:
            assert reader.verify().problem == ""
            return [entry.row for entry in reader.entries()]


class Ends:
    """The counterparts of one site: two nodes and two handsets."""

    def __init__(self, clock: Clock) -> None:
        self.nodes = [Node(1, clock), Node(2, clock)]
        self.boards = Boards(self.nodes, clock)
        self.keeper = HandsetEnd(KEEPER, UPLINKS[KEEPER], DOWNLINK, clock)
        self.field = HandsetEnd(FIELD, UPLINKS[FIELD], DOWNLINK, clock)
        self.handsets = {KEEPER: self.keeper, FIELD: self.field}
        self.air = Air([self.keeper, self.field], clock)
        self._masters: dict[str, MasterEnd] = {}

    def attach(self, name: str, fd: int, flight: Flight | None = None) -> None:
        """The pair's wires, or the receiver's radio, end at the master ``fd``."""
        received = self.boards.received if name == "boards" else self.air.received
        if flight is None:
            wire = MasterEnd(fd, received)
        else:
            lane = flight.lane(name)
            lane.master = fd
            wire = MasterEnd(fd, received, lane.to_service, lane.at_master)
        self._masters[name] = wire
        if name == "boards":
            self.boards.wire = wire
        else:
            self.keeper.wire = self.field.wire = wire

    def detach(self, name: str) -> None:
        """Stop to read the master of ``name``; what is written to it vanishes."""
        self._masters.pop(name).close()

    def stop(self) -> None:
        """Stop reading and every node's timer."""
        for name in list(self._masters):
            self.detach(name)
        for node in self.nodes:
            node.stop()

    @property
    def read(self) -> list[str]:
        """What players read at either end of the field."""
        return [node.reads for node in self.nodes]
