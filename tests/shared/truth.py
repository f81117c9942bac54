"""What the boards have to show at each instant, from what was pressed, and for how long they did
not.

Keys mean what the keys' table in ``README.md`` says, endings count as the published rules have it
(``published``), and the table of the design is that of the naive model. The core's own gestures,
rulings, table and numerals have no part in it. Whether boards are lit is aside: a numeral is true
whether or not it can be read.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Final, NamedTuple, Protocol, TypeVar

from controller.rules import events
from tests.exploration.model import NaiveClock, NaiveRules, Verdict
from tests.shared.frames import MS_NS, S_NS
from tests.shared.installation import KEEPER, ROLES
from tests.shared.published import NFHS, Book, season_of

UNDEFINED: Final = -1
"""Where a numeral should be: no rule says what to show."""

# What keys mean

AGAIN_NS: Final = 600 * MS_NS
OF_ONE_HOLD_NS: Final = 3_000 * MS_NS
ONE_THUMB_NS: Final = 150 * MS_NS

_25, _40 = events.Number.ADMINISTRATIVE, events.Number.ROUTINE

TAPS: Final[Mapping[str, Mapping[str, Sequence[events.Event | None]]]] = {
    "twelve": {
        "DEAD_BALL": [events.PlayEnded("routine")],
        "READY": [events.Ready()],
        "NUMBER_25": [events.HoldNumber(_25), events.RunNumber(_25), events.Score()],
        "SNAP": [events.Snap()],
        "NUMBER_40": [events.HoldNumber(_40), events.RunNumber(_40)],
        "STOP": [events.Stop()],
        "FLAG": [events.PlayEnded("foul"), events.PlayEnded("foul_defense")],
        "TIME_OUT": [events.PlayEnded("charged_timeout"), events.PlayEnded("official_timeout")],
        "INJURY": [events.PlayEnded("injury_or_helmet_any"), events.PlayEnded("injury_defense")],
        "UNDO": [events.Undo()],
        "NO_COUNT": [events.NoCount(), events.NoCount(), events.NoCount(period_over=True)],
        "BOARDS_OFF": [events.MarkMoment(), None, None, events.ToggleBoards()],
    },
    "four": {
        "NUMBER_40": [
            events.PlayEnded("routine"),
            events.PlayEnded("routine"),
            events.HoldNumber(_40),
        ],
        "NUMBER_25": [events.HoldNumber(_25), events.RunNumber(_25), events.Score()],
        "READY": [events.Ready()],
        "UNDO": [events.Undo(), events.Undo(), events.Undo(), events.ToggleBoards()],
    },
}
"""A tap acts at once, and more taps of the same key replace what it did."""
HOLDS: Final[Mapping[str, Mapping[str, events.Event]]] = {
    "twelve": {
        "NUMBER_25": events.Score(),
        "NO_COUNT": events.NoCount(period_over=True),
        "BOARDS_OFF": events.ToggleBoards(),
    },
    "four": {
        "NUMBER_25": events.Score(),
        "NUMBER_40": events.HoldNumber(_40),
        "UNDO": events.ToggleBoards(),
    },
}


class Asked(NamedTuple):
    """What a press asks for; ``event`` None for nothing."""

    event: events.Event | None
    since_at: int
    instead: bool = False
    """In place of what the same gesture did before."""
    two_keys: bool = False
    """Two number keys at once: the crew is told that one was taken."""


class Keys:
    """What is asked for with the keys of one handset, press after press."""

    def __init__(self, layout: str) -> None:
        self._taps, self._holds = TAPS[layout], HOLDS[layout]
        self._key = ""
        self._count = 0
        self._first_at = self._last_at = 0

    def pressed(self, key: str, held: bool, at: int) -> Asked:
        """A key goes down, or has been down for its hold time."""
        if key not in self._taps:
            return Asked(None, at)
        if held:
            return self._held_down(key, at)
        numbers = {"NUMBER_25", "NUMBER_40"}
        if {key, self._key} == numbers and at - self._last_at < ONE_THUMB_NS:
            if key == "NUMBER_40":
                return Asked(None, at, two_keys=True)
            self._key, self._count, self._last_at = key, 1, at
            return Asked(self._taps[key][0], self._first_at, instead=True, two_keys=True)
        if key != self._key or at - self._last_at > AGAIN_NS:
            self._key, self._count, self._first_at = key, 0, at
        self._count += 1
        self._last_at = at
        meant = self._taps[key]
        event = meant[min(self._count, len(meant)) - 1]
        before = meant[min(self._count - 1, len(meant)) - 1] if self._count > 1 else event
        return Asked(event, self._first_at, instead=event is not None and event != before)

    def _held_down(self, key: str, at: int) -> Asked:
        if key not in self._holds:
            return Asked(None, at)
        of_its_tap = key == self._key and at - self._last_at <= OF_ONE_HOLD_NS
        since_at = self._first_at if of_its_tap else at
        if of_its_tap:
            self._key = ""
        return Asked(self._holds[key], since_at, instead=of_its_tap)


# What orders make of the count


class Step(NamedTuple):
    """From ``at`` on the count shows ``numeral``, None for no count; ``off``: the boards are
    ordered off, whatever the count."""

    at: int
    numeral: int | None
    off: bool = False


class Reading(NamedTuple):
    """``text`` is to be read on a lit board from ``from_at`` until just before ``to_at``."""

    from_at: int
    to_at: int
    text: str


class Face(NamedTuple):
    """What the boards show while nobody presses: a held ``numeral``, None for no count, or a count
    from it down to zero at ``zero_at``."""

    numeral: int | None
    zero_at: int | None = None


CONSOLE: Final = 0
CREW: Final[Mapping[int, tuple[events.Role, str]]] = {CONSOLE: (events.Role.KEEPER, "twelve")} | {
    number: (events.Role(role), layout) for number, (role, layout) in ROLES.items()
}
"""Role and keys of each handset, by its number."""


class Truth:
    """The count of a game whose rules are in ``book``; instants are ns of any one clock."""

    def __init__(self, book: Book = NFHS, at: int = 0) -> None:
        self.rules = NaiveRules(season_of(book))
        self.clock = NaiveClock(self.rules)
        self.steps = [Step(at, None)]
        self._drawn_at = at
        self._keys: dict[int, Keys] = {}
        self.forget_gestures()

    def forget_gestures(self) -> None:
        """Whatever is pressed next begins a gesture."""
        self._keys = {number: Keys(layout) for number, (_, layout) in CREW.items()}

    def press(
        self,
        key: str,
        at: int,
        *,
        held: bool = False,
        handset: int = KEEPER,
        now: int | None = None,
        seen_at: int | None = None,
    ) -> str:
        """A key went down at ``at``, or with ``held`` had been down for its hold time; gives what
        the crew is told. ``now`` and ``seen_at`` as for :meth:`order`."""
        asked = self._keys[handset].pressed(key, held, at)
        if asked.event is None:
            return "assumed" if asked.two_keys else "no change"
        role, _ = CREW[handset]
        order = events.Order(asked.event, at, handset, role, asked.since_at, asked.instead)
        result = self.order(order, now, seen_at).result
        changed = result not in ("no change", "refused")
        return "assumed" if asked.two_keys and changed else result

    def order(
        self, order: events.Order, now: int | None = None, seen_at: int | None = None
    ) -> Verdict:
        """An order is decided at ``now``, which is later than its own instant when it was late.

        Up to ``seen_at`` whoever decides has surely seen the time pass; from then until ``now`` it
        may have slept.
        """
        now = order.at if now is None else now
        self.draw(now)
        clock = self.clock
        clock.pass_time(now if seen_at is None else min(seen_at, now))
        clock.pass_time(order.at)
        verdict = clock.handle(order, now)
        clock.pass_time(now)
        self.step(now)
        return verdict

    def forget_play(self, at: int, *, off: bool, opening: bool = True) -> None:
        """All that was known of the play is given up; the boards are ``off`` or blank. ``opening``
        when the kickoff that opens a game may be next."""
        self.draw(at)
        self.clock = NaiveClock(self.rules, opening=opening)
        self.clock.off = off
        self.step(at)

    def draw(self, to: int) -> None:
        """Write down what is to be shown up to ``to``."""
        state = self.clock.now
        if state.phase == "RUNNING":
            to_come = (state.expires - self._drawn_at - 1) // S_NS
            for shown in range(min(to_come, state.seconds - 1), -1, -1):
                at = state.expires - shown * S_NS
                if self._drawn_at < at <= to:
                    self.steps.append(Step(at, shown, self.clock.off))
        self._drawn_at = max(self._drawn_at, to)

    def undefine(self, at: int, until_at: int) -> None:
        """Nobody can say from ``at`` until ``until_at`` what is right, or until the next order."""
        self.draw(at)
        self.steps.append(Step(at, UNDEFINED))
        self._drawn_at = until_at

    def step(self, now: int) -> None:
        """Write down what is to be shown from ``now`` on."""
        new = Step(now, self.clock.numerals(now), self.clock.off)
        if new[1:] != self.steps[-1][1:]:
            self.steps.append(new)

    def face(self, at: int) -> Face:
        """What is to be shown from ``at`` on while nobody presses; ``at`` is not in the past."""
        state = self.clock.now
        if state.phase == "RUNNING" and state.expires > at:
            return Face(state.seconds, state.expires)
        return Face(self.clock.numerals(at))

    def readings(self, to: int) -> list[Reading]:
        """All that was to be read up to ``to``, each as long as it stood."""
        self.draw(to)
        steps = [step for step in self.steps if step.at < to]
        ends = [*(step.at for step in steps[1:]), to]
        return [
            Reading(step.at, end_at, "  " if step.numeral is None else f"{step.numeral:2d}")
            for step, end_at in zip(steps, ends, strict=True)
            if step.at < end_at
        ]

    def reads(self, at: int) -> str:
        """What is to be read at ``at``, which is not in the past."""
        numeral = self.clock.numerals(at)
        return "  " if numeral is None else f"{numeral:2d}"


# For how long something else was shown


class Dated(Protocol):
    """Something that holds from ``at`` until the next of its kind."""

    @property
    def at(self) -> int: ...


class Spell(NamedTuple):
    """From ``from_at`` until ``to_at``, without a gap."""

    from_at: int
    to_at: int


One = TypeVar("One", bound=Dated)
Other = TypeVar("Other", bound=Dated)


def spells(
    ones: Sequence[One],
    others: Sequence[Other],
    holds: Callable[[One, Other], bool],
    end_at: int,
) -> Iterator[Spell]:
    """The longest stretches up to ``end_at`` over which ``holds`` is true of both sequences."""
    since_at: int | None = None
    for at, one, other in _merged(ones, others):
        if at > end_at:
            break
        true = holds(one, other)
        if true and since_at is None:
            since_at = at
        elif not true and since_at is not None:
            if at > since_at:
                yield Spell(since_at, at)
            since_at = None
    if since_at is not None and since_at < end_at:
        yield Spell(since_at, end_at)


def _merged(ones: Sequence[One], others: Sequence[Other]) -> Iterator[tuple[int, One, Other]]:
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
