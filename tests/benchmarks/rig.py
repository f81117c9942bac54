"""The real service in a process of its own, between two ptys, and its counterpart in ours.

The counterpart does what handset and board nodes do on the wire: authenticated presses that name
the session and beat of the latest STATE, presence reports, and a STATUS to each SHOW that asks,
with the line time that a pty lacks. One loop serves all descriptors, the floor's too, so that what
the loop itself costs is in every figure alike.
"""

from __future__ import annotations

import contextlib
import gc
import os
import select
import subprocess
import sys
import tempfile
import time
import tty
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from drivers.base import Edge, Key
from drivers.board.messages import DARK, SHOW, NodeFlag, Show, Status, decode_show, encode_status
from drivers.board.segments import DARK_SEGMENTS, segments
from drivers.framing import Deframer
from drivers.handset.keys import Keys, new_key
from drivers.handset.messages import PressFrame, StateFrame, decode_state, encode_press, keys_of
from tests.shared.key_files import write_keys

ROOT = Path(__file__).resolve().parents[2]
MS = 1_000_000
S = 1_000 * MS

SHOW_LINE_NS = 3_906_250  # 15 bytes at 38,400 baud (PROTOCOL.md)
STATUS_LINE_NS = 4_947_917  # 19 bytes
TURN_AROUND_NS = 2_500_000  # a node begins 2.0-3.0 ms after the SHOW
ANSWER_NS = SHOW_LINE_NS + TURN_AROUND_NS + STATUS_LINE_NS
PRESENCE_NS = 10 * S
HANDSET = 1
BOARDS = {1: "North", 2: "South"}
START_S, STOP_S = 15, 10
NO_BYTE_CODE, BYTE_CODE = "PYTHONDONTWRITEBYTECODE", "PYTHONPYCACHEPREFIX"


def now() -> int:
    """The present instant: nanoseconds of CLOCK_BOOTTIME, as in the service."""
    return time.clock_gettime_ns(time.CLOCK_BOOTTIME)


class Pty:
    """A pseudo-terminal in raw mode: ``master`` is ours, ``path`` is for the other process."""

    def __init__(self) -> None:
        self.master, self._slave = os.openpty()
        tty.setraw(self._slave)  # no echo before the other side configures it
        os.set_blocking(self.master, False)
        self.path = os.ttyname(self._slave)

    def close(self) -> None:
        """Hang up: whoever reads the other side finds its end."""
        os.close(self.master)
        os.close(self._slave)


@dataclass(slots=True)
class Installation:
    """Configuration and keys of one service with two boards and one radio handset."""

    folder: Path
    boards: Pty = field(default_factory=Pty)
    receiver: Pty = field(default_factory=Pty)
    keys: Keys = field(init=False)

    def __post_init__(self) -> None:
        self.keys = Keys(new_key(), {HANDSET: new_key()})
        write_keys(self.folder / "handsets.key", self.keys)
        lines = [
            'rules = "nfhs"',
            f'state_folder = "{self.folder}"',
            f'runtime_folder = "{self.folder}/run"',
            f'key_file = "{self.folder}/handsets.key"',
            "controller_id = 4711",
        ]
        for node, name in BOARDS.items():
            lines += ["[[boards]]", f'name = "{name}"', 'driver = "node"', f"node = {node}"]
            lines += [f'port = "{self.boards.path}"']
        lines += ["[[handsets]]", 'driver = "radio"', f"id = {HANDSET}", 'role = "keeper"']
        lines += ['layout = "twelve"', f'port = "{self.receiver.path}"']
        self.config.write_text("\n".join(lines) + "\n", "utf-8")

    @property
    def config(self) -> Path:
        return self.folder / "playclock.toml"

    @property
    def journal(self) -> Path:
        return self.folder / "journal.sqlite3"

    @property
    def command(self) -> list[str]:
        """What starts the service."""
        return [sys.executable, "-m", "controller", "run", "--config", str(self.config)]

    def close(self) -> None:
        """Hang up both lines."""
        self.boards.close()
        self.receiver.close()


@contextlib.contextmanager
def process(command: Sequence[str | os.PathLike[str]]) -> Iterator[subprocess.Popen[bytes]]:
    """Run ``command`` from the checkout until the block is left; then SIGTERM, which it obeys."""
    with subprocess.Popen(command, cwd=ROOT, stdin=subprocess.DEVNULL) as running:
        try:
            yield running
        finally:
            running.terminate()
            try:
                running.wait(STOP_S)
            except subprocess.TimeoutExpired:
                running.kill()


@contextlib.contextmanager
def compiled() -> Iterator[None]:
    """Let what is started in this block keep its byte code in a folder that goes with the block.

    An installed package has its byte code; a checkout may have been told to write none. The first
    start in the block compiles, so that one is no sample.
    """
    before = {name: os.environ.pop(name, None) for name in (NO_BYTE_CODE, BYTE_CODE)}
    with tempfile.TemporaryDirectory() as folder:
        os.environ[BYTE_CODE] = folder
        try:
            yield
        finally:
            del os.environ[BYTE_CODE]
            os.environ.update({name: value for name, value in before.items() if value is not None})


@dataclass(slots=True)
class Window:
    """From a SHOW that asks to its answer: the service is silent. ``ends_at`` 0 while open."""

    begins_at: int
    ends_at: int = 0


class Rig:
    """Serves descriptors in one loop. Give each its reader with :meth:`watch`."""

    def __init__(self) -> None:
        self._readers: dict[int, Callable[[bytes, int], None]] = {}
        self._timers: dict[str, tuple[int, Callable[[int], None]]] = {}

    def watch(self, descriptor: int, reader: Callable[[bytes, int], None]) -> None:
        """Call ``reader`` with what is read, and with the instant just after the read."""
        self._readers[descriptor] = reader

    def at(self, name: str, instant: int, act: Callable[[int], None]) -> None:
        """Call ``act`` at ``instant``; a later one of the same ``name`` replaces it."""
        self._timers[name] = (instant, act)

    def serve(self, until_at: int, done: Callable[[], bool] | None = None) -> bool:
        """Serve until ``done`` says so, True, or ``until_at`` has come, False."""
        while True:
            if done is not None and done():
                return True
            at = now()
            if at >= until_at:
                return False
            for name, (instant, act) in list(self._timers.items()):
                if instant <= at:
                    del self._timers[name]
                    act(at)
            due = min([until_at, *(instant for instant, _ in self._timers.values())])
            ready, _, _ = select.select(list(self._readers), [], [], max(0, due - now()) / S)
            for descriptor in ready:
                data = os.read(descriptor, 4096)
                self._readers[descriptor](data, now())


class Screen:
    """What stands on the boards: reads SHOWs and remembers when wanted numerals first came."""

    def __init__(self) -> None:
        self._deframer = Deframer()
        self.listeners: list[Callable[[Show, int], None]] = []
        self._wanted: int | None = None
        self.seen_at: int | None = None
        self.shows = 0

    def want(self, numerals: int) -> None:
        """Look out for these numerals from now on."""
        self._wanted, self.seen_at = numerals, None

    def found(self) -> bool:
        """Whether they came."""
        return self.seen_at is not None

    def read(self, data: bytes, at: int) -> None:
        """Take bytes that were there at ``at``."""
        for body in self._deframer.feed(data):
            if body[0] != SHOW:
                continue
            show = decode_show(body)
            self.shows += 1
            if self.seen_at is None and show.numerals == self._wanted:
                self.seen_at = at
            for listener in self.listeners:
                listener(show, at)


class Counterpart:
    """Handset and boards of ``installation``, served by ``rig``."""

    def __init__(self, rig: Rig, installation: Installation) -> None:
        self._rig = rig
        self._installation = installation
        self._boards_fd = installation.boards.master
        self.receiver_fd = installation.receiver.master
        self._counter = 0
        self._deframer = Deframer()
        self.state: StateFrame | None = None
        self.screen = Screen()
        self.screen.listeners.append(self._shown)
        self.windows: list[Window] = []
        self._line_free_at = 0
        rig.watch(self._boards_fd, self.screen.read)
        rig.watch(self.receiver_fd, self._hear)

    def wait_for_start(self) -> None:
        """Serve until the service has shown and told something. ``TimeoutError`` if it never."""
        up = self._rig.serve(now() + START_S * S, lambda: bool(self.state and self.screen.shows))
        if not up:
            raise TimeoutError(f"the service showed or told nothing within {START_S} s")
        self._report_presence(now())

    def press(self, key: Key) -> bytes:
        """The frame of the next press: this key goes down now."""
        return self._frame(keys_of(key, Edge.DOWN))

    def was_asking(self, pressed_at: int, shown_at: int) -> bool:
        """Whether the service waited for an answer when the press came.

        The asking SHOW may be on its way to us while the press is written, so a wait that begins
        before the press is shown counts too.
        """
        for window in reversed(self.windows):
            if window.ends_at and window.ends_at < pressed_at:
                return False
            if window.begins_at < shown_at:
                return True
        return False

    def queued(self, at: int) -> bool:
        """Whether two frames would be on their way at ``at``, had the pty its line time."""
        return self._line_free_at - at > SHOW_LINE_NS

    def _frame(self, keys: int) -> bytes:
        assert self.state is not None
        self._counter += 1
        frame = PressFrame(HANDSET, self._counter, keys, 0, self.state.beat, 20)
        return encode_press(frame, self.state.session, self._installation.keys.uplink[HANDSET])

    def _report_presence(self, at: int) -> None:
        os.write(self.receiver_fd, self._frame(0))
        self._rig.at("presence", at + PRESENCE_NS, self._report_presence)

    def _hear(self, data: bytes, at: int) -> None:
        for body in self._deframer.feed(data):
            self.state = decode_state(body, self._installation.keys.downlink)

    def _shown(self, show: Show, at: int) -> None:
        self._line_free_at = max(at, self._line_free_at) + SHOW_LINE_NS
        if show.ask:
            self.windows.append(Window(at))
            self._rig.at("answer", at + ANSWER_NS, lambda _: self._answer(show))

    def _answer(self, show: Show) -> None:
        lit = show.numerals != DARK and show.node_mask >> (show.ask - 1) & 1
        lamps = segments(show.numerals) if lit else DARK_SEGMENTS
        status = Status(show.ask, show.stamp, lamps, show.brightness, NodeFlag(0), 120, 0, 0, 60, 1)
        frame = encode_status(status)
        self.windows[-1].ends_at = now()
        os.write(self._boards_fd, frame)


@contextlib.contextmanager
def undisturbed() -> Iterator[None]:
    """Keep our own collector out of the figures."""
    gc.collect()
    gc.disable()
    try:
        yield
    finally:
        gc.enable()
