"""What stands below the numerals: faults, what is well, the keys, the entry line. Pure."""

from __future__ import annotations

from collections.abc import Sequence

from controller.console.entry import HELP
from controller.console.style import Piece, clean, cut
from controller.status.document import BoardHealth, HandsetHealth, Refused, Status

KEYS: tuple[tuple[str, str], ...] = (
    ("d", "DEAD BALL: runs the routine count"),
    ("r", "READY: runs the number held"),
    ("s", "SNAP: or free kick, ball live"),
    ("2", "25: holds it; twice runs it"),
    ("4", "40: holds it; twice runs it"),
    ("x", "STOP: stops it; again 25 held"),
    ("f", "FLAG: foul; twice defense only"),
    ("t", "TIME-OUT: charged; twice official"),
    ("i", "INJURY: any team; twice defense"),
    ("p", "SCORE: touchdown; again field goal"),
    ("u", "UNDO: takes back the last key"),
    ("n", "NO COUNT: blank; nnn period over"),
    ("m", "MARK: this moment, in the record"),
    ("o", "BOARDS OFF: oo turns them off or on"),
    (":", "types an ending or a count"),
    ("q", "quits, boards dark"),
)
"""The console's keys and what they do. Upper case or lower is the same."""
_FOOTER_KEYS = (":", "q", ":quit")


def faults(status: Status) -> list[list[Piece]]:
    """What someone must look at, most urgent first, a line each."""
    said: list[list[Piece]] = [
        [("loud", " ALARM     "), ("bold", f" {alarm}")] for alarm in status.alarms
    ]
    said += [_board(each) for each in status.board_health if not each.well]
    said += [_handset(each) for each in status.handset_health if not each.well]
    if status.journal:
        said.append([("loud", " JOURNAL   "), ("bold", f" not written: {status.journal}")])
    said += [[("loud", " TROUBLE   "), ("bold", f" {each}")] for each in status.troubles]
    if status.journal_doubt:
        said.append([("loud", " RECORD    "), ("bold", f" {status.journal_doubt}")])
    if status.unauthenticated:
        text = " unauthenticated: a stranger could press its keys"
        said.append([("caution", " OPEN INPUT"), ("bold", text)])
    return said


def well(status: Status) -> list[list[Piece]]:
    """Boards and handsets that are as they should be, a line each; while there is no count, the
    record's head."""
    said = [_board(each) for each in status.board_health if each.well]
    said += [_handset(each) for each in status.handset_health if each.well]
    if status.journal_head and status.phase == "IDLE":  # nobody has time for it in a play
        text = f" ends with {status.journal_head}: for the game's sheet"
        said.append([("plain", " record    "), ("plain", text)])
    return said


def refused(status: Status) -> list[list[Piece]]:
    """How much came over the air and was refused: one line, or none where nothing was."""
    counts = status.refused
    if not counts:
        return []
    total = sum(each.since_start for each in counts)
    lately = sum(each.last_minute for each in counts)
    most = ", ".join(_count(each) for each in counts)
    text = f" {total} frames, {lately} in the last minute: {most}"
    style = "caution" if lately else "plain"
    return [[(style, " REFUSED   "), ("plain", text)]]


def _count(refused: Refused) -> str:
    whose = f" ({clean(refused.whose[:40])})" if refused.whose else ""
    return f"{refused.reason} {refused.since_start}{whose}"


def _board(board: BoardHealth) -> list[Piece]:
    shows = f"shows {board.shows}" if board.shows else ""
    return _health("board", board, "", (shows, board.detail))


def _handset(handset: HandsetHealth) -> list[Piece]:
    heard = "" if handset.heard_s is None else f"{handset.heard_s} s ago"
    hours = handset.battery_hours
    battery = "" if hours is None else f"battery {hours} h"
    said = (heard, battery, handset.detail)
    return _health("handset", handset, handset.role, said)


def _health(
    kind: str, each: BoardHealth | HandsetHealth, role: str, said: tuple[str, ...]
) -> list[Piece]:
    name = cut(clean(each.name[:40]), 20)
    who = name if name.startswith(f"{kind} ") else f"{kind} {name}"
    who += f" ({role})" if role and role != name else ""
    tail = ", ".join(word for word in said if word)
    text = ("plain" if each.well else "bold", f" {who}: {tail}" if tail else f" {who}")
    if each.well:
        style = "good" if each.state in ("right", "heard") else "waits"
        return [(style, f" {each.state:<10}"), text]
    return [("loud", f" {each.state.upper():<10}"), text]


def lower(
    bad: list[list[Piece]],
    good: list[list[Piece]],
    keys: Sequence[tuple[str, str]],
    columns: int,
    room: int,
) -> list[list[Piece]]:
    """Faults, what is well, and as much of the keys as fits, in exactly ``room`` lines."""
    if len(bad) > room:
        more = len(bad) - room + 1
        return [*bad[: room - 1], [("loud", f" and {more} more faults ")]]
    said = (bad + good)[:room]
    spare = room - len(said)
    full, brief = _keys_in_full(keys, columns), _keys_in_brief(keys, columns)
    legend = full if len(full) <= spare else brief if len(brief) <= spare else []
    gap = spare - len(legend)
    above = 1 if gap and legend else 0
    blank: list[list[Piece]] = [[("plain", "")]]
    return blank * above + said + blank * (gap - above) + legend


def _keys_in_full(keys: Sequence[tuple[str, str]], columns: int) -> list[list[Piece]]:
    shown = [key for key in keys if key[0] not in _FOOTER_KEYS]
    across = max(1, columns // 39)
    width, height = columns // across, -(-len(shown) // across)
    lines: list[list[Piece]] = [[] for _ in range(height)]
    for index, (key, meaning) in enumerate(shown):
        label, colon, does = meaning.partition(":")
        room = width - len(key) - len(label) - 4
        does = cut(f"{colon}{does}", room).ljust(room)
        lines[index % height] += [*_key(key), ("bold", label), ("plain", f"{does} ")]
    return lines


def _keys_in_brief(keys: Sequence[tuple[str, str]], columns: int) -> list[list[Piece]]:
    lines: list[list[Piece]] = []
    room = 0
    for key, meaning in keys:
        if key in _FOOTER_KEYS:
            continue
        label = meaning.partition(":")[0]
        width = len(key) + len(label) + 4
        if width > room:
            lines.append([])
            room = columns
        lines[-1] += [*_key(key), ("plain", f"{label} ")]
        room -= width
    return lines


def _key(key: str) -> list[Piece]:
    return [("cursor", f" {key} "), ("plain", " ")]


def footer(
    keys: Sequence[tuple[str, str]],
    entry: str | None,
    entry_error: str,
    columns: int,
    *,
    tall: bool,
) -> list[list[Piece]]:
    """The entry line while it is open, what was wrong with it, else the keys that belong here.

    A screen that is not ``tall`` has no line for help.
    """
    error: list[Piece] = [("caution", f" {entry_error} ")]
    if entry is None:
        if entry_error:
            return [error]
        shown = [key for key in keys if key[0] in _FOOTER_KEYS] if tall else []
        line = [piece for key, does in shown for piece in (*_key(key), ("plain", f"{does}  "))]
        return [line] if line else []
    typed = entry[-max(8, columns // 2) :]
    line = [("bold", f" :{typed}"), ("cursor", " "), ("plain", "  Enter gives it, Esc drops it")]
    if entry_error:
        return [error, line]
    return [[("plain", f" {HELP}")], line] if tall else [line]
