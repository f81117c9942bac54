"""The flood in real time: a stranger's transmitter fills the receiver's port for minutes, while the
keeper plays on.

What comes is of every kind that a driver refuses: presses with a wrong tag, of handsets without a
key, played back; frames of another kind; bytes that are no frame. It comes at a steady rate, many
times as fast as the line of a receiver carries (3.84 kB a second at 38,400 baud).
"""

from __future__ import annotations

import fcntl
import math
import os
import random
import sys
import termios
from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from itertools import chain, cycle
from pathlib import Path
from statistics import median

from controller.journal.row import Row
from drivers.base import Key
from tests.benchmarks import rig
from tests.benchmarks.figures import Finding, at_most, equal
from tests.benchmarks.vital_signs import Vitals
from tests.scenarios.soak.minutes import SETTLE_S, Played, ahead
from tests.shared.frames import KEY_BITS, Press, make_press, make_status
from tests.shared.frames import Status as NodeStatus
from tests.shared.installation import KEEPER

SEED = 1906
BYTES_A_SECOND = 100_000
EVERY_MS, MOST = 10, 4_000
"""A burst comes so often and has at most so many bytes."""
POOL = 200
"""Different frames of each kind: made beforehand, since the frames of the tests are made slowly."""
NOBODY = 77
UNREAD = 2_000
"""With so many bytes unread nothing is added: a press shall not wait long behind them."""
MINUTE = 60 * rig.S
FIRST_ROWS = 4
"""One for each reason, and that of the minute or of the end."""
FILLED_MIN, GROWN_KIB = 3, 160
"""Until then what is kept for later is filled. In each minute after that 6 MB and some 200,000
frames come: of one byte kept of each it would be 200 KiB a minute."""


@dataclass(slots=True)
class Flood:
    """What was gathered of one flood."""

    minutes: float
    samples: list[Vitals]
    begins_at: int
    sent_bytes: int
    frames: int
    """So many that the driver refuses were sent."""
    presses: int
    rows: list[Row]
    journal_bytes: int
    said: str
    problem: str
    exit_code: int


class Flooded(Played):
    """One service that is played on and flooded for ``minutes``."""

    def __init__(
        self, folder: Path, stack: ExitStack, minutes: float, settle_s: float, rate: int
    ) -> None:
        super().__init__(folder, stack, SEED)
        self._minutes, self._settle_s, self._rate = minutes, settle_s, rate
        self._sent = self._frames_sent = 0

    def run(self) -> Flood:
        """Run it to its end."""
        self.counterpart.wait_for_start()
        self._frames = self._foreign()
        self._press(rig.now())
        self.loop.serve(rig.now() + round(self._settle_s * rig.S))
        self._begins_at = begins_at = rig.now()
        self._sample(begins_at)
        # On a busy machine the service may not come to read for so long that the pty is full: then
        # presses and flood wait, which a line cannot, so that nothing is lost and all is counted.
        os.set_blocking(self.counterpart.receiver_fd, True)
        self._pour(begins_at)
        with ahead():
            self.loop.serve(begins_at + round(self._minutes * MINUTE))
        self.loop.stop("pour")
        self.loop.serve(rig.now() + rig.S)
        code, rows, problem = self._end()
        return Flood(
            self._minutes,
            self._samples,
            begins_at,
            self._sent,
            self._frames_sent,
            self._presses,
            rows,
            self.site.journal.stat().st_size,
            self._said.decode("utf-8", "replace"),
            problem,
            code,
        )

    def _foreign(self) -> Iterator[bytes]:
        """What comes, without end."""
        heard, chance = self.counterpart.state, random.Random(SEED)
        assert heard is not None
        stranger = chance.randbytes(16)

        def press(handset: int, counter: int) -> bytes:
            said = Press(handset, counter, KEY_BITS["READY"], 0, heard.beat)
            return make_press(said, stranger, self.counterpart.session)

        forged = [press(KEEPER, 1_000_000 + each) for each in range(POOL)]
        others = [press(NOBODY, each) for each in range(POOL)]
        strange = [
            make_status(NodeStatus(1, stamp, (0, 0), 15, 0, 0, 0, 9)) for stamp in range(POOL)
        ]
        again = [self.counterpart.frame_of(Key.READY)] * POOL
        noise = [bytes([0, *chance.choices(range(1, 256), k=24), 0]) for _ in range(POOL)]
        return cycle(chain.from_iterable(zip(forged, others, strange, again, noise, strict=True)))

    def _pour(self, due_at: int) -> None:
        unread = fcntl.ioctl(self.site.ttys["receiver"].slave, termios.FIONREAD, b"\0\0\0\0")
        if int.from_bytes(unread, sys.byteorder) < UNREAD:
            owed = (due_at - self._begins_at) * self._rate // rig.S - self._sent
            burst = bytearray()
            while len(burst) < min(owed, MOST):
                burst += next(self._frames)
                self._frames_sent += 1
            self._sent += os.write(self.counterpart.receiver_fd, burst)
        next_at = due_at + EVERY_MS * rig.MS
        self.loop.at("pour", next_at, lambda _: self._pour(next_at))


def flood(
    folder: Path, minutes: float, settle_s: float = SETTLE_S, rate: int = BYTES_A_SECOND
) -> Flood:
    """Run the service in ``folder`` and, ``settle_s`` after its start, flood its receiver with
    ``rate`` bytes a second."""
    with ExitStack() as stack, rig.undisturbed():
        return Flooded(folder, stack, minutes, settle_s, rate).run()


@dataclass(frozen=True, slots=True)
class Minute:
    """One minute of a flood: the median of its memory, its rows, and how many frames they tell."""

    number: int
    resident_kib: float
    anonymous_kib: float
    rejected_rows: int
    other_rows: int
    told: int

    def __str__(self) -> str:
        return (
            f"minute {self.number:2}: RSS {self.resident_kib / 1024:.2f} MiB (anonymous "
            f"{self.anonymous_kib / 1024:.2f}), {self.rejected_rows} rows of refused frames "
            f"({self.told} frames), {self.other_rows} others"
        )


def minutes_of(run: Flood) -> list[Minute]:
    """The flood minute by minute, from 1."""
    found = []
    for number in range(1, math.ceil(run.minutes) + 1):
        from_at = run.begins_at + (number - 1) * MINUTE
        samples = [each for each in run.samples if 0 <= each.at - from_at < MINUTE]
        rows = [each for each in run.rows if 0 <= each.received_at - from_at < MINUTE]
        rejected = [each for each in rows if each.kind == "rejected"]
        found.append(
            Minute(
                number,
                median(each.resident_kib for each in samples),
                median(each.anonymous_kib for each in samples),
                len(rejected),
                len(rows) - len(rejected),
                sum(map(frames_told, rejected)),
            )
        )
    return found


def frames_told(row: Row) -> int:
    """Of how many frames a row of refused ones tells."""
    frames, counted, _ = row.event.partition(" frames refused in ")
    return int(frames) if counted else 1


def findings(run: Flood) -> list[Finding]:
    """That memory comes to rest, that a minute has its row, and that each frame was counted."""
    minutes = minutes_of(run)
    rejected = [each for each in run.rows if each.kind == "rejected"]
    presses = [each for each in run.rows if each.kind == "press"]
    told = sum(map(frames_told, rejected))
    last = rejected[-1].detail if rejected else ""
    found = [
        at_most("rows of refused frames in the first minute", minutes[0].rejected_rows, FIRST_ROWS),
        equal("frames refused, told and sent", told, run.frames),
        equal("the same, by the last row", last, f"{told} since the start"),
        equal("presses in the journal", len(presses), run.presses),
        equal("journal's chain", run.problem, ""),
        equal("exit code", run.exit_code, 0),
    ]
    if len(minutes) > FILLED_MIN:
        most = max(each.rejected_rows for each in minutes[1:])
        grown_kib = minutes[-1].resident_kib - minutes[FILLED_MIN - 1].resident_kib
        since = f"memory grown since minute {FILLED_MIN}"
        found += [
            at_most("rows of refused frames in any later minute", most, 1),
            at_most(since, grown_kib, GROWN_KIB, " KiB"),
        ]
    return found
