"""Attacks on a board's firmware, whose logic runs on this computer with sanitizers."""

from __future__ import annotations

import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import islice
from pathlib import Path

from tests.firmware import pc
from tests.firmware.bench import OnPC
from tests.scenarios.attacks.forging import damaged, of_version
from tests.scenarios.attacks.tally import Tally
from tests.shared.frames import Show, framed, lamps_of, make_show

OURS, STRANGER = 0x1A2B, 0x1A2C
DARK = (0, 0)


def show(stamp: int, numerals: int = 25, controller: int = OURS, ask: int = 0) -> bytes:
    """A SHOW for all nodes."""
    return make_show(Show(controller, stamp & 0xFFFF, numerals, 15, ask, 0xFF))


@contextmanager
def a_node(number: int = 1) -> Iterator[OnPC]:
    """One node, just powered up."""
    with subprocess.Popen(
        [pc.node_program()], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as process:
        yield OnPC(process, number)
        process.communicate()
    assert process.returncode == 0, "the sanitizers' report is on standard error"


def stamps_wrapped(tally: Tally, _folder: Path) -> None:
    """A SHOW recorded and replayed within half the range of stamps, over the turn of 16 bits.

    Beyond 327 s an old stamp is a newer one again: the wire has no authentication.
    """
    with a_node() as node:
        for first in (10, 40_001, 65_530, 0x7FFF, 0x8000):
            node.wait(1_600)
            node.hear(show(first, 25))
            for later in (1, 10, 100, 1_000, 20_000, 32_767):
                node.hear(show(first + later, 24))
                assert node.digits == lamps_of(24), "the true one"
                for old in (0, later // 2, later):
                    if later - old < 32_768:
                        node.hear(show(first + old, 25, ask=1))
                        held = node.digits == lamps_of(24) and not node.answers
                        tally.tried(held, f"stamp {first + old} after {first + later}")
                node.wait(1_600)
                node.hear(show(first, 25))


def second_controller(tally: Tally, _folder: Path) -> None:
    """Another controller shouts between the frames of ours, its stamps ahead, asking."""
    with a_node() as node:
        node.hear(show(1))
        for number in range(100 * tally.many):
            node.hear(show(2 + number))
            for stamp in (0, 3 + number, 30_000, 0xFFFF):
                node.hear(show(stamp, 13, STRANGER, ask=1))
                held = node.digits == lamps_of(25) and not node.answers
                tally.tried(held, f"stamp {stamp} after {number} frames: {node.digits}")
        assert node.foreign == 400 * tally.many % 256


def strangers_do_not_feed(tally: Tally, _folder: Path) -> None:
    """Neither foreign nor stale, damaged nor other versions' frames keep a numeral alive."""
    for frame in (
        show(5_000, 25, STRANGER),
        show(1_000),
        show(999),
        of_version(3, show(1_001)),
        of_version(1, show(1_001)),
        next(damaged(show(1_001), 2)),
        framed(b"\x22" + bytes(19)),
    ):
        with a_node() as node:
            node.hear(show(1_000))
            for _turn in range(15):
                node.hear(frame)
                node.wait(94)
            node.wait(60)
            tally.tried(node.digits == DARK, f"{frame.hex()} kept 25 alive", 15)


def damaged_frames(tally: Tally, _folder: Path) -> None:
    """Every good SHOW of 13 with one or two bits turned, and in every other version."""
    good = show(2_000, 13, ask=1)
    step = max(1, 4 // tally.many)
    frames = [*damaged(good, 1), *islice(damaged(good, 2), None, None, step)]
    frames += [of_version(version, good) for version in range(16) if version != 2]
    with a_node() as node:
        for number, frame in enumerate(frames):
            if number % 50 == 0:
                node.hear(show(100 + number // 50))
            node.hear(frame)
            held = node.digits == lamps_of(25) and not node.answers
            tally.tried(held, f"{frame.hex()}: {node.digits}")
            if not held:
                return
        node.hear(good)
        assert node.digits == lamps_of(13), "the whole one"
