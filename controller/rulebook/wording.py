"""Rulings as readers are given them."""

from __future__ import annotations

from controller.rules.rulings import Ruling


def as_data(ruling: Ruling) -> dict[str, object]:
    """A ruling for machines; what does not apply is left out."""
    answer: dict[str, object] = {
        "seconds": ruling.seconds,
        "starts_on": ruling.starts_on.value,
        "citation": ruling.citation,
        "read_as": ruling.read_as,
    }
    if ruling.unsettled:
        answer["unsettled"] = ruling.unsettled
    if ruling.override:
        answer["local_adoption"] = ruling.override
    return answer
