"""The service, as a driver of plain keys sees it."""

from __future__ import annotations

from drivers.base import Edge, Key, Press, Rejection, Result


class Presses:
    """Notes every press; the next one raises ``error`` if there is one."""

    def __init__(self) -> None:
        self.came: list[Press] = []
        self.error: Exception | None = None

    @property
    def edges(self) -> list[tuple[Key, Edge]]:
        return [(press.key, press.edge) for press in self.came]

    def key_pressed(self, press: Press) -> Result:
        if self.error is not None:
            raise self.error
        self.came.append(press)
        return Result.RUNNING

    def handset_heard(self, handset: int, at: int, battery_hours: int | None) -> None:
        raise AssertionError("keys without a beacon are never heard by themselves")

    def press_rejected(self, rejection: Rejection, at: int) -> None:
        raise AssertionError(f"rejected: {rejection}")
