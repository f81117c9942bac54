"""The drivers of handsets that a configuration may name, and a handset as its driver sees it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from drivers.base import Handset
from drivers.handset.layouts import Layout
from drivers.kind import PIN_CURES, Cures, DeviceTable, DriverKind, Site, TableReader

RECEIVER_BAUDS = (38400, 57600, 115200)
"""Rates of a radio receiver's serial side, which has no 16 MHz clock to divide."""


@dataclass(frozen=True, slots=True)
class HandsetDevice:
    """One handset. ``port`` is None for a driver without one; ``baud`` in bits per second;
    ``details`` is what its driver's own table says."""

    driver: str
    id: int
    layout: Layout
    port: str | None = None
    baud: int = 38400
    details: DeviceTable | None = None


@dataclass(frozen=True, kw_only=True)
class HandsetKind(DriverKind):
    """A driver of handsets.

    ``needs_key`` if handsets have keys in the key file; ``authenticated`` is false when anyone
    could press the keys behind it.
    """

    folder = "drivers.handset"
    bauds: tuple[int, ...] = RECEIVER_BAUDS
    baud: int = 38400
    needs_key: bool = False
    authenticated: bool = True

    def read(self, table: TableReader, layout: Layout) -> DeviceTable | None:
        """What the driver's own table says; None when something is wrong with it."""
        details: DeviceTable | None = self.module.read_table(table, layout)
        return details

    def build(self, handsets: Sequence[HandsetDevice], site: Site) -> Handset:
        """The driver of ``handsets``, which hang on one port."""
        handset: Handset = self.module.build(handsets, site)
        return handset


HANDSET_KINDS = (
    HandsetKind(name="radio", needs_port=True, needs_key=True, shared=True),
    HandsetKind(name="gpio", has_table=True, authenticated=False, cures=PIN_CURES),
    HandsetKind(
        name="input_event",
        needs_port=True,
        has_table=True,
        authenticated=False,
        cures=Cures(
            missing="plug the adapter in, or mend its name in the configuration "
            "(ls /dev/input/by-id)",
            forbidden="put playclock-keys.conf beside the unit (its group)",
        ),
    ),
    HandsetKind(name="simulated", shared=True, stands_in=True),
)
"""In the order in which messages list them; a file that names none is read as for the first."""
