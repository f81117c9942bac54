"""The service with its snapshot taken after the boards' frame, as if nobody had thought of a death
in between: ``python -m tests.scenarios.crash.careless``."""

from __future__ import annotations

import sys

from controller.cli import main
from controller.recovery.checkpoint import Checkpointer


def keep_nothing_before_the_frame(*_: object) -> None:
    """In place of :meth:`Checkpointer.keep_order`; the end of the turn keeps everything as ever."""


if __name__ == "__main__":
    Checkpointer.keep_order = keep_nothing_before_the_frame  # type: ignore[assignment]
    sys.exit(main())
