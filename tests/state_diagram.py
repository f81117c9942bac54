"""Prints the state diagram of the play clock: ``python3 -m tests.state_diagram``.

Nothing is drawn by hand: one event of each kind is given to a running clock in each phase under
the school rule set, and what became of it is the arrow.
"""

from __future__ import annotations

from controller.rules.effects import Result
from controller.rules.events import Event, NoCount, SetCount
from controller.rules.phases import PHASES
from controller.rules.transitions import Kind
from tests.controller.rules import orders
from tests.controller.rules.crew import in_phase

KINDS: dict[str, Event] = {
    Kind.ROUTINE_END.value: orders.DEAD_BALL,
    "foul": orders.ending("foul"),
    "other named stoppage": orders.ending("charged_timeout"),
    Kind.HOLD.value: orders.HOLD_25,
    Kind.RUN.value: orders.RUN_25,
    Kind.READY.value: orders.READY,
    Kind.SNAP.value: orders.SNAP,
    Kind.STOP.value: orders.STOP,
    Kind.NO_COUNT.value: NoCount(),
    Kind.SET_COUNT.value: SetCount(12),
}
AT_S = 100


def diagram() -> str:
    """The diagram in Mermaid's language, without a newline at its end."""
    arrows: dict[tuple[str, str], list[str]] = {}
    refused: dict[str, list[str]] = {}
    phases = [phase.__name__.upper() for phase in PHASES]
    for phase in phases:
        for kind, event in KINDS.items():
            decided = in_phase(phase)(event, AT_S)
            if decided.result is Result.REFUSED:
                refused.setdefault(phase, []).append(kind)
            elif decided.changed:
                assumed = f" ({decided.assumed} assumed)" if decided.assumed else ""
                arrows.setdefault((phase, decided.phase_after), []).append(kind + assumed)
    arrows.setdefault(("RUNNING", time_out_of("RUNNING")), []).append("zero reached")
    lines = ["stateDiagram-v2", f"    [*] --> {phases[0]}"]
    lines += [
        f"    {source} --> {target} : {'<br>'.join(kinds)}"
        for (source, target), kinds in sorted(
            arrows.items(), key=lambda arrow: tuple(map(phases.index, arrow[0]))
        )
    ]
    lines += [
        f"    note right of {phase} : refused: {', '.join(refused[phase])}" for phase in refused
    ]
    return "\n".join(lines)


def time_out_of(phase: str) -> str:
    """The phase that ``phase`` becomes when only time passes."""
    crew = in_phase(phase)
    crew.wait_until(10 * AT_S)
    return type(crew.phase).__name__.upper()


if __name__ == "__main__":
    print(diagram())
