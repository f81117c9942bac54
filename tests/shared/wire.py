"""What the models of boards and handsets hang on: any wire, any clock."""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol

Clock = Callable[[], int]
"""The present instant, in nanoseconds."""


class Wire(Protocol):
    """What a counterpart of the service writes to."""

    def send(self, data: bytes) -> None: ...
