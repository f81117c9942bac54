"""The wrist timer's count against the rules core: the same keys at the same instants."""

from __future__ import annotations

import random
from collections.abc import Iterator

import pytest

from controller.rulebook.loader import load_rule_set
from controller.rules.effects import Result
from controller.rules.events import Order, Undo
from controller.rules.gestures import FOUR, LAYOUTS, MS_NS, TWELVE, Gestures, Meaning
from controller.rules.phases import Live, Running, Set, Stopped, name
from controller.rules.play_clock import PlayClock
from drivers.base import PhaseCode
from tests.firmware.handset_pc import HandsetOnPC
from tests.shared.frames import HELD_BIT, KEY_BITS

pytestmark = pytest.mark.needs_gcc

UNDO_DEPTH = 8
"""WRIST_UNDO_DEPTH of wrist.h."""
WITHOUT_BOARDS = {
    "twelve": {key: meaning for key, meaning in TWELVE.items() if key != "BOARDS_OFF"},
    "four": {**FOUR, "UNDO": Meaning((Undo(),))},
}
CODES = {Result.RUNNING: 1, Result.HELD: 2, Result.NO_CHANGE: 3, Result.REFUSED: 4}
CODES |= {Result.ASSUMED: 5}
HOLDS = {
    "twelve": {"NUMBER_25": 800, "NO_COUNT": 1000},
    "four": {"NUMBER_25": 800, "NUMBER_40": 800, "UNDO": 1500},
}


HABITS = {
    "twelve": (
        "DEAD_BALL FLAG READY FLAG FLAG",
        "INJURY TIME_OUT READY INJURY INJURY",
        "TIME_OUT TIME_OUT READY FLAG FLAG",
        "NUMBER_25 READY SNAP DEAD_BALL",
        "NUMBER_25 NUMBER_25 NUMBER_25 READY SNAP DEAD_BALL READY SNAP DEAD_BALL",
        "NUMBER_25+ READY FLAG NUMBER_25+ NUMBER_40 NUMBER_25+ READY DEAD_BALL",
        "NUMBER_25+ NUMBER_40 NUMBER_40 STOP DEAD_BALL DEAD_BALL READY",
        "NO_COUNT+ NUMBER_25 READY DEAD_BALL",
        "NO_COUNT+ SNAP NO_COUNT+ DEAD_BALL",
        "NO_COUNT+ SNAP NO_COUNT+ SNAP NO_COUNT+ SNAP NO_COUNT+ SNAP NUMBER_25+ READY SNAP "
        "DEAD_BALL NUMBER_25+ READY SNAP DEAD_BALL",
        "NO_COUNT+ NUMBER_25+ NUMBER_25+ READY NUMBER_25+",
    ),
    "four": (
        "NUMBER_25 READY NUMBER_40",
        "NUMBER_25 NUMBER_25 NUMBER_25 READY NUMBER_40 READY NUMBER_40",
        "NUMBER_25+ READY NUMBER_40+ NUMBER_25+ READY",
        "NUMBER_40 NUMBER_40 NUMBER_40 READY",
    ),
}
"""Keys that follow each other in a game: a team told late, a kickoff, a score and what follows it,
the end of a period, overtime. A key with ``+`` is held down."""


class Reference:
    """The rules core behind the gestures, as the service has them, under the high school rules."""

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
            return code, phase.seconds, phase.expires_at // MS_NS, self.clock.mark_s
        if isinstance(phase, Stopped):
            return code, phase.seconds, phase.remaining_ns // MS_NS, 0
        return (code, phase.seconds) if isinstance(phase, Set | Live) else (code,)


def count_of(answer: str) -> tuple[int, tuple[object, ...]]:
    """Result and count as the firmware tells them."""
    result, phase, seconds, instant, mark = map(int, answer.split())
    match PhaseCode(phase):
        case PhaseCode.RUNNING | PhaseCode.STOPPED:
            return result, (phase, seconds, instant, mark)
        case PhaseCode.SET | PhaseCode.LIVE:
            return result, (phase, seconds)
    return result, (phase,)


def presses(layout: str, seed: int) -> Iterator[tuple[str, bool, int]]:
    """A thumb by chance: taps close together and apart, holds, long rests, and now and then what a
    thumb does in a game, in that order."""
    chance = random.Random(seed)
    keys = sorted(WITHOUT_BOARDS[layout])
    key, at_ms, habit = keys[0], 1000, chance.choice(("", *HABITS[layout])).split()
    for _ in range(60):
        if not habit and chance.random() < 0.15:
            habit = chance.choice(HABITS[layout]).split()
        meant = habit.pop(0) if habit else ""
        if meant:
            key = meant.rstrip("+")
        elif chance.random() < 0.6:
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
                9999,
                10_000,
                20_000,
                chance.randrange(1, 700),
                chance.randrange(1, 30_000),
                chance.choice((2000, 9999, 10_000, 20_000, 299_999, 300_000)),
            )
        )
        yield key, False, at_ms
        hold_ms = HOLDS[layout].get(key)
        if hold_ms and (meant.endswith("+") or chance.random() < 0.3):
            at_ms += hold_ms
            yield key, True, at_ms


def compare(layout: str, seeds: range, monkeypatch: pytest.MonkeyPatch) -> int:
    monkeypatch.setattr("controller.rules.play_clock.UNDO_DEPTH", UNDO_DEPTH)
    monkeypatch.setitem(LAYOUTS, layout, WITHOUT_BOARDS[layout])
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


@pytest.mark.full
@pytest.mark.parametrize("layout", ["twelve", "four"])
def test_random_keys_give_the_count_of_the_rules_core(
    layout: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    compare(layout, range(16), monkeypatch)


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

        assert tap("NUMBER_40", 1_000) == (1, (2, 40, 41_000, 25))
        assert tap("NUMBER_25", 20_000) == (2, (1, 25))
        assert tap("NUMBER_25", 20_300) == (1, (2, 25, 45_300, 0))
        assert tap("UNDO", 30_000) == (1, (2, 40, 41_000, 25))
        assert tap("NUMBER_40", 60_000)[1] == (2, 40, 100_000, 25)
        assert tap("NUMBER_40", 60_800, held=True) == (2, (1, 40))
        assert tap("READY", 70_000) == (1, (2, 40, 110_000, 25))


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


def typed(line: str, layout: str = "twelve") -> list[str]:
    """What the firmware shows after each of the presses in ``line``: seconds since the first one,
    then the key, with a ``+`` where it had been down for its hold time."""
    shown = []
    with HandsetOnPC() as handset:
        handset.ask(f"wrist {12 if layout == 'twelve' else 4}")
        words = line.split()
        for at_s, key in zip(words[::2], words[1::2], strict=True):
            keys = KEY_BITS[key.rstrip("+")] | (HELD_BIT if key.endswith("+") else 0)
            (told,) = handset.ask(f"tap {keys} {1000 + round(float(at_s) * 1000)}")
            _, count = count_of(told)
            runs = count[0] == PhaseCode.RUNNING.value
            shown.append(f"{count[1]} runs" if runs else f"{count[1]}" if count[1:] else "-")
    return shown


@pytest.mark.parametrize(
    ("line", "shown"),
    [
        ("0 DEAD_BALL 2 FLAG 9 FLAG 9.3 FLAG 14 READY", ["40 runs", "25", "25", "40", "40 runs"]),
        ("0 INJURY 9 INJURY 9.3 INJURY", ["25", "25", "40"]),
        ("0 TIME_OUT 0.3 TIME_OUT 9 INJURY 9.3 INJURY", ["25", "25", "25", "40"]),
        ("0 FLAG 0.3 FLAG 9 FLAG 12 READY", ["25", "40", "40", "40 runs"]),
        ("0 INJURY 0.3 INJURY 9 FLAG 20 FLAG 20.3 FLAG", ["25", "40", "25", "25", "40"]),
    ],
)
def test_a_team_told_late_has_its_number(line: str, shown: list[str]) -> None:
    """25 until the team is announced, 40 for the defense alone (NFHS 3-6-1a(1)e EXC, 2020 and
    2022); a second tap that says less takes nothing back."""
    assert typed(line) == shown


def test_a_team_told_just_after_the_ready_has_its_number_from_that_ready() -> None:
    with HandsetOnPC() as handset:
        flag, ready = KEY_BITS["FLAG"], KEY_BITS["READY"]
        handset.ask("wrist 12", f"tap {flag} 1000", f"tap {ready} 30000", f"tap {flag} 31700")
        (told,) = handset.ask(f"tap {flag} 32000")
        assert count_of(told) == (1, (2, 40, 70_000, 25))


@pytest.mark.parametrize(
    ("layout", "line", "shown"),
    [
        ("twelve", "0 NUMBER_25 9 READY 20 SNAP 28 DEAD_BALL", ["25", "25 runs", "40", "25"]),
        ("four", "0 NUMBER_25 9 READY 28 NUMBER_40", ["25", "25 runs", "25"]),
        (
            "twelve",
            "0 NUMBER_25 5 NO_COUNT 60 NUMBER_25 70 READY 90 DEAD_BALL",
            ["25", "-", "25", "25 runs", "25"],
        ),
        (
            "twelve",
            "0 SNAP 8 NUMBER_25+ 40 READY 50 SNAP 56 DEAD_BALL 59 NUMBER_25 61 NUMBER_25 "
            "61.4 NUMBER_25 64 NUMBER_40 70 READY 90 DEAD_BALL",
            ["40", "25", "25 runs", "40", "25", "25", "25", "25 runs", "40", "40 runs", "25"],
        ),
        (
            "twelve",
            "0 SNAP 8 NUMBER_25 8.8 NUMBER_25+ 40 READY 50 SNAP 56 DEAD_BALL 90 READY 99 SNAP "
            "106 DEAD_BALL 120 READY 130 SNAP 137 DEAD_BALL",
            ["40", "25", "25", *["25 runs", "40", "25"] * 2, "25 runs", "40", "40 runs"],
        ),
        (
            "four",
            "0 NUMBER_40 9 NUMBER_25 9.4 NUMBER_25 9.8 NUMBER_25 40 READY 60 NUMBER_40 "
            "64 NUMBER_40",
            ["40 runs", "25", "25 runs", "25", "25 runs", "25", "25"],
        ),
        (
            "twelve",
            "0 SNAP 8 NUMBER_25+ 40 READY 50 SNAP 56 DEAD_BALL 59 NUMBER_40 70 READY 90 DEAD_BALL",
            ["40", "25", "25 runs", "40", "25", "40", "40 runs", "40 runs"],
        ),
        (
            "twelve",
            "0 SNAP 8 NUMBER_25+ 40 READY 50 SNAP 56 DEAD_BALL 59 NUMBER_40 61 DEAD_BALL",
            ["40", "25", "25 runs", "40", "25", "40", "40 runs"],
        ),
        (
            "twelve",
            "0 SNAP 8 NUMBER_25+ 40 READY 50 SNAP 56 DEAD_BALL 58 NUMBER_25+ 61 NUMBER_40 70 READY "
            "80 SNAP 88 DEAD_BALL",
            ["40", "25", "25 runs", "40", "25", "25", "40", "40 runs", "40", "25"],
        ),
        (
            "twelve",
            "0 NUMBER_25 4 NUMBER_25+ 9 READY 20 SNAP 28 DEAD_BALL 60 READY 70 SNAP 77 DEAD_BALL",
            ["25", "25", *["25 runs", "40", "25"] * 2],
        ),
    ],
)
def test_what_comes_next_is_remembered(layout: str, line: str, shown: list[str]) -> None:
    """A kickoff opens the game; a score brings a try and that a kickoff, each with 25 after it
    (NFHS 3-6-1a(1)a and f); another number key at once says that there was none, unless
    its end was told. A score ends the wait for the opening kickoff."""
    assert typed(line, layout) == shown


@pytest.mark.parametrize(
    ("line", "last"),
    [
        ("0 SNAP 9 NO_COUNT+ 70 SNAP 80 NO_COUNT+ 300 READY 310 DEAD_BALL", "25"),
        ("0 SNAP 9 NO_COUNT 309 READY 320 DEAD_BALL", "25"),
        (
            "0 SNAP 9 NO_COUNT+ 70 SNAP 79 NUMBER_25+ 81 NO_COUNT+ 200 READY 210 SNAP "
            "216 DEAD_BALL 240 READY 250 SNAP 258 DEAD_BALL",
            "25",  # a try was due, so that the kickoff comes after it
        ),
        ("0 SNAP 9 NO_COUNT 308.9 READY 320 DEAD_BALL", "40 runs"),
        ("0 SNAP 9 NO_COUNT+ 200 READY 210 DEAD_BALL", "40 runs"),
        ("0 SNAP 9 NO_COUNT+ 608.9 READY 620 DEAD_BALL", "40 runs"),
        ("0 SNAP 9 NO_COUNT+ 609 READY 620 DEAD_BALL", "25"),
        ("0 SNAP 9 NO_COUNT+ 70 DEAD_BALL 80 NO_COUNT+ 300 READY 310 DEAD_BALL", "25"),
        (  # no half begins in overtime, which the third period's end after a long break brings
            "0 SNAP 9 NO_COUNT 309 READY 320 SNAP 330 NO_COUNT+ 340 SNAP 350 NO_COUNT+ "
            "950 READY 960 DEAD_BALL",
            "40 runs",
        ),
    ],
)
def test_the_second_half_begins_with_a_kickoff_and_no_other_period_does(
    line: str, last: str
) -> None:
    assert typed(line)[-1] == last
