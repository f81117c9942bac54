"""Every sentence of the console about the clock: the phase, what is awaited, what an order did, the
ruling, the boards. Pure.

The phase has its own place on the screen; the reply to an order says what that order did and
nothing of what has become of the count since.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Final

from controller.rules.actions import KEEPER
from controller.rules.events import (
    MarkMoment,
    NoCount,
    PlayEnded,
    Ready,
    Score,
    Snap,
    Stop,
    ToggleBoards,
    Undo,
    plain,
)
from controller.status.document import Status

LAST_SECONDS = 5
"""From here down to zero the numerals stand out."""
DID_IT_END: Final = "did the play end? DEAD BALL if it did"

_PHASES: Mapping[str, str] = {
    "IDLE": "NO COUNT",
    "SET": "HELD",
    "RUNNING": "RUNNING",
    "LIVE": "BALL LIVE",
    "STOPPED": "STOPPED",
    "EXPIRED": "ZERO",
}
_NEXT: Mapping[str, str] = {
    "IDLE": "next: any number or DEAD BALL",
    "SET": "next: READY runs {next}",
    "RUNNING": "next: SNAP",
    "LIVE": "next: DEAD BALL",
    "STOPPED": "next: READY runs {next}",
    "EXPIRED": "next: as the official decides",
}
_STARTS: Mapping[str, str] = {
    "dead_ball": "at the dead ball",
    "ready_for_play": "on the ready",
    "referee_signal": "on the referee's signal",
}
_LABELS: Mapping[str, str] = {
    plain(event, 0, 0): label
    for event, label in (
        (PlayEnded("routine"), "DEAD BALL"),
        (PlayEnded("foul"), "FLAG"),
        (PlayEnded("foul_defense"), "FLAG, defense only"),
        (PlayEnded("charged_timeout"), "TIME-OUT"),
        (PlayEnded("official_timeout"), "official's TIME-OUT"),
        (PlayEnded("injury_or_helmet_any"), "INJURY"),
        (PlayEnded("injury_offense"), "INJURY, offense"),
        (PlayEnded("injury_defense"), "INJURY, defense"),
        (Score(), "SCORE"),
        (Ready(), "READY"),
        (Snap(), "SNAP"),
        (Stop(), "STOP"),
        (NoCount(), "NO COUNT"),
        (NoCount(period_over=True), "PERIOD OVER"),
        (Undo(), "UNDO"),
        (ToggleBoards(), "BOARDS OFF"),
        (MarkMoment(), "MARK"),
    )
}
"""What a keeper calls the orders that have a key, by the words of the record."""
_PLAY_ENDED: Final = plain(PlayEnded(""), 0, 0)
_ASSUMED: Mapping[str, str] = {"snap": "nobody pressed SNAP", "ready": "nobody pressed READY"}
_NO_RULE: Mapping[str, str] = {
    "stoppage": "a stoppage, cause not told",
    "defense_only": "a stoppage by the defense alone, cause not told",
    "field_goal_or_safety": "a score, which one not told",
}
"""What an ending means that a keeper told without its cause, where no rule was asked for."""


# The phase


def phase_word(status: Status) -> str:
    """The phase in a keeper's word: ``RUNNING``."""
    return _PHASES.get(status.phase, status.phase)


def phase_words(status: Status) -> str:
    """The phase with the numerals: ``RUNNING 38``."""
    word = phase_word(status)
    if status.numerals is None or status.phase == "EXPIRED":
        return word
    return f"{word} {status.numerals}"


def phase_note(status: Status) -> str:
    """What belongs right behind the word of the phase; empty for most."""
    if status.phase == "SET":
        return " for the ready"
    if status.phase == "STOPPED" and status.remaining_ms is not None:
        return f" with {status.remaining_ms / 1000:.1f} s left"
    if in_last_seconds(status):
        return f": LAST {LAST_SECONDS} SECONDS"
    if status.phase == "RUNNING" and status.marked is not None:
        return f"  ({status.marked} cued)"
    return ""


def in_last_seconds(status: Status) -> bool:
    """True while the last seconds of a count run."""
    running = status.phase == "RUNNING" and status.numerals is not None
    return running and (status.numerals or 0) <= LAST_SECONDS


def awaited(status: Status) -> str:
    """What is to be pressed next."""
    if status.nudged:
        return DID_IT_END
    number = "it" if status.next_s is None else str(status.next_s)
    return _NEXT.get(status.phase, "").format(next=number)


# The boards


def boards_words(status: Status) -> tuple[str, bool]:
    """How the boards stand, in words, and whether someone must know at once."""
    if not status.board_health:
        return "no boards: the count is here and in the hand", False
    if status.boards == "off":
        return f"BOARDS OFF: {status.boards_why or 'reason unknown'}", True
    if status.boards_why:
        return f"BOARDS DARK: {status.boards_why}", True
    if status.boards == "blank":
        return "boards blank: no count", False
    return f"boards {status.boards}", False


# The last order


def is_ruled(status: Status) -> bool:
    """True when the ruling is what the last order called for."""
    changed = status.result not in ("refused", "no change")
    return changed and status.event in ("PlayEnded", "Score", "Ready")


def order_words(words: str) -> str:
    """An order as a keeper says it, from the ``words`` of the record: ``FLAG``."""
    return _LABELS.get(words, words.removeprefix(_PLAY_ENDED))


def reply(status: Status, ordered_text: str = "") -> tuple[str, str]:
    """What the last order did, in one sentence, and its style; empty before the first order.

    ``ordered_text`` is the wall time of that order as it shall be shown.
    """
    if not status.last:
        return "plain", ""
    by = f" (by {status.by})" if status.by not in ("", "console") else ""
    order, reason = order_words(status.last), status.reason
    if status.result == "refused":
        return "loud", f"{order} REFUSED: {reason}{by}"
    if status.result == "no change":
        return "bold", f"{order}: no change, {reason}{by}"
    did = _REPLIES.get(status.event, _ended)
    told = f"marked {ordered_text}".rstrip() if did is _marked else did(status)
    return ("caution" if status.result == "assumed" else "bold"), f"{told}{by}"


def _count(status: Status) -> str:
    """What the order put up: ``40 running``."""
    number = "" if status.ruling_seconds is None else f"{status.ruling_seconds} "
    if status.became in ("SET", "RUNNING"):
        return number + ("held" if status.became == "SET" else "running")
    return {"IDLE": "no count", "LIVE": "ball live", "EXPIRED": "zero"}.get(status.became, "stands")


def _taken_for_granted(status: Status) -> str:
    said = [_ASSUMED.get(each, each) for each in (status.promised, status.assumed) if each]
    return f" (assumed: {'; '.join(said)})" if said else ""


def _ended(status: Status) -> str:
    order = order_words(status.last)
    if status.reason and not status.reason.startswith("assumed"):
        return f"{order}: {status.reason}{_taken_for_granted(status)}"
    return f"{order}: {_count(status)}{_taken_for_granted(status)}"


def _scored(status: Status) -> str:
    what = status.ending.replace("_", " ")
    return f"SCORE, {what}: {_count(status)}{_taken_for_granted(status)}"


def _held(status: Status) -> str:
    note = f"; {status.reason}" if status.reason else ""
    return f"{_count(status)} for the ready{note}"


def _as_recorded(status: Status) -> str:
    return status.last


def _readied(status: Status) -> str:
    if status.assumed == "administrative number":
        return f"READY with no number up: {_count(status)} (assumed)"
    return _ended(status)


def _stopped(status: Status) -> str:
    if status.became == "SET":
        return f"STOP again: {_count(status)}"
    return "STOP: the count stands"


def _corrected(status: Status) -> str:
    return f"{status.last}, {'running' if status.became == 'RUNNING' else 'held'}"


def _taken_back(status: Status) -> str:
    return f"taken back: {order_words(status.taken_back) or 'the last key'}"


def _boards(status: Status) -> str:
    if not status.board_health:
        return "BOARDS OFF: there are no boards"
    if status.boards == "off":
        return "boards off"
    ill = status.boards_why or "; ".join(
        f"{each.name} {each.state}" for each in status.board_health if not each.well
    )
    if ill:
        return f"relight ordered; {ill}"
    return "boards relit" + ("; no count to show" if status.boards == "blank" else "")


def _marked(_: Status) -> str:
    return "marked"


_REPLIES: Mapping[str, Callable[[Status], str]] = {
    "PlayEnded": _ended,
    "Score": _scored,
    "HoldNumber": _held,
    "RunNumber": _as_recorded,
    "Ready": _readied,
    "Snap": _ended,
    "Stop": _stopped,
    "NoCount": _ended,
    "SetCount": _corrected,
    "Undo": _taken_back,
    "ToggleBoards": _boards,
    "BoardsFault": _as_recorded,
    "MarkMoment": _marked,
}
"""What an accepted order of each kind did."""


# The ruling


def ruling(status: Status) -> str:
    """Which count applies, what starts it and why; empty while there is no ruling."""
    if not status.citation:
        return ""
    number = "no new count" if status.ruling_seconds is None else str(status.ruling_seconds)
    starts = _STARTS.get(status.starts_on, status.starts_on)
    what = f"{number} {starts}" if status.ruling_seconds is not None and starts else number
    return f"ruling: {what}" + ("" if status.citation == status.override else f": {why(status)}")


def why(status: Status) -> str:
    """The rule that the ruling rests on, or what it means where no rule was asked for."""
    if status.citation != KEEPER:
        return status.citation
    if status.ending == "routine" and status.starts_on == "dead_ball":
        return "the count after an ordinary play"
    return _NO_RULE.get(status.ending, "no cause told")


# Answers to what was typed

BOARDS_TWICE: Final = "boards off or on: oo, twice within 2 s; m marks the moment"


def no_key(char: str) -> str:
    """A character that is not a key."""
    return "Esc is not a key" if char == "\x1b" else f"{char!r} is not a key"


def how_to_quit(word: str) -> str:
    """Boards that serve a game are not darkened by one slip of a finger."""
    return f"to end the game and darken the boards type :{word}"
