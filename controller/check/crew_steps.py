"""What the officials do before a game, step by step."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import datetime

from controller.check.crew import NOTED, RIGHT, SKIPPED, WRONG, CrewCheckContext, Outcome, Step
from controller.check.handsets import CheckedHandset
from controller.rules.events import NoCount, Ready, SetCount, ToggleBoards
from controller.status.document import Status
from drivers.base import Edge, Key

NUMERALS = (88, 40, 25, 10, 0, None)
TIMED_S = 10
REACTION_S, TOO_FAR_S = 0.5, 1.0
"""Two thumbs differ by some tenths (common practice, no source); a second is a wrong clock."""
PEOPLE_S = 120.0
"""People walk: so long is waited for what they do."""
SILENCE_S = 45.0
"""A silent handset is told after 30 s, and may have reported just before."""
BACK_S = 15.0
"""A handset that was switched on reports within 10 s."""
WATCH_S = 2.0
"""Further apart than this a wall-clock time in the record is worth a note (common practice)."""
HALF_DIAL_S = 12 * 3600


async def read_aloud(field: CrewCheckContext) -> Outcome:
    """Every official reads the numerals aloud, from both goal lines."""
    wrongly: list[str] = []
    for numerals in NUMERALS:
        shown = "nothing (dark)" if numerals is None else str(numerals)
        field.order(NoCount() if numerals is None else SetCount(numerals))
        if not await field.confirmed():
            if why := field.dark_why:
                return Outcome(WRONG, "; ".join([*wrongly, f"{shown}: {why}"]))
            wrongly.append(f"{shown}: not confirmed by the boards")
        for board in field.boards:
            question = f"{board} shows {shown}: read aloud and right from both goal lines?"
            if not await field.talk.ask(question):
                wrongly.append(f"{shown} not read on {board}")
    if wrongly:
        return Outcome(WRONG, "; ".join(wrongly))
    return Outcome(RIGHT, f"on {' and '.join(field.boards)}")


async def ten_seconds(field: CrewCheckContext) -> Outcome:
    """Ten seconds of the clock against ten seconds of a wrist timer."""
    field.order(SetCount(TIMED_S))
    await field.talk.enter("10 is held. Press Enter and start the wrist timer in the same moment")
    field.order(Ready())
    expires_at = field.status.expires_at
    assert expires_at is not None  # a held number runs on the ready
    prompt = f"Press Enter again when the wrist timer shows {TIMED_S} seconds, whatever the boards"
    _, at = await field.talk.enter(prompt)
    difference_s = (at - expires_at) / 1e9
    said = f"the wrist timer came {abs(difference_s):.1f} s "
    said += "after zero" if difference_s >= 0 else "before zero"
    if abs(difference_s) > TOO_FAR_S:
        return Outcome(WRONG, said)
    if abs(difference_s) > REACTION_S:
        return Outcome(NOTED, f"{said}: more than two thumbs differ")
    return Outcome(RIGHT, said)


def _shows(phase: str, number_s: int) -> Callable[[Status], bool]:
    return lambda status: (status.phase, status.number_s) == (phase, number_s)


async def resets(field: CrewCheckContext) -> Outcome:
    """Both resets, held and running, with the keys that will be used."""
    driver = next((each for each in field.drivers if field.hands.can_press(each)), None)
    if driver is None:
        return Outcome(SKIPPED, "no handset")
    low, high = field.service.rules.administrative_s, field.service.rules.routine_s
    tries = [
        (f"{low}, held", Key.NUMBER_25, Edge.DOWN, 1, _shows("SET", low)),
        (f"{low}, running", Key.NUMBER_25, Edge.DOWN, 2, _shows("RUNNING", low)),
        (f"{high}, held", *_forty_held(driver), _shows("SET", high)),
        (f"{high}, running", *_forty_running(driver), _shows("RUNNING", high)),
    ]
    for what, key, edge, times, wanted in tries:
        field.light()
        how = "hold" if edge is Edge.HELD else ("press once", "press twice, quickly,")[times - 1]
        number = "25" if key is Key.NUMBER_25 else "40"
        field.talk.say(f"{driver.name}: {how} the key {number}. Wanted: {what}")
        field.hands.press(driver.number, key, edge, times)
        if not await field.heard(driver.number, wanted, PEOPLE_S):
            return Outcome(WRONG, f"{what}: did not come")
        if not await field.confirmed():
            return Outcome(WRONG, f"{what}: the boards did not show it")
        for board in field.mute:
            if not await field.talk.ask(f"Does {board} show {what}?"):
                return Outcome(WRONG, f"{what}: {board} did not show it")
        field.talk.say(f"the boards show {what}")
    return Outcome(RIGHT, f"{low} and {high}, held and running, by handset {driver.number}")


def _forty_held(driver: CheckedHandset) -> tuple[Key, Edge, int]:
    return Key.NUMBER_40, Edge.HELD if driver.layout == "four" else Edge.DOWN, 1


def _forty_running(driver: CheckedHandset) -> tuple[Key, Edge, int]:
    """On four keys a tap of 40 is the dead ball, which runs."""
    return Key.NUMBER_40, Edge.DOWN, 1 if driver.layout == "four" else 2


async def cable_out(field: CrewCheckContext) -> Outcome:
    """A lost board darkens all, and they come back."""
    if len(field.mute) == len(field.boards):
        return Outcome(SKIPPED, "no board can say that it is there")
    field.order(SetCount(25))
    if not await field.confirmed():
        return Outcome(WRONG, "the boards do not show 25 to begin with")
    field.talk.say("Pull the cable of one board that answers, or the adapter of the boards' pair")
    field.hands.pull()
    if not await field.talk.until(lambda: field.status.boards_dark, PEOPLE_S):
        field.hands.plug()
        return Outcome(WRONG, "no board was missed")
    noticed = field.status.boards_fault
    field.talk.say(f"noticed: {noticed}")
    dark = await field.talk.ask("Are all boards dark?")
    field.talk.say("Put the cable back")
    field.hands.plug()
    back = await field.talk.until(lambda: field.all_answer_right, PEOPLE_S)
    if not dark:
        return Outcome(WRONG, f"a board stayed lit ({noticed})")
    if not back:
        return Outcome(
            WRONG, f"the board did not come back: {field.status.boards_fault or noticed}"
        )
    how = "back by themselves"
    if field.status.boards == "off":
        how = "back when relit, as they were dark for more than 3 s"
        field.order(ToggleBoards())
    field.order(SetCount(25))
    if not await field.confirmed():
        return Outcome(WRONG, "the boards do not show 25 again")
    return Outcome(RIGHT, f"noticed: {noticed}; all dark; {how}")


async def battery_out(field: CrewCheckContext) -> Outcome:
    """A handset that has gone silent is told to everyone."""
    watched = next((each for each in field.handsets if field.handset(each.number).reports), None)
    if watched is None:
        return Outcome(SKIPPED, "no handset that reports by itself")
    number = watched.number
    if not await field.talk.until(lambda: field.handset(number).heard_s is not None, 15):
        return Outcome(WRONG, f"handset {number} is not heard to begin with")
    field.talk.say(f"Take the battery out of {watched.name}; 30 s of silence are told")
    field.hands.battery(number, inside=False)
    if not await field.talk.until(lambda: field.handset(number).silent, PEOPLE_S + SILENCE_S):
        field.hands.battery(number, inside=True)
        return Outcome(WRONG, f"handset {number} was heard all the time")
    silent_s = field.handset(number).heard_s
    field.talk.say("noticed. Put the battery back and switch the handset on")
    field.hands.battery(number, inside=True)
    if not await field.talk.until(lambda: not field.handset(number).silent, PEOPLE_S + BACK_S):
        return Outcome(WRONG, f"handset {number} did not come back")
    return Outcome(RIGHT, f"handset {number}: told after {silent_s} s of silence; back again")


async def take_over(field: CrewCheckContext) -> Outcome:
    """The second handset drives the clock when the first is put away."""
    if len(field.drivers) < 2:
        return Outcome(SKIPPED, "there is no second handset; the console takes over")
    first, second = field.drivers[:2]
    if not field.hands.can_press(second):
        return Outcome(SKIPPED, "the simulator presses one handset only")
    number = field.service.rules.administrative_s
    field.talk.say(f"Put handset {first.number} away. {second.name}: press the key 25 once")
    field.hands.press(second.number, Key.NUMBER_25, Edge.DOWN, 1)
    if not await field.heard(second.number, _shows("SET", number), PEOPLE_S):
        return Outcome(WRONG, f"handset {second.number} does not drive the clock")
    if not await field.confirmed():
        return Outcome(WRONG, "the boards did not show it")
    return Outcome(RIGHT, f"handset {second.number} took over: {number}, held")


async def referee_watch(field: CrewCheckContext) -> Outcome:
    """The wall clock against the referee's watch; the difference is kept in the record."""
    while True:
        text, at = await field.talk.enter(
            "Type a time HH:MM:SS and press Enter when the referee's watch shows it"
        )
        offset_s = watch_offset_s(text, wall_time(field, at))
        if offset_s is not None:
            break
        field.talk.say(f"{text!r} is not a time such as 19:03:00")
    if abs(offset_s) < 0.05:
        said = "the referee's watch agrees with the computer"
    else:
        way = "ahead of" if offset_s > 0 else "behind"
        said = f"the referee's watch is {abs(offset_s):.1f} s {way} the computer"
    return Outcome(RIGHT if abs(offset_s) <= WATCH_S else NOTED, said)


def wall_time(field: CrewCheckContext, at: int) -> datetime:
    """The computer's wall clock, local, at an instant just passed."""
    ago_s = (field.clock() - at) / 1e9
    return datetime.fromtimestamp(datetime.now().timestamp() - ago_s)


def watch_offset_s(text: str, now: datetime) -> float | None:
    """How many seconds a watch that shows ``text`` is ahead of ``now``; None if it is not a time.

    A dial has twelve hours, so the nearest such time is meant.
    """
    match = re.fullmatch(r"(\d{1,2}):(\d{2}):(\d{2})", text)
    if match is None:
        return None
    hours, minutes, seconds = map(int, match.groups())
    if hours > 23 or minutes > 59 or seconds > 59:
        return None
    shown_s = hours * 3600 + minutes * 60 + seconds
    mine_s = now.hour * 3600 + now.minute * 60 + now.second + now.microsecond / 1e6
    return (shown_s - mine_s + HALF_DIAL_S / 2) % HALF_DIAL_S - HALF_DIAL_S / 2


def steps_for(boards: bool) -> list[Step]:
    """The steps, with boards or without."""
    if not boards:
        return [*_HANDSETS, Step("wall clock against the referee's watch", referee_watch)]
    return [
        Step("numerals read aloud", read_aloud),
        Step("10 seconds against a wrist timer", ten_seconds),
        Step("both resets, held and running", resets),
        Step("cable out goes dark", cable_out),
        *_HANDSETS,
        Step("wall clock against the referee's watch", referee_watch),
    ]


_HANDSETS = [
    Step("handset battery out is noticed", battery_out),
    Step("second handset takes over", take_over),
]
