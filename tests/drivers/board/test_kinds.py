"""The drivers of boards: what a file may leave out, and the line that a board hangs on."""

from __future__ import annotations

from drivers.base import Port
from drivers.board.kinds import ANY_BAUDS, BOARD_KINDS, NODE_BAUDS, BoardConfig
from drivers.board.node import NodeBus
from drivers.board.text_layout import TextLayout
from drivers.board.text_line import TextLine
from drivers.kind import Site

KINDS = {kind.name: kind for kind in BOARD_KINDS}


class Asked(Site):
    """Keeps how its ports were asked for."""

    asked: dict[str, object]

    def serial_port(self, path: str, baud: int, **line: object) -> Port:
        self.asked = {"path": path, "baud": baud, **line}
        return super().serial_port(path, baud)


def test_board_rates_are_those_that_a_16_mhz_node_makes() -> None:
    """ATmega328P data sheet, double speed: rate = 16 MHz / (8 x (UBRR + 1)); from memory."""

    def error(baud: int) -> float:
        divisor = round(16e6 / (8 * baud))
        return abs(16e6 / (8 * divisor) / baud - 1)

    assert all(error(baud) < 0.002 for baud in NODE_BAUDS)
    assert error(57600) > 0.007
    assert error(115200) > 0.02
    assert set(NODE_BAUDS) < set(ANY_BAUDS)


def test_nodes_of_one_port_are_one_bus_with_this_installations_number() -> None:
    site = Asked(lambda: 0, controller_id=4711)
    boards = [
        BoardConfig(name, "node", "/dev/pair", node, rs485="kernel")
        for node, name in [(2, "south"), (1, "north")]
    ]
    bus = KINDS["node"].build(boards, site)
    assert isinstance(bus, NodeBus)
    assert (bus.name, bus.nodes) == ("/dev/pair", {1: "north", 2: "south"})
    assert site.asked == {"path": "/dev/pair", "baud": 38400, "rs485": "kernel"}


def test_a_display_has_the_line_that_its_file_describes() -> None:
    site = Asked(lambda: 0)
    layout = TextLayout("{numerals}", "-")
    text = BoardConfig(
        *("a", "text_line", "/dev/text", 0, "adapter", 1200, "odd", 2), details=layout
    )
    line = KINDS["text_line"].build([text], site)
    assert isinstance(line, TextLine) and line.boards == ("a",)
    assert site.asked == {
        "path": "/dev/text",
        "baud": 1200,
        "rs485": "adapter",
        "parity": "odd",
        "stop_bits": 2,
    }
