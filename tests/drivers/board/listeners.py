"""The service, as a board driver that is never answered sees it."""

from __future__ import annotations


class NoReports:
    """Fails on any report: such a board has nothing to say."""

    def board_answered(self, report: object) -> None:
        raise AssertionError(f"reported: {report}")
