"""A driver, as its port sees it."""

from __future__ import annotations

from drivers.base import PortError


class Ear:
    """Keeps what a port hears, and when."""

    def __init__(self) -> None:
        self.heard: list[tuple[bytes, int]] = []
        self.losses: list[PortError] = []

    def bytes_received(self, data: bytes, at: int) -> None:
        self.heard.append((data, at))

    def port_lost(self, error: PortError) -> None:
        self.losses.append(error)
