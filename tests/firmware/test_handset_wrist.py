"""The wrist timer's count against the rules core: the same keys at the same instants."""

from __future__ import annotations

import random
from collections.abc import Iterator

import pytest

from controller.rulebook.loader import load_rule_set
from controller.rules.effects import Result
from controller.rules.events import NoCount, Order, PlayEnded, Undo
from controller.rules.gestures import FOUR, LAYOUTS, MS_NS, TWELVE, Gestures, Meaning
from controller.rules.phases import Live, Running, Set, Stopped, name
from controller.rules.play_clock import PlayClock
from drivers.base import PhaseCode
from tests.firmware.handset_pc import HandsetOnPC
from tests.shared.frames import HELD_BIT, KEY_BITS

pytestmark = pytest.mark.needs_gcc

UNDO_DEPTH = 8
"""WRIST_UNDO_DEPTH of wrist.h."""
STOPPAGE, DEFENSE = PlayEnded("stoppage"), PlayEnded("defense_only")
TWO_STOPPAGES = Meaning((STOPPAGE, DEFENSE))
REDUCED = {
    "twelve": {
        **TWELVE,
        "FLAG": TWO_STOPPAGES,
        "INJURY": TWO_STOPPAGES,
        "TIME_OUT": Meaning((STOPPAGE,)),
        "NO_COUNT": Meaning((NoCount(),)),
    },
    "four": {**FOUR, "UNDO": Meaning((Undo(),))},
}
"""What the keys mean without boards and without names for how a play ended."""
del REDUCED["twelve"]["BOARDS_OFF"]
CODES = {Result.RUNNING: 1, Result.HELD: 2, Result.NO_CHANGE: 3, Result.REFUSED: 4}
CODES |= {Result.ASSUMED: 5}
HOLDS = {"twelve": {"NO_COUNT": 1000, "BOARDS_OFF": 1000}, "four": {"NUMBER_40": 800, "UNDO": 1500}}


class Reference:
    """The rules core behind the gestures, as the service has them, under a 40/25 rule set."""

    def __init__(self, layout: str) -> None:
        self._gestures = Gestures(layout)
        self.clock = PlayClock(load_rule_set("nfhs"))

    def press(self, key: str, held: bool, at_ms: int) -> int:
        at = at_ms * MS_NS
        self.clock.pass_time(at)
        gesture = self._gestures.pressed(key, held, at)
        if gesture.event is None:
            return 5 if gesture.doubtful else 3
        order = Order(gesture.event, at, 1, gesture_at=gesture.started_at, amends=gesture.amends)
        decided, _ = self.clock.handle(order, at)
        return 5 if gesture.doubtful and decided.changed else CODES[decided.result]

    @property
    def count(self) -> tuple[object, ...]:
        phase = self.clock.state.down.phase
        code = PhaseCode[name(phase)].value
        if isinstance(phase, Running):
            return code, phase.seconds, phase.expires_at // MS_NS, self.clock.marks_25
        if isinstance(phase, Stopped):
            return code, phase.seconds, phase.remaining_ns // MS_NS
        return (code, phase.seconds) if isinstance(phase, Set | Live) else (code,)


def count_of(answer: str) -> tuple[int, tuple[object, ...]]:
    """Result and count as the firmware tells them."""
    result, phase, seconds, zero_at, left, marks = map(int, answer.split())
    match PhaseCode(phase):
        case PhaseCode.RUNNING:
            return result, (phase, seconds, zero_at, bool(marks))
        case PhaseCode.STOPPED:
            return result, (phase, seconds, left)
        case PhaseCode.SET | PhaseCode.LIVE:
            return result, (phase, seconds)
    return result, (phase,)


def presses(layout: str, seed: int) -> Iterator[tuple[str, bool, int]]:
    """A thumb by chance: taps close together and apart, holds, long rests."""
    chance = random.Random(seed)
    keys = sorted(LAYOUTS[layout])
    key, at_ms = keys[0], 1000
    for _ in range(60):
        if chance.random() < 0.6:
            key = chance.choice(keys)
        at_ms += chance.choice(
            (
                40,
                100,
                149,
                150,
                300,
                599,
                600,
                601,
                1499,
                1500,
                2500,
                5900,
                6000,
                chance.randrange(1, 700),
                chance.randrange(1, 30_000),
            )
        )
        yield key, False, at_ms
        hold_ms = HOLDS[layout].get(key)
        if hold_ms and chance.random() < 0.3:
            at_ms += hold_ms
            yield key, True, at_ms


def compare(layout: str, seeds: range, monkeypatch: pytest.MonkeyPatch) -> int:
    monkeypatch.setattr("controller.rules.play_clock.UNDO_DEPTH", UNDO_DEPTH)
    monkeypatch.setitem(LAYOUTS, layout, REDUCED[layout])
    results = set()
    with HandsetOnPC() as handset:
        for seed in seeds:
            reference = Reference(layout)
            handset.ask(f"wrist {12 if layout == 'twelve' else 4}")
            told = []
            for key, held, at_ms in presses(layout, seed):
                keys = KEY_BITS[key] | (HELD_BIT if held else 0)
                (answer,) = handset.ask(f"tap {keys} {at_ms}")
                told.append(f"{key}{' held' if held else ''} at {at_ms}")
                wanted = reference.press(key, held, at_ms), reference.count
                assert count_of(answer) == wanted, f"seed {seed}: " + ", ".join(told[-12:])
                results.add(wanted[0])
    assert results == {1, 2, 3, 4, 5}
    return len(seeds)


@pytest.mark.parametrize("layout", ["twelve", "four"])
def test_random_keys_give_the_count_of_the_rules_core(
    layout: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    compare(layout, range(8), monkeypatch)


@pytest.mark.full
@pytest.mark.parametrize("layout", ["twelve", "four"])
def test_many_more_random_keys_give_the_count_of_the_rules_core(
    layout: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    compare(layout, range(1000, 1200), monkeypatch)


def test_the_wrist_timers_counts_as_a_back_judge_keeps_them() -> None:
    """The four keys in words: what each gives, apart from any other program."""
    with HandsetOnPC() as handset:
        handset.ask("wrist 4")

        def tap(key: str, at_ms: int, held: bool = False) -> tuple[int, tuple[object, ...]]:
            keys = KEY_BITS[key] | (HELD_BIT if held else 0)
            return count_of(handset.ask(f"tap {keys} {at_ms}")[0])

        assert tap("NUMBER_40", 1_000) == (1, (2, 40, 41_000, True))
        assert tap("NUMBER_25", 20_000) == (2, (1, 25))
        assert tap("NUMBER_25", 20_300) == (1, (2, 25, 45_300, False))
        assert tap("UNDO", 30_000) == (1, (2, 40, 41_000, True))
        assert tap("NUMBER_40", 60_000)[1] == (2, 40, 100_000, True)
        assert tap("NUMBER_40", 60_800, held=True) == (2, (1, 40))
        assert tap("READY", 70_000) == (1, (2, 40, 110_000, True))


@pytest.mark.parametrize(
    ("key", "after_ms", "result"),
    [
        ("DEAD_BALL", 5_999, 3),  # the same end of play, pressed again
        ("DEAD_BALL", 6_000, 5),  # a new down, whose snap is assumed
        ("STOP", 1_000, 2),
    ],
)
def test_the_windows_of_a_down_to_the_millisecond(key: str, after_ms: int, result: int) -> None:
    with HandsetOnPC() as handset:
        handset.ask("wrist 12", f"tap {KEY_BITS['DEAD_BALL']} 1000")
        (told,) = handset.ask(f"tap {KEY_BITS[key]} {1000 + after_ms}")
        assert count_of(told)[0] == result


def test_an_end_of_play_within_20_s_of_a_stoppage_leaves_its_number() -> None:
    for after_ms, result in ((19_999, 3), (20_000, 5)):
        with HandsetOnPC() as handset:
            handset.ask("wrist 12", f"tap {KEY_BITS['FLAG']} 1000")
            (told,) = handset.ask(f"tap {KEY_BITS['DEAD_BALL']} {1000 + after_ms}")
            assert count_of(told)[0] == result
