"""What each phase shows, and its name."""

from __future__ import annotations

import pytest

from controller.rules.phases import (
    PHASES,
    Expired,
    Idle,
    Live,
    Phase,
    Running,
    Set,
    StartedBy,
    Stopped,
    name,
    shown,
)
from tests.controller.rules.crew import S

EACH: list[tuple[Phase, str, int | None, int | None]] = [
    (Idle(), "IDLE", None, None),
    (Set(25), "SET", 25, 25),
    (Running(40, 0, 40 * S, StartedBy.READY), "RUNNING", 40, 39),
    (Live(40, 0), "LIVE", 40, 40),
    (Stopped(40, 17 * S + 1), "STOPPED", 18, 18),
    (Stopped(40, 0), "STOPPED", 0, 0),
    (Expired(), "EXPIRED", 0, 0),
]


@pytest.mark.parametrize(("phase", "word", "first", "later"), EACH)
def test_name_and_numerals(phase: Phase, word: str, first: int | None, later: int | None) -> None:
    assert (name(phase), shown(phase, 0), shown(phase, S)) == (word, first, later)


def test_every_phase_is_listed_once() -> None:
    assert {type(phase) for phase, *_ in EACH} == set(PHASES)
    assert len(PHASES) == 6
