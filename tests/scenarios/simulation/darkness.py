"""Agree or be dark: whether the service obeyed its own rules about boards that answer badly.

From what went over the wire, with the rules as ``README.md`` tells them: two wrong answers, or
three bad ones, without a right one between them, darken both at once; a board that only was silent
may come back by itself within 3 s, twice in ten minutes; one that lied may not.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import pairwise

from tests.scenarios.simulation.kinds import KINDS, OF_THE_PROCESS, WATCHDOG
from tests.scenarios.simulation.machine import Machine
from tests.scenarios.simulation.nodes import DARK, Asked, Pair
from tests.scenarios.simulation.truth import Step, Truth
from tests.scenarios.simulation.world import MS, S, Span

KNOWN_NS = 200 * MS
"""From the third bad answer to a dark SHOW: the window of the answer, and a refresh."""
RETURN_NS, RETURNS, RETURNS_WINDOW_NS = 3_150 * MS, 2, 600 * S
NOBODY_NS = 30 * S
SLOWEST_NS = 900 * MS
"""The most by which a slow loop wakes too late."""

Problem = tuple[int, str]


class Darkness:
    """Looks at one game after its end."""

    def __init__(self, machine: Machine, truth: Truth, pair: Pair, spans: Sequence[Span]) -> None:
        self._machine, self._truth, self._pair = machine, truth, pair
        self._spans = spans

    def problems(self) -> Iterator[Problem]:
        for node in self._pair.nodes:
            yield from self._obeyed(node.number)
        yield from self._returns()
        yield from self._off_with_cause()
        yield from self._starved_with_cause()

    def _obeyed(self, number: int) -> Iterator[Problem]:
        bad = wrong = 0
        before_at = 0
        for asked in (each for each in self._pair.asked if each.node == number):
            if self._anew(before_at, asked.at):
                bad = wrong = 0
            before_at = asked.at
            if asked.word == "right":
                bad = wrong = 0
                continue
            bad += 1
            wrong += asked.word == "wrong"
            if wrong >= 2 or bad >= 3:
                yield from self._dark_after(asked, lies=wrong >= 2)

    def _dark_after(self, asked: Asked, *, lies: bool) -> Iterator[Problem]:
        """The wire must be dark by now; the boards off if one lied."""
        at = asked.at + KNOWN_NS
        if self._disturbed(asked.at - S, at) or self._anew(asked.at, at):
            return
        told = [each for each in self._pair.told if each.at <= at]
        since = {each.ordered for each in told if each.at > asked.at} | {told[-1].ordered}
        step = [each for each in self._truth.steps if each.at <= at][-1]
        if DARK not in since and not self._relit(asked.at - S, at):
            yield at, f"node {asked.node} answers badly and the boards are told {since}"
        elif lies and not step.off and not self._relit(asked.at - S, at):
            yield at, f"node {asked.node} lied and the boards are not off"

    def _slow(self, at: int) -> bool:
        return any(
            each.kind == "slow loop" and each.from_at <= at <= each.to_at + S
            for each in self._spans
        )

    def _returns(self) -> Iterator[Problem]:
        """Darkness by a fault that ended by itself: not too long, not too often."""
        since_at: list[int] = []
        for dark, lit in pairwise(self._pair.told):
            if dark.ordered != DARK or lit.ordered == DARK:
                continue
            if not all(_lit(step) for step in self._steps(dark.at, lit.at)):
                continue
            if self._anew(dark.at - 300 * MS, lit.at):
                since_at.clear()
                continue
            if self._relit(dark.at - S, lit.at):
                since_at.clear()
            # The frame may wait for an answer that a slow loop reads late.
            late_ns = SLOWEST_NS if self._slow(lit.at) else 0
            if lit.at - dark.at > RETURN_NS + late_ns:
                yield lit.at, f"boards back by themselves after {(lit.at - dark.at) / S:.1f} s"
            fresh_at = [*self._truth.toggles, *self._machine.starts]
            last_at = max((at for at in fresh_at if at <= dark.at), default=0)
            since_at = [at for at in since_at if at > last_at]
            if len(since_at) >= RETURNS and dark.at - since_at[-RETURNS] < RETURNS_WINDOW_NS - S:
                yield lit.at, "boards back by themselves for the third time in ten minutes"
            since_at.append(lit.at)

    def _off_with_cause(self) -> Iterator[Problem]:
        """The service may put the boards off after a fault, or when nobody is there."""
        for at, why, heard_at, starting in self._machine.self_offs:
            nobody = "no handset" in why and at - heard_at >= NOBODY_NS
            if starting and not self._dark_before(at):
                yield at, f"boards come up off, and were lit when the service died: {why}"
            elif not nobody and not self._may_darken(at):
                yield at, f"boards put off without a cause: {why}"

    def _dark_before(self, at: int) -> bool:
        """They had been told to be dark, or could not be told anything."""
        told = [each.ordered for each in self._pair.told if each.at < at]
        return not told or told[-1] == DARK or self._port_lost(at - 5 * S, at)

    def _starved_with_cause(self) -> Iterator[Problem]:
        for at in self._machine.starved:
            hung = any(
                s.kind in ("hung", "slow loop") and s.from_at <= at <= s.to_at + 3 * S
                for s in self._spans
            )
            if not hung:
                yield at, "the watchdog was not fed, for no reason"

    # What there was at the time

    def _steps(self, from_at: int, to_at: int) -> list[Step]:
        steps = self._truth.steps
        before = [step for step in steps if step.at <= from_at][-1:]
        return before + [step for step in steps if from_at < step.at <= to_at]

    def _anew(self, from_at: int, to_at: int) -> bool:
        """A service started in between, or its driver did: it remembers no answers."""
        if any(from_at <= at <= to_at for at in self._machine.starts):
            return True
        return self._port_lost(from_at - 3 * S, to_at)

    def _port_lost(self, from_at: int, to_at: int) -> bool:
        return any(
            span.kind.startswith("boards port") and span.from_at <= to_at and span.to_at >= from_at
            for span in self._spans
        )

    def _relit(self, from_at: int, to_at: int) -> bool:
        return any(from_at <= at <= to_at for at in self._truth.toggles)

    def _disturbed(self, from_at: int, to_at: int) -> bool:
        """What the service could know then is not what the world knew."""
        return any(
            _hides(span.kind) and span.from_at <= to_at and span.to_at + S >= from_at
            for span in self._spans
        )

    def _may_darken(self, at: int) -> bool:
        """A fault that darkens boards is there, or was until a moment ago."""
        for span in self._spans:
            settles_s = KINDS.get(span.kind, WATCHDOG).settles_s
            if settles_s and span.from_at <= at <= span.to_at + int((settles_s + 0.5) * S):
                return True
        return False


def _hides(kind: str) -> bool:
    return (
        kind not in KINDS
        or kind in OF_THE_PROCESS
        or kind in ("slow loop", "hung")
        or "port" in kind
    )


def _lit(step: Step) -> bool:
    return not step.off and step.numeral is not None
