"""The service, as a handset driver sees it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from drivers.base import Answer, Edge, Key, Press, Rejection


@dataclass
class Listener:
    """Notes what it is told, in order, and gives ``result``; ``acting`` is called at a press."""

    result: Answer = Answer.RUNNING
    presses: list[Press] = field(default_factory=list)
    rejections: list[Rejection] = field(default_factory=list)
    heard: list[tuple[int, int, int | None, int | None]] = field(default_factory=list)
    acting: Callable[[], None] = lambda: None

    def key_pressed(self, press: Press) -> Answer:
        self.acting()
        self.presses.append(press)
        return self.result

    def handset_heard(
        self, handset: int, at: int, battery_hours: int | None, margin_db: int | None
    ) -> None:
        self.heard.append((handset, at, battery_hours, margin_db))

    def press_rejected(self, rejection: Rejection, at: int) -> None:
        self.rejections.append(rejection)

    @property
    def edges(self) -> list[tuple[Key, Edge]]:
        return [(press.key, press.edge) for press in self.presses]

    @property
    def reasons(self) -> list[str]:
        return [rejection.reason for rejection in self.rejections]


class KeysListener(Listener):
    """Behind keys without a beacon and without tags: presses are all that may come."""

    def handset_heard(
        self, handset: int, at: int, battery_hours: int | None, margin_db: int | None
    ) -> None:
        raise AssertionError("keys without a beacon are never heard by themselves")

    def press_rejected(self, rejection: Rejection, at: int) -> None:
        raise AssertionError(f"rejected: {rejection}")


def bug() -> None:
    """For ``acting``: the service fails at a press."""
    raise ZeroDivisionError("a bug")
