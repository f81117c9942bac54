"""The verdict: what each board showed, against what was true, over every instant of a game."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

from tests.scenarios.simulation.kinds import KINDS, OF_A_BOARD, WATCHDOG, Kind
from tests.scenarios.simulation.nodes import DARK, SILENCE_NS, Face, Node, Pair
from tests.scenarios.simulation.truth import Step, Truth
from tests.scenarios.simulation.world import MS, S, Span

WELL_NS = 30 * MS
"""With a well link a change is on the lamps within this: one reply window (20 ms) or a frame under
way before its own 4 ms, and the loop's turn."""
STALE_NS = SILENCE_NS + 60 * MS
"""The longest that a wrong numeral may stand whatever happens: the silence rule, and a frame."""
DISAGREE_NS = 1_900 * MS
"""Until a board that shows something else has darkened the other: its next question at most 1.4 s
after the last, twice asked again at 0.1 s, and a reply window each; and the silence rule."""
LAGS_NS = {
    "slow loop": 200 * MS,
    "boards port stalled": 400 * MS,
    "boards port full": 400 * MS,
}
"""How old a number may be when it leaves: a frame that waited while the loop slept is out of date
after 150 ms, and a port that does not drain is given up after 300 ms."""
REOPENED_NS = 2_200 * MS
"""The longest pause before a lost port is tried again."""
WELL = "no fault"
Spell = tuple[int, int]


@dataclass
class Verdict:
    """``problems`` is empty for a game without fault of the product. Seconds by class of fault."""

    problems: list[tuple[int, str]] = field(default_factory=list)
    wrong_s: defaultdict[str, float] = field(default_factory=lambda: defaultdict(float))
    dark_s: defaultdict[str, float] = field(default_factory=lambda: defaultdict(float))
    longest: defaultdict[str, int] = field(default_factory=lambda: defaultdict(int))
    """The longest spells, in ns."""


class Judge:
    """Looks at one game after its end. All instants are the world's; at ``starts`` the service
    began anew to ask its boards."""

    def __init__(
        self, truth: Truth, pair: Pair, spans: Sequence[Span], starts: Sequence[int], end_at: int
    ) -> None:
        self.verdict = Verdict()
        self._truth, self._pair, self._end_at = truth, pair, end_at
        self._starts = starts
        self._spans = sorted(spans, key=lambda span: span.from_at)

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

        for from_at, to_at in self._spells(node.faces, self._truth.steps, wrong):
            cause = self._cause(from_at, to_at, 200 * MS, stale=True)
            lasts_ns = to_at - from_at
            self._count(self.verdict.wrong_s, "wrong", cause, lasts_ns)
            limit_ns = WELL_NS if cause == WELL else STALE_NS
            if lasts_ns > limit_ns:
                self._problem(
                    from_at, f"node {node.number} wrong for {lasts_ns / S:.3f} s ({cause})"
                )

    def _dark(self, node: Node) -> None:
        """A board that is dark although there is a count and nothing put the boards off."""

        def dark(face: Face, step: Step) -> bool:
            return face.ordered == DARK and not step.off and step.numeral is not None

        for from_at, to_at in self._spells(node.faces, self._truth.steps, dark):
            cause = self._cause(from_at, to_at, 5 * S, stale=False)
            self._count(self.verdict.dark_s, "dark", cause, to_at - from_at)
            if self._unexcused(from_at, to_at):
                lasts_s = (to_at - from_at) / S
                self._problem(from_at, f"node {node.number} dark for {lasts_s:.3f} s ({cause})")

        def off(face: Face, step: Step) -> bool:
            return step.off

        for from_at, to_at in self._spells(node.faces, self._truth.steps, off):
            self.verdict.dark_s["off until relit"] += (to_at - from_at) / S

    def _differ(self, one: Node, other: Node) -> None:
        """Boards that do not show the same; one whose lamps lie must at least be told to be dark,
        and the other must be."""

        def differ(face: Face, against: Face) -> bool:
            if face.shown == against.shown:
                return False
            return (face.ordered, against.ordered) != (DARK, DARK)

        for from_at, to_at in self._spells(one.faces, other.faces, differ):
            cause = self._cause(from_at, to_at, 200 * MS, stale=True)
            lasts_ns = to_at - from_at
            self.verdict.longest[f"differ, {cause}"] = max(
                self.verdict.longest[f"differ, {cause}"], lasts_ns
            )
            since_at = max((at for at in self._starts if from_at < at < to_at), default=from_at)
            if to_at - since_at > self._may_differ_ns(cause, since_at, to_at):
                self._problem(from_at, f"the boards differ for {lasts_ns / S:.3f} s ({cause})")

    def _may_differ_ns(self, cause: str, from_at: int, to_at: int) -> int:
        """Who was about to darken the other board may have been cut off: silence does it then."""
        if cause == WELL:
            return WELL_NS
        cut_off = any(
            from_at < span.from_at < to_at and _kind(span).stale and span.kind not in OF_A_BOARD
            for span in self._spans
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
        for span in self._spans:
            if span.kind in LAGS_NS and span.from_at <= at <= span.to_at + 500 * MS:
                return LAGS_NS[span.kind]
        return WELL_NS

    def _count(self, sums: dict[str, float], what: str, cause: str, lasts_ns: int) -> None:
        sums[cause] += lasts_ns / S
        key = f"{what}, {cause}"
        self.verdict.longest[key] = max(self.verdict.longest[key], lasts_ns)

    def _spells(self, ones: Sequence, others: Sequence, holds) -> Iterator[Spell]:  # type: ignore[no-untyped-def,type-arg]
        """The longest stretches over which ``holds`` is true of both."""
        since_at: int | None = None
        for at, one, other in _merged(ones, others):
            if at > self._end_at:
                break
            true = holds(one, other)
            if true and since_at is None:
                since_at = at
            elif not true and since_at is not None:
                if at > since_at:
                    yield since_at, at
                since_at = None
        if since_at is not None and since_at < self._end_at:
            yield since_at, self._end_at

    # Causes

    def _cause(self, from_at: int, to_at: int, after_ns: int, *, stale: bool) -> str:
        """The class of the fault that was there longest, or had ended by ``after_ns`` before, and
        that may leave a board ``stale``, or else may darken it."""
        found, longest_ns = WELL, -1
        for span in self._spans:
            if span.from_at > to_at:
                break
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
        for span in self._spans:
            settles_ns = int(_kind(span).settles_s * S)
            if settles_ns and span.from_at <= at < span.to_at + settles_ns:
                at = span.to_at + settles_ns
        return at + WELL_NS < to_at


def _words(step: Step) -> str:
    return "off" if step.off else str(step.numeral)


def _kind(span: Span) -> Kind:
    return KINDS.get(span.kind, WATCHDOG)


def _merged(ones: Sequence, others: Sequence) -> Iterator[tuple]:  # type: ignore[type-arg]
    """Both sequences as one, at each instant at which either changes; equal instants at once."""
    i = j = 0
    while True:
        next_one = ones[i + 1].at if i + 1 < len(ones) else None
        next_other = others[j + 1].at if j + 1 < len(others) else None
        following = min((at for at in (next_one, next_other) if at is not None), default=None)
        now = max(ones[i].at, others[j].at)
        if following is None or following > now:
            yield now, ones[i], others[j]
        if following is None:
            return
        if next_one == following:
            i += 1
        if next_other == following:
            j += 1
