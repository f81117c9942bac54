"""Has every moment of the service kept before anything of it is shown."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Protocol

from controller.recorder import Recorder
from controller.rules.play_clock import State
from controller.snapshot_text import Moment
from drivers.base import Acknowledgement

RENEWED_NS = 1_000_000_000
"""A moment is kept anew so often even if nothing happens: it tells how long an outage was."""


class Keeping(Protocol):
    """Where moments are kept: :class:`controller.continuity.Continuity`."""

    @property
    def fault(self) -> str: ...

    def save(self, moment: Moment) -> bool: ...


class Keeper:
    """Puts the moments together. ``counters`` gives the handsets' own counters; ``keeping`` None
    keeps nothing."""

    def __init__(
        self,
        keeping: Keeping | None = None,
        counters: Callable[[], Mapping[int, int]] = dict,
        acknowledged: Acknowledgement | None = None,
    ) -> None:
        self._keeping = keeping
        self._counters = counters
        self.acknowledged = acknowledged
        self.due_at = 0
        """When a moment is wanted next even if nothing happens."""
        self.off_why = self.dark_why = ""

    @property
    def fault(self) -> str:
        """Why nothing can be kept, in plain words; empty while all is well."""
        return "" if self._keeping is None else self._keeping.fault

    def keep(self, state: State, recorder: Recorder, now: int, *, in_order: bool = False) -> bool:
        """Keep this moment. True when that has begun to fail: news for the crew."""
        self.due_at = now + RENEWED_NS
        if self._keeping is None:
            recorder.fresh = False
            return False
        was_well = not self._keeping.fault
        numbers = recorder.numbers
        saved = self._keeping.save(
            Moment(
                saved_at=now,
                in_order=in_order,
                game=numbers.game,
                event_number=numbers.event,
                numbered=numbers.settled,
                state=state,
                off_why=self.off_why,
                dark_why=self.dark_why,
                counters=self._counters(),
                acknowledged=self.acknowledged,
                rows=recorder.kept,
                rows_left_out=recorder.left_out,
            )
        )
        return was_well and not saved
