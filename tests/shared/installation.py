"""One installation on real ptys: ports, key file and configuration."""

from __future__ import annotations

import os
import tty
from collections.abc import Mapping
from pathlib import Path

from controller.journal.reader import JournalReader
from controller.journal.row import Row

CONTROLLER_ID = 0x1A2B
KEEPER, FIELD = 1, 2
BOARDS = {1: "north", 2: "south"}
BROADCAST_KEY = bytes(range(0xF0, 0x100))
HANDSET_KEYS = {KEEPER: bytes(range(16)), FIELD: bytes(range(16, 32))}
ROLES = {KEEPER: ("keeper", "twelve"), FIELD: ("field", "four")}
PORTS = ("boards", "receiver")


def configuration(
    ports: Mapping[str, str | Path],
    *,
    state: str | Path,
    run: str | Path,
    keys: str | Path,
    handsets: tuple[int, ...] = (KEEPER, FIELD),
) -> str:
    """Fairview Field: two boards on one pair, a keeper in the press box, the back judge on the
    field."""
    lines = [
        'rules = "nfhs"',
        f"controller_id = {CONTROLLER_ID}",
        f'state_folder = "{state}"',
        f'runtime_folder = "{run}"',
        f'key_file = "{keys}"',
    ]
    for number, name in BOARDS.items():
        lines += ["[[boards]]", f'name = "{name}"', 'driver = "node"', f"node = {number}"]
        lines += [f'port = "{ports["boards"]}"']
    for number in handsets:
        role, layout = ROLES[number]
        lines += ["[[handsets]]", 'driver = "radio"', f"id = {number}", f'role = "{role}"']
        lines += [f'layout = "{layout}"', f'port = "{ports["receiver"]}"']
    return "\n".join([*lines, ""])


def key_file(handsets: tuple[int, ...] = (KEEPER, FIELD)) -> str:
    """The keys of these handsets, as ``playclock pair`` writes them."""
    lines = [f'broadcast_key = "{BROADCAST_KEY.hex()}"']
    lines += [
        f'[handset.{number}]\nhandset_key = "{HANDSET_KEYS[number].hex()}"' for number in handsets
    ]
    return "\n".join([*lines, ""])


class Tty:
    """A pty behind a lasting name, as udev gives one to an adapter."""

    def __init__(self, link: Path) -> None:
        self.link = link
        self.master = self.slave = -1
        self.plug()

    def plug(self) -> None:
        """Put the adapter in: a new device behind the old name."""
        self.master, self.slave = os.openpty()
        tty.setraw(self.slave)  # until the service has opened it, nothing shall be echoed
        self.link.symlink_to(os.ttyname(self.slave))

    def unplug(self) -> None:
        """Pull the adapter out: name and device are gone."""
        if self.master >= 0:
            self.link.unlink()
            os.close(self.master)
            os.close(self.slave)
            self.master = -1


class Site:
    """Folder, devices and files of one installation. Use it in a ``with`` statement."""

    def __init__(self, folder: Path, handsets: tuple[int, ...] = (KEEPER, FIELD)) -> None:
        self.folder = folder
        self.handsets = handsets
        self.config = folder / "playclock.toml"
        self.journal = folder / "state" / "journal.sqlite3"
        self.ttys = {name: Tty(folder / name) for name in PORTS}
        links = {name: each.link for name, each in self.ttys.items()}
        keys = folder / "handsets.keys"
        text = configuration(
            links, state=folder / "state", run=folder / "run", keys=keys, handsets=handsets
        )
        self.config.write_text(text)
        keys.touch(0o600)
        keys.write_text(key_file(handsets))

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
