"""Makes the snapshot that observers see."""

from __future__ import annotations

from controller.rules.phases import Boards, Off, Running, Stopped, name
from controller.service.board_agreement import Word
from controller.service.service import Service
from controller.status.document import BoardHealth, HandsetHealth, Status

MS_NS = 1_000_000


def status_of(service: Service, now: int, journal_fault: str = "") -> Status:
    """The whole service at ``now``, a CLOCK_BOOTTIME instant in nanoseconds."""
    play_clock = service.play_clock
    down = play_clock.state.down
    last, ruling = service.last.decided, down.ruling
    return Status(
        rules=f"{play_clock.rules.title} {play_clock.rules.season}",
        phase=name(down.phase),
        numerals=play_clock.numerals(now),
        remaining_ms=_remaining_ms(service, now),
        boards=play_clock.boards.value,
        boards_why=_why(service),
        last=service.last.words,
        by=service.last.by,
        result=last.result.value if last else "",
        reason=last.reason if last else "",
        ruling_seconds=ruling.seconds if ruling else None,
        starts_on=ruling.starts_on.value if ruling else "",
        citation=ruling.citation if ruling else "",
        override=ruling.override if ruling else "",
        game=service.recorder.game,
        down=down.number,
        board_health=tuple(
            _board(service, each) for board in service.boards for each in board.boards
        ),
        handset_health=tuple(_handset(service, each, now) for each in sorted(service.crew)),
        journal=journal_fault,
        alarms=tuple(_alarms(service, now)),
        marked=service.marked,
        unauthenticated=not all(each.authenticated for each in service.handsets),
    )


def _remaining_ms(service: Service, now: int) -> int | None:
    match service.play_clock.state.down.phase:
        case Running(_, _, expires_at, _):
            return max(0, expires_at - now) // MS_NS
        case Stopped(_, remaining_ns):
            return remaining_ns // MS_NS
    return None


def _why(service: Service) -> str:
    """Why no count is on the boards although there is one."""
    if service.watch.agreement.dark:
        return service.watch.agreement.why
    if service.play_clock.boards is not Boards.OFF:
        return ""
    if service.play_clock.state.off is Off.ORDERED:
        return "by order"
    return service.checkpointer.off_why or "after a fault; relight when it is mended"


def _board(service: Service, board: str) -> BoardHealth:
    word = service.watch.agreement.word(board)
    report = service.watch.reports.get(board)
    if word is Word.PORT_FAULT:
        return BoardHealth(board, word.value, "", service.watch.faults[board])
    if word is Word.SENT:
        return BoardHealth(board, word.value, detail="cannot say what it shows")
    if report is None:
        return BoardHealth(board)
    supply = "" if report.supply_v is None else f"{report.supply_v:.1f} V"
    detail = "; ".join(each for each in (supply, *report.notes) if each)
    return BoardHealth(board, word.value, report.seen, detail)


def _handset(service: Service, number: int, now: int) -> HandsetHealth:
    member = service.crew[number]
    fault = "; ".join(
        said
        for each in service.handsets
        if number in each.serves and (said := service.handset_faults.get(each.name, ""))
    )
    if number == 0:
        state = "port fault" if fault else "heard"
        return HandsetHealth(member.name, member.role.value, state, detail=fault)
    heard_s, state = None, "waiting"
    if service.presence.watches(number):
        heard_s = service.presence.heard_s(number, now)
        if service.presence.silent(number, now):
            state = "silent"
        elif heard_s is not None:
            state = "heard"
    if fault:
        state = "port fault"
    battery = service.batteries.get(number)
    return HandsetHealth(member.name, member.role.value, state, heard_s, battery, fault)


def _alarms(service: Service, now: int) -> list[str]:
    said = service.alarms.words(now)
    said += [
        f"{service.crew[number].name}: {_unheard(service.presence.heard_s(number, now))}"
        for number in sorted(service.crew)
        if service.presence.watches(number) and service.presence.silent(number, now)
    ]
    return said


def _unheard(heard_s: int | None) -> str:
    return "not heard yet" if heard_s is None else f"not heard for {heard_s} s"
