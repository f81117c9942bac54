"""Every parser that reads bytes, files or command lines from outside, as a fuzz target."""

from __future__ import annotations

from tests.fuzz import (
    board_receivers,
    command_lines,
    frames,
    handset_receivers,
    keyboards,
    snapshots,
    tables,
)
from tests.fuzz.guided import Target

TARGETS: tuple[Target, ...] = (
    *frames.TARGETS,
    *board_receivers.TARGETS,
    *handset_receivers.TARGETS,
    *tables.TARGETS,
    *snapshots.TARGETS,
    *command_lines.TARGETS,
    *keyboards.TARGETS,
)
