"""Has the drivers of a service run under their supervisors."""

from __future__ import annotations

from collections.abc import Coroutine
from typing import TYPE_CHECKING, Any

from controller.supervisor import supervise

if TYPE_CHECKING:
    from controller.service import Service
    from drivers.base import Board, Handset


def driving(service: Service) -> list[Coroutine[Any, Any, None]]:
    """One coroutine for each driver: to be run until the service ends."""
    return [
        *(_drive(service, each) for each in service.boards),
        *(_listen(service, each) for each in service.handsets),
    ]


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
