"""Acts that may take seconds inside the kernel, done beside the event loop."""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import Generic, TypeVar

T = TypeVar("T")


class BackgroundCall(Generic[T]):
    """``act``, begun at once in a thread of its own.

    A process that ends waits for it if it is ``needed``.
    """

    def __init__(self, act: Callable[[], T], name: str, *, needed: bool = False) -> None:
        self._act = act
        self._results: list[T] = []
        self._error: BaseException | None = None
        self._thread = threading.Thread(target=self._run, name=name, daemon=not needed)
        self._thread.start()

    def done(self, patience_s: float) -> bool:
        """True when it has ended; waits for that, but no longer than ``patience_s``."""
        self._thread.join(patience_s)
        return not self._thread.is_alive()

    def result(self) -> T:
        """What the act gave, once it is done. Raises what it raised."""
        if self._error is not None:
            raise self._error
        return self._results[0]

    def _run(self) -> None:
        try:
            self._results.append(self._act())
        except BaseException as error:  # whoever asks for the result gets it
            self._error = error
