"""The service, as a board driver sees it."""

from __future__ import annotations

from drivers.base import BoardReport


class NoReports:
    """Fails on any report: such a board has nothing to say."""

    def board_answered(self, report: object) -> None:
        raise AssertionError(f"reported: {report}")


class Reports:
    """Keeps what a board driver reports."""

    def __init__(self) -> None:
        self.all: list[BoardReport] = []

    def board_answered(self, report: BoardReport) -> None:
        self.all.append(report)
