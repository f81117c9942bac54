"""The mutants that no test kills, each with the reason why that is right."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Final


@dataclass(frozen=True, slots=True)
class Survivor:
    """``kind``: ``equivalent`` (nothing can tell it from the code) or ``accepted``."""

    mutant: str
    kind: str
    reason: str


def read_survivors() -> dict[str, Survivor]:
    """The list of ``survivors.toml``: a reason stands once, over the mutants it is true of."""
    document = tomllib.loads(Path(__file__).with_suffix(".toml").read_text("utf-8"))
    return {
        mutant: Survivor(mutant, group["kind"], group["reason"])
        for group in document["group"]
        for mutant in group["mutants"]
    }


SURVIVORS: Final = read_survivors()
