"""How the handsets stand: heard, waited for, silent, or behind a port in fault."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from controller.service.crew import CrewMember
from controller.service.handset_presence import Presence
from controller.status.document import HandsetHealth
from drivers.base import Handset


class HandsetState:
    """What is known of each handset of the ``crew``; ``presence`` knows when it was heard."""

    def __init__(
        self, crew: Mapping[int, CrewMember], handsets: Sequence[Handset], presence: Presence
    ) -> None:
        self._crew, self._handsets, self._presence = crew, handsets, presence
        self._faults: dict[str, str] = {}
        self._told: dict[int, tuple[int | None, int | None]] = {}

    def told(self, number: int, battery_hours: int | None, margin_db: int | None) -> None:
        """A handset says for how many hours its battery will last and by how many dB it hears us
        above the weakest that its radio takes; None where it does not know."""
        self._told[number] = battery_hours, margin_db

    def port(self, driver: str, fault: str) -> None:
        """The device of a driver of handsets has a fault, or "" when it is open again."""
        self._faults[driver] = fault

    def health(self, now: int) -> tuple[HandsetHealth, ...]:
        """What is known of each handset, in the order of their numbers."""
        return tuple(self._health(number, now) for number in sorted(self._crew))

    def _health(self, number: int, now: int) -> HandsetHealth:
        member, reports = self._crew[number], self._presence.watches(number)
        silent = reports and self._presence.silent(number, now)
        heard_s = self._presence.heard_s(number, now) if reports else None
        fault = "; ".join(
            said
            for each in self._handsets
            if number in each.serves and (said := self._faults.get(each.name, ""))
        )
        battery_hours, margin_db = self._told.get(number, (None, None))
        state = "waiting"
        if fault:
            state = "port fault"
        elif silent:
            state = "silent"
        elif heard_s is not None or number == 0:
            state = "heard"
        return HandsetHealth(
            member.name,
            member.role.value,
            state,
            heard_s,
            battery_hours,
            fault,
            number,
            reports,
            silent,
            margin_db,
        )


def unheard(handsets: Iterable[HandsetHealth]) -> list[str]:
    """In plain words, who has not been heard for too long."""
    return [f"{each.name}: {_unheard(each.heard_s)}" for each in handsets if each.silent]


def _unheard(heard_s: int | None) -> str:
    return "not heard yet" if heard_s is None else f"not heard for {heard_s} s"
