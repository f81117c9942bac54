"""Bugs that somebody might make, each as small as it would be: the simulation must see every one.

They are made where the product says one thing in one place, so that each stands for a mistake that
could really be made there.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import pytest

from controller.recovery import recovery
from controller.recovery.checkpoint import Checkpointer
from controller.rules.phases import Boards, Running
from controller.rules.play_clock import PlayClock
from controller.service import board_state
from controller.service.display import Display
from controller.service.service import Service
from controller.service.watchdog import Watchdog
from drivers.board import node
from drivers.board.node import NodeBus
from drivers.handset.radio import RadioHandsets
from tests.shared import board_node

Patch = pytest.MonkeyPatch


def watchdog_fed_blindly(patch: Patch) -> None:
    """The watchdog is fed by its own timer, whatever the boards are told."""
    patch.setattr(Watchdog, "_alive", lambda _: True)


def refresh_from_a_cache(patch: Patch) -> None:
    """Something repeats the last face by itself, so that silence never comes."""
    put_up = Display.put_up

    def and_repeat(self: Display, numerals: int | None, now: int) -> None:
        put_up(self, numerals, now)
        for board in self._boards:
            loop = getattr(board, "_loop", None)
            if loop is not None and not hasattr(board, "repeats"):
                board.repeats = True  # type: ignore[attr-defined]
                _repeat(loop, board, self)

    patch.setattr(Display, "put_up", and_repeat)


def _repeat(loop: Any, board: Any, display: Display) -> None:
    board.show(display.face)
    loop.call_later(0.1, _repeat, loop, board, display)


def snapshot_after_the_frame(patch: Patch) -> None:
    """The boards are told first, and then the decision is kept."""
    carry_out = Service._carry_out

    def frame_first(self: Service, *what: Any) -> None:
        now = self._clock()
        self._display.put_up(self._numerals(now), now)
        carry_out(self, *what)

    patch.setattr(Service, "_carry_out", frame_first)


def one_silence_darkens(patch: Patch) -> None:
    """A single lost answer counts as a fault."""
    patch.setattr(board_state, "BAD_BEFORE_RIGHT", 1)


def boards_flap(patch: Patch) -> None:
    """Darkness after a silence ends by itself as often as it likes."""
    patch.setattr(board_state.Agreement, "_may_not_return", lambda self, _: self._lies)


def a_lie_is_forgiven(patch: Patch) -> None:
    """A board that showed a wrong numeral comes back by itself."""
    patch.setattr(board_state.Agreement, "_may_not_return", lambda *_: False)


def replayed_counter_accepted(patch: Patch) -> None:
    """A counter may come again."""
    take = RadioHandsets._take_frame

    def forgetful(self: RadioHandsets, body: bytes, at: int) -> None:
        peer = self._peers.get(body[1]) if len(body) > 5 else None
        if peer is not None:
            peer.last = min(peer.last, int.from_bytes(body[2:6], "big") - 1)
        take(self, body, at)

    patch.setattr(RadioHandsets, "_take_frame", forgetful)


def no_beat_check(patch: Patch) -> None:
    """A press may name any STATE, however long ago: jammed, recorded and played later."""
    patch.setattr(RadioHandsets, "_is_fresh", lambda *_: True)


def session_stays(patch: Patch) -> None:
    """Each opening of the receiver uses the same session."""
    begin = RadioHandsets._begin_session

    def again(self: RadioHandsets) -> None:
        begin(self)
        self._session = bytes(8)

    patch.setattr(RadioHandsets, "_begin_session", again)


def only_the_faulty_board_dark(patch: Patch) -> None:
    """A board in fault is darkened by its mask; the other stays lit."""

    def lit(self: board_state.BoardState) -> bool:
        return self._play_clock.boards is Boards.LIT

    patch.setattr(board_state.BoardState, "lit", property(lit))


def node_never_silent(patch: Patch) -> None:
    """A board keeps what it was told last for ever."""
    patch.setattr(board_node.Node, "settle", lambda *_: None)


def rows_dropped_at_restart(patch: Patch) -> None:
    """What had not reached the disk when the service died is not journalled again."""
    begun = recovery.plan_restart

    def without_rows(*args: Any, **kwargs: Any) -> recovery.RestartPlan:
        return replace(begun(*args, **kwargs), rows=())

    patch.setattr(recovery, "plan_restart", without_rows)


def power_cut_unnoticed(patch: Patch) -> None:
    """No marker tells a power cut from a fresh start, so the next number lights the boards."""
    patch.setattr(recovery.Recovery, "begin", lambda _: None)


def crash_loop_lit(patch: Patch) -> None:
    """However often it dies, it comes up lit."""
    patch.setattr(recovery, "CRASHES", 1_000)


def backlog_after_a_stall(patch: Patch) -> None:
    """All frames go into the port, which sends them in a burst when it comes back to life."""
    patch.setattr(NodeBus, "_free", lambda self, *_: self._query is None and not self._rest)
    patch.setattr(node, "DRAIN_TIMEOUT_NS", 1 << 60)


def undo_without_the_time_since(patch: Patch) -> None:
    """Undo gives a running count back as it stood when it was taken."""
    undo = PlayClock._undo

    def as_it_stood(self: PlayClock, order: Any) -> Any:
        last = self.state.last
        outcome = undo(self, order)
        phase = self.state.down.phase
        if isinstance(phase, Running) and last is not None:
            later = phase.expires_at + order.at - last.at
            self._set_down(self.state.down._replace(phase=replace(phase, expires_at=later)))
        return outcome

    patch.setattr(PlayClock, "_undo", as_it_stood)


def order_not_carried(patch: Patch) -> None:
    """An order is in no snapshot yet when its frame leaves."""
    patch.setattr(Checkpointer, "keep_order", lambda *_: None)


@dataclass(frozen=True)
class Bug:
    """``within`` so many games the simulation must see it; only faults of ``kinds`` are drawn, all
    of them when it is empty."""

    make: Callable[[Patch], None]
    within: int
    kinds: tuple[str, ...] = ()

    @property
    def name(self) -> str:
        return self.make.__name__


BUGS = (
    Bug(watchdog_fed_blindly, 2, ("hung",)),
    Bug(refresh_from_a_cache, 2, ("hung",)),
    Bug(snapshot_after_the_frame, 8),
    Bug(one_silence_darkens, 2, ("answer lost",)),
    Bug(boards_flap, 3, ("board flaps",)),
    Bug(a_lie_is_forgiven, 8),
    Bug(replayed_counter_accepted, 1),
    Bug(no_beat_check, 2, ("jammed",)),
    Bug(session_stays, 1),
    Bug(only_the_faulty_board_dark, 2),
    Bug(node_never_silent, 2),
    Bug(rows_dropped_at_restart, 8),
    Bug(power_cut_unnoticed, 2, ("power cut",)),
    Bug(crash_loop_lit, 2, ("killed again and again",)),
    Bug(backlog_after_a_stall, 8),
    Bug(undo_without_the_time_since, 2),
    Bug(order_not_carried, 8),
)
