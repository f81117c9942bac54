"""The displays that are no board nodes: what can be said of them, and what only people can."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator

from controller.check.report import Finding, look, ok, wrong
from drivers.base import Answered, Board, BoardReport

LOOK_S = 2.0
"""How long a numeral stands that only people can read."""


class Displays:
    """Keeps what the displays answer; a :class:`drivers.base.BoardListener`."""

    def __init__(self) -> None:
        self.reports: dict[str, list[BoardReport]] = defaultdict(list)

    def board_answered(self, report: BoardReport) -> None:
        self.reports[report.board].append(report)

    def findings(self, driver: Board) -> Iterator[Finding]:
        """Everything about the displays of one driver."""
        for name in driver.boards:
            if name in driver.answering:
                yield _answers(name, self.reports[name])
                yield look(
                    f"{name}: whether it goes dark when this controller dies is not known",
                    "set a time-out in the display if it has one, and keep its supply switch at "
                    "hand: without a time-out nothing else darkens it",
                )
            else:
                yield look(
                    f"{name}: was sent lamp test, numerals and dark, and cannot say what it shows",
                    "read it from the field; when this controller dies its last numeral stands, "
                    "and only its supply switch darkens it: know where that is",
                )


def _answers(name: str, reports: list[BoardReport]) -> Finding:
    told = [each for each in reports if each.answered is not Answered.SILENT]
    if not told:
        return wrong(
            f"{name} does not answer: asked {len(reports)} times",
            "look at its supply, its plug and the line, and at the unit set in it",
        )
    lies = [each for each in told if each.answered is Answered.WRONG]
    if lies:
        times = dict.fromkeys(f"{each.seen} when told {each.expected}" for each in lies)
        return wrong(
            f"{name} showed {'; '.join(times)}", "do not use the boards until it is mended"
        )
    if len(told) < len(reports):
        missing = len(reports) - len(told)
        return look(
            f"{name}: {missing} of {len(reports)} answers missing", "look at cable and plugs"
        )
    return ok(f"{name} showed all that it was told")
