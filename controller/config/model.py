"""What a configuration holds. :mod:`controller.config.load` reads it from a file."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal, get_args

from controller.rules.settings import Settings
from drivers.board.kinds import BoardConfig
from drivers.handset.kinds import HandsetDevice

Role = Literal["keeper", "field", "shadow"]
StartsOn = Literal["dead_ball", "ready_for_play", "referee_signal"]
ROLES: tuple[Role, ...] = get_args(Role)
STARTS_ON: tuple[StartsOn, ...] = get_args(StartsOn)


@dataclass(frozen=True, slots=True)
class HandsetConfig(HandsetDevice):
    """One handset, and its role in the crew."""

    role: Role = field(kw_only=True)


@dataclass(frozen=True, slots=True)
class ConsoleConfig:
    """The keys of the console."""

    enabled: bool
    role: Role


@dataclass(frozen=True, slots=True)
class Override:
    """A ruling that a league or state adopted in place of the rule set's.

    ``citation`` says who adopted it.
    """

    ending: str
    seconds: int
    starts_on: StartsOn
    citation: str


@dataclass(frozen=True, slots=True)
class Config:
    """A whole configuration. ``source`` names the file; ``brightness`` is 1-15."""

    source: str
    rules: str
    season: int | None
    state_folder: Path
    runtime_folder: Path
    journal: Path
    controller_id: int | None
    brightness: int
    allow_unauthenticated: bool
    key_file: Path | None
    play_clock: Settings
    boards: tuple[BoardConfig, ...]
    handsets: tuple[HandsetConfig, ...]
    console: ConsoleConfig
    overrides: tuple[Override, ...]
    options: tuple[tuple[str, str], ...] = ()
    """Published values chosen in place of the rule set's own: name and value."""
