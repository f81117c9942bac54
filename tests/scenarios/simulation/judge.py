"""The verdict over a game: what each board showed, against what was true, over every instant;
whether the boards were dark when they had to be; and what the journal holds.
"""

from __future__ import annotations

import re
from bisect import bisect_right
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from itertools import accumulate, pairwise
from operator import attrgetter
from pathlib import Path

from controller.journal.reader import JournalReader
from controller.journal.row import Row
from tests.scenarios.simulation.computer import Computer
from tests.scenarios.simulation.faults import (
    KINDS,
    OF_A_BOARD,
    OF_THE_PROCESS,
    WATCHDOG,
    FaultKind,
)
from tests.scenarios.simulation.pair import Asked, Pair
from tests.scenarios.simulation.schedule import Span
from tests.scenarios.simulation.truth import InstallationTruth, OwedRow
from tests.shared.board_node import DARK, SILENCE_NS, Face, Node
from tests.shared.frames import MS_NS, S_NS
from tests.shared.truth import Step, spells

WELL_NS = 30 * MS_NS
"""With a well link a change is on the lamps within this: one reply window (20 ms) or a frame under
way before its own 4 ms, and the loop's turn."""
STALE_NS = SILENCE_NS + WELL_NS
"""The longest that a wrong numeral may stand whatever happens: the silence rule."""
DISAGREE_NS = 1_900 * MS_NS
"""Until a board that shows something else has darkened the other: its next question at most 1.4 s
after the last, twice asked again at 0.1 s, and a reply window each; and the silence rule."""
LAGS_NS = {
    "slow loop": 180 * MS_NS,
    "boards port stalled": 330 * MS_NS,
    "boards port full": 330 * MS_NS,
}
"""How old a number may be when it leaves: a frame that waited while the loop slept is out of date
after 150 ms, and a port that does not drain is given up after 300 ms; with :data:`WELL_NS`."""
REOPENED_NS = 2_200 * MS_NS
"""The longest pause before a lost port is tried again."""
WELL = "no fault"

Problem = tuple[int, str]
"""When, and what was wrong."""


@dataclass
class Verdict:
    """``problems`` is empty for a game without fault of the product. Seconds by class of fault."""

    problems: list[Problem] = field(default_factory=list)
    wrong_s: defaultdict[str, float] = field(default_factory=lambda: defaultdict(float))
    dark_s: defaultdict[str, float] = field(default_factory=lambda: defaultdict(float))
    longest: defaultdict[str, int] = field(default_factory=lambda: defaultdict(int))
    """The longest spells, in ns."""


SETTLED_NS = int(max(kind.settles_s for kind in KINDS.values()) * S_NS)
"""So long after its end no fault darkens a board any more."""
_AT = attrgetter("at")


class Spans:
    """The faults of a game in the order in which they began."""

    def __init__(self, spans: Iterable[Span]) -> None:
        self._spans = sorted(spans, key=attrgetter("from_at"))
        self._begins = [span.from_at for span in self._spans]
        self._ended = list(accumulate((span.to_at for span in self._spans), max))
        """When all had ended, of those that had begun with each."""

    def near(self, from_at: int, to_at: int, after_ns: int = 0) -> list[Span]:
        """Those that were there between the two, or until ``after_ns`` before."""
        end = begin = bisect_right(self._begins, to_at)
        while begin and self._ended[begin - 1] + after_ns >= from_at:
            begin -= 1
        return [span for span in self._spans[begin:end] if span.to_at + after_ns >= from_at]


class LampsJudge:
    """Looks at one game after its end. All instants are the world's; at ``starts`` the service
    began anew to ask its boards."""

    def __init__(
        self,
        truth: InstallationTruth,
        pair: Pair,
        spans: Spans,
        starts: Sequence[int],
        end_at: int,
    ) -> None:
        self.verdict = Verdict()
        self._truth, self._pair, self._end_at = truth, pair, end_at
        self._starts = starts
        self._spans = spans

    def judge(self) -> Verdict:
        for node in self._pair.nodes:
            self._wrong(node)
            self._dark(node)
        self._differ(*self._pair.nodes)
        self._told_truly()
        return self.verdict

    def _problem(self, at: int, text: str) -> None:
        self.verdict.problems.append((at, text))

    # Spells

    def _wrong(self, node: Node) -> None:
        """A lit board that shows another number than the true one, or is lit while off."""

        def wrong(face: Face, step: Step) -> bool:
            shown = face.ordered  # what its lamps make of it is the fault of its lamps
            return shown != DARK and (step.off or shown != step.numeral)

        for from_at, to_at in spells(node.history, self._truth.steps, wrong, self._end_at):
            cause = self._cause(from_at, to_at, 200 * MS_NS, stale=True)
            lasts_ns = to_at - from_at
            self._count(self.verdict.wrong_s, "wrong", cause, lasts_ns)
            limit_ns = WELL_NS if cause == WELL else STALE_NS
            if lasts_ns > limit_ns:
                self._problem(
                    from_at, f"node {node.number} wrong for {lasts_ns / S_NS:.3f} s ({cause})"
                )

    def _dark(self, node: Node) -> None:
        """A board that is dark although there is a count and nothing put the boards off."""

        def dark(face: Face, step: Step) -> bool:
            return face.ordered == DARK and not step.off and step.numeral is not None

        for from_at, to_at in spells(node.history, self._truth.steps, dark, self._end_at):
            cause = self._cause(from_at, to_at, 5 * S_NS, stale=False)
            self._count(self.verdict.dark_s, "dark", cause, to_at - from_at)
            if self._unexcused(from_at, to_at):
                lasts_s = (to_at - from_at) / S_NS
                self._problem(from_at, f"node {node.number} dark for {lasts_s:.3f} s ({cause})")

        def off(face: Face, step: Step) -> bool:
            return step.off

        for from_at, to_at in spells(node.history, self._truth.steps, off, self._end_at):
            self.verdict.dark_s["off until relit"] += (to_at - from_at) / S_NS

    def _differ(self, one: Node, other: Node) -> None:
        """Boards that do not show the same; one whose lamps lie must at least be told to be dark,
        and the other must be."""

        def differ(face: Face, against: Face) -> bool:
            if face.shown == against.shown:
                return False
            return (face.ordered, against.ordered) != (DARK, DARK)

        for from_at, to_at in spells(one.history, other.history, differ, self._end_at):
            cause = self._cause(from_at, to_at, 200 * MS_NS, stale=True)
            lasts_ns = to_at - from_at
            self._lengthen("differ", cause, lasts_ns)
            since_at = max((at for at in self._starts if from_at < at < to_at), default=from_at)
            if to_at - since_at > self._may_differ_ns(cause, since_at, to_at):
                self._problem(from_at, f"the boards differ for {lasts_ns / S_NS:.3f} s ({cause})")

    def _may_differ_ns(self, cause: str, from_at: int, to_at: int) -> int:
        """Who was about to darken the other board may have been cut off: silence does it then."""
        if cause == WELL:
            return WELL_NS
        cut_off = any(
            from_at < span.from_at < to_at and _kind(span).stale and span.kind not in OF_A_BOARD
            for span in self._spans.near(from_at, to_at)
        )
        return DISAGREE_NS + SILENCE_NS * cut_off

    def _told_truly(self) -> None:
        """Every number that goes on the wire is true, or was a moment ago."""
        steps, place = self._truth.steps, 0
        for told in self._pair.told:
            while place + 1 < len(steps) and steps[place + 1].at <= told.at:
                place += 1
            if told.ordered == DARK or told.at > self._end_at:
                continue
            lag_ns = self._lag_ns(told.at)
            before = place
            while before >= 0 and (before == place or steps[before + 1].at >= told.at - lag_ns):
                if steps[before].numeral == told.ordered and not steps[before].off:
                    break
                before -= 1
            else:
                step = steps[place]
                self._problem(told.at, f"the wire is told {told.ordered}, not {_words(step)}")

    def _lag_ns(self, at: int) -> int:
        """How old a number may be that leaves now."""
        lags = (LAGS_NS.get(span.kind, 0) for span in self._spans.near(at, at, 500 * MS_NS))
        return max(WELL_NS, max(lags, default=0))

    def _count(self, sums: dict[str, float], what: str, cause: str, lasts_ns: int) -> None:
        sums[cause] += lasts_ns / S_NS
        self._lengthen(what, cause, lasts_ns)

    def _lengthen(self, what: str, cause: str, lasts_ns: int) -> None:
        key = f"{what}, {cause}"
        self.verdict.longest[key] = max(self.verdict.longest[key], lasts_ns)

    # Causes

    def _cause(self, from_at: int, to_at: int, after_ns: int, *, stale: bool) -> str:
        """The class of the fault that was there longest, or had ended by ``after_ns`` before, and
        that may leave a board ``stale``, or else may darken it."""
        found, longest_ns = WELL, -1
        for span in self._spans.near(from_at, to_at, max(after_ns, REOPENED_NS)):
            kind = _kind(span)
            reopening_ns = REOPENED_NS if stale and span.kind.startswith("boards port") else 0
            ends_at = span.to_at + max(after_ns, reopening_ns)
            together_ns = min(ends_at, to_at) - max(span.from_at, from_at)
            may = kind.stale if stale else bool(kind.settles_s)
            if may and ends_at >= from_at and together_ns > longest_ns:
                found, longest_ns = span.kind, together_ns
        return found

    def _unexcused(self, from_at: int, to_at: int) -> bool:
        """True when a part of the spell is in no fault that darkens, nor soon after one."""
        at = from_at
        for span in self._spans.near(from_at, to_at, SETTLED_NS):
            settles_ns = int(_kind(span).settles_s * S_NS)
            if settles_ns and span.from_at <= at < span.to_at + settles_ns:
                at = span.to_at + settles_ns
        return at + WELL_NS < to_at


def _words(step: Step) -> str:
    return "off" if step.off else str(step.numeral)


def _kind(span: Span) -> FaultKind:
    return KINDS.get(span.kind, WATCHDOG)


# Agree or be dark

KNOWN_NS = 200 * MS_NS
"""From the third bad answer to a dark SHOW: the window of the answer, and a refresh."""
RETURN_NS, RETURNS, RETURNS_WINDOW_NS = 3_150 * MS_NS, 2, 600 * S_NS
NOBODY_NS = 30 * S_NS


class DarknessJudge:
    """Whether the service obeyed its own rules about boards that answer badly.

    From what went over the wire, with the rules as ``README.md`` tells them: two wrong answers, or
    three bad ones, without a right one between them, darken both at once; a board that only was
    silent may come back by itself within 3 s, twice in ten minutes; one that lied may not.
    """

    def __init__(
        self, computer: Computer, truth: InstallationTruth, pair: Pair, spans: Spans
    ) -> None:
        self._computer, self._truth, self._pair = computer, truth, pair
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
            if self._restarted(before_at, asked.at):
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
        if self._disturbed(asked.at - S_NS, at) or self._restarted(asked.at, at):
            return
        told, steps = self._pair.told, self._truth.steps
        begin, end = (bisect_right(told, when, key=_AT) for when in (asked.at, at))
        since = {each.ordered for each in told[min(begin, end - 1) : end]}
        step = steps[bisect_right(steps, at, key=_AT) - 1]
        if DARK not in since and not self._relit(asked.at - S_NS, at):
            yield at, f"node {asked.node} answers badly and the boards are told {since}"
        elif lies and not step.off and not self._relit(asked.at - S_NS, at):
            yield at, f"node {asked.node} lied and the boards are not off"

    def _returns(self) -> Iterator[Problem]:
        """Darkness by a fault that ended by itself: not too long, not too often."""
        since_at: list[int] = []
        for dark, lit in pairwise(self._pair.told):
            if dark.ordered != DARK or lit.ordered == DARK:
                continue
            if not all(_lit(step) for step in self._steps(dark.at, lit.at)):
                continue
            if self._restarted(dark.at - 300 * MS_NS, lit.at):
                since_at.clear()
                continue
            if self._relit(dark.at - S_NS, lit.at):
                since_at.clear()
            if lit.at - dark.at > RETURN_NS:
                yield lit.at, f"boards back by themselves after {(lit.at - dark.at) / S_NS:.1f} s"
            fresh_at = [*self._truth.toggles, *self._computer.starts]
            last_at = max((at for at in fresh_at if at <= dark.at), default=0)
            since_at = [at for at in since_at if at > last_at]
            if len(since_at) >= RETURNS and dark.at - since_at[-RETURNS] < RETURNS_WINDOW_NS - S_NS:
                yield lit.at, "boards back by themselves for the third time in ten minutes"
            since_at.append(lit.at)

    def _off_with_cause(self) -> Iterator[Problem]:
        """The service may put the boards off after a fault, or when nobody is there."""
        for at, why, heard_at, starting in self._computer.self_offs:
            nobody = "no handset" in why and at - heard_at >= NOBODY_NS
            if starting and not self._dark_before(at):
                yield at, f"boards come up off, and were lit when the service died: {why}"
            elif not nobody and not self._may_darken(at):
                yield at, f"boards put off without a cause: {why}"

    def _dark_before(self, at: int) -> bool:
        """They had been told to be dark, or could not be told anything."""
        told = [each.ordered for each in self._pair.told if each.at < at]
        return not told or told[-1] == DARK or self._port_lost(at - 5 * S_NS, at)

    def _starved_with_cause(self) -> Iterator[Problem]:
        for at in self._computer.starved:
            if not self._struck(at, at, 3 * S_NS, lambda kind: kind in ("hung", "slow loop")):
                yield at, "the watchdog was not fed, for no reason"

    # What there was at the time

    def _steps(self, from_at: int, to_at: int) -> list[Step]:
        steps = self._truth.steps
        begin, end = (bisect_right(steps, at, key=_AT) for at in (from_at, to_at))
        return steps[max(0, begin - 1) : end]

    def _restarted(self, from_at: int, to_at: int) -> bool:
        """A service started in between, or its driver did: it remembers no answers."""
        if any(from_at <= at <= to_at for at in self._computer.starts):
            return True
        return self._port_lost(from_at - 3 * S_NS, to_at)

    def _port_lost(self, from_at: int, to_at: int) -> bool:
        return self._struck(from_at, to_at, 0, lambda kind: kind.startswith("boards port"))

    def _relit(self, from_at: int, to_at: int) -> bool:
        return any(from_at <= at <= to_at for at in self._truth.toggles)

    def _disturbed(self, from_at: int, to_at: int) -> bool:
        """What the service could know then is not what the world knew."""
        return self._struck(from_at, to_at, S_NS, _hides)

    def _struck(
        self, from_at: int, to_at: int, after_ns: int, of_kind: Callable[[str], bool]
    ) -> bool:
        """A fault was there from ``from_at`` to ``to_at``, or until ``after_ns`` before."""
        return any(of_kind(span.kind) for span in self._spans.near(from_at, to_at, after_ns))

    def _may_darken(self, at: int) -> bool:
        """A fault that darkens boards is there, or was until a moment ago."""
        return any(
            at <= span.to_at + int((_kind(span).settles_s + 0.5) * S_NS)
            for span in self._spans.near(at, at, SETTLED_NS + S_NS)
            if _kind(span).settles_s
        )


def _hides(kind: str) -> bool:
    return (
        kind not in KINDS
        or kind in OF_THE_PROCESS
        or kind in ("slow loop", "hung")
        or "port" in kind
    )


def _lit(step: Step) -> bool:
    return not step.off and step.numeral is not None


# The journal

PRESS_KINDS = {"press", "no change", "refused"}
MINUTE_NS = 61 * S_NS
"""Refused frames without a row of their own are told by then, as a number by reason."""


def journal_problems(journal: Path, truth: InstallationTruth) -> list[Problem]:
    """Every accepted and every refused press is there once, in order, and chained."""
    with JournalReader(journal) as reader:
        verdict = reader.verify()
        rows = [entry.row for entry in reader.entries()]
    problems: list[Problem] = []
    if verdict.problem:
        problems.append((0, f"journal: {verdict.problem}"))
    found = [
        OwedRow(row.received_at, row.handset, row.edge_at, row.result)
        for row in rows
        if row.kind in PRESS_KINDS and row.handset is not None
    ]
    if found != truth.owed:
        problems.append(_difference(found, truth.owed))
    return problems + _refusal_problems(rows, truth)


def _refusal_problems(rows: Sequence[Row], truth: InstallationTruth) -> list[Problem]:
    """Every refused frame has a row of its own or is counted in that of its minute; a process that
    dies takes a minute's counts along."""
    starts = [n for n, row in enumerate(rows) if row.event == "service started"][1:]
    if len(starts) != len(truth.runs):  # one died before it had said that it started
        starts, runs = [], []
    else:
        runs = truth.runs
    problems: list[Problem] = []
    for (row_from, row_to), (from_, to) in zip(
        pairwise([0, *starts, len(rows)]), pairwise([0, *runs, len(truth.refused)]), strict=True
    ):
        part = rows[row_from:row_to]
        alive_until_at = part[-1].received_at if len(runs) == len(truth.runs) else 0
        problems += _refusals_of_a_run(part, truth.refused[from_:to], alive_until_at)
    return problems


def _refusals_of_a_run(
    rows: Sequence[Row], sent: Sequence[tuple[int, int, str]], alive_until_at: int
) -> list[Problem]:
    rejected = [row for row in rows if row.kind == "rejected"]
    minutes = [row for row in rejected if "frames refused in" in row.event]
    own = Counter((row.received_at, row.handset or 0, row.event) for row in rejected)
    own -= Counter((row.received_at, 0, row.event) for row in minutes)
    made_up = own - Counter(sent)
    problems: list[Problem] = [
        (at, f"journal: nobody sent this: {what}, handset {n}") for at, n, what in made_up
    ]
    uncounted = sorted((Counter(sent) - own).elements())
    for reason in {what for _, _, what in uncounted} | {"bad tag"}:
        waiting = [at for at, _, what in uncounted if what == reason]
        told = sum(int(n) for row in minutes for n in re.findall(rf"{reason} (\d+)", row.reason))
        if told > len(waiting):
            at = minutes[-1].received_at
            problems.append((at, f"journal: {told} frames told, {len(waiting)} sent: {reason}"))
        problems += [
            (at, f"journal: a refused frame was never told: {reason}")
            for at in waiting[told:]
            if alive_until_at - at > MINUTE_NS
        ]
    return problems


def _difference(found: list[OwedRow], owed: list[OwedRow]) -> Problem:
    pairs = zip([*found, None], [*owed, None], strict=False)
    for n, (is_there, wanted) in enumerate(pairs):
        if is_there != wanted:
            at = (is_there or wanted or OwedRow(0, 0, None, "")).received_at
            return at, f"journal: press {n} of {len(owed)}: has {is_there}, owes {wanted}"
    return 0, "journal: presses differ"
