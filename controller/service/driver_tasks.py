"""Has the drivers of a service run under their supervisors, and notes what they cannot do."""

from __future__ import annotations

from collections.abc import Coroutine
from typing import TYPE_CHECKING, Any

from controller.service.supervisor import supervise

if TYPE_CHECKING:
    from controller.service.service import Service
    from drivers.base import Board, Handset

CANNOT_ANSWER = "sent only: it cannot say what it shows"
OPEN_TO_ALL = "unauthenticated input: anyone could press its keys"


def driver_tasks(service: Service) -> list[Coroutine[Any, Any, None]]:
    """One coroutine for each driver: to be run until the service ends."""
    return [
        *(_drive(service, each) for each in service.boards),
        *(_listen(service, each) for each in service.handsets),
    ]


def note_weaknesses(service: Service, now: int) -> None:
    """Write down which boards can never be called right, and which keys anyone could press."""
    for board in service.boards:
        for name in [each for each in board.boards if each not in board.answering]:
            service.recorder.note("note", now, name, detail=CANNOT_ANSWER)
    for device in [each.name for each in service.handsets if not each.authenticated]:
        service.recorder.note("note", now, device, detail=OPEN_TO_ALL)


async def _drive(service: Service, board: Board) -> None:
    await supervise(
        lambda: board.run(service),
        service.now,
        lambda: board.show(service.display.face),
        lambda fault: service.board_fault(board, fault),
    )


async def _listen(service: Service, handset: Handset) -> None:
    await supervise(
        lambda: handset.run(service),
        service.now,
        lambda: service.tell(service.now()),
        lambda fault: service.handset_fault(handset, fault),
    )
