"""The real service in a process of its own, between two ptys, and its counterpart in ours.

The counterpart does what handset and board nodes do on the wire: it asks for the session, and there
are authenticated presses that name the beat of the latest STATE, presence reports, and a STATUS to
each SHOW that asks, with the line time that a pty lacks. One loop serves all descriptors, the
floor's too, so that what the loop itself costs is in every figure alike.
"""

from __future__ import annotations

import contextlib
import gc
import os
import select
import subprocess
import tempfile
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from drivers.base import Key
from tests.shared import program
from tests.shared.board_node import TURN_ROUND_NS, Node
from tests.shared.frames import (
    BYTE_NS,
    KEY_BITS,
    MS_NS,
    S_NS,
    SHOW,
    SHOW_BYTES,
    STATUS_BYTES,
    WELCOME,
    Press,
    Show,
    State,
    Unframer,
    make_hello,
    make_press,
    read_show,
    read_state,
    read_welcome,
)
from tests.shared.handset_end import ASK_SOON_S, PRESENCE_S
from tests.shared.installation import BOARDS, BROADCAST_KEY, HANDSET_KEYS, KEEPER, Site

ROOT, now = program.ROOT, program.boottime
MS, S = MS_NS, S_NS

ANSWER_NS = SHOW_BYTES * BYTE_NS + TURN_ROUND_NS + STATUS_BYTES * BYTE_NS
START_S, STOP_S = 15, 10
NO_BYTE_CODE, BYTE_CODE = "PYTHONDONTWRITEBYTECODE", "PYTHONPYCACHEPREFIX"


def installation(folder: Path) -> Site:
    """Two boards and one radio handset; hang up with ``close``."""
    site = Site(folder, (KEEPER,))
    for tty in site.ttys.values():
        os.set_blocking(tty.master, False)
    return site


def service(site: Site) -> list[str]:
    """What starts the service."""
    return [*program.PROGRAM, "run", "--config", str(site.config)]


@contextlib.contextmanager
def process(
    command: Sequence[str | os.PathLike[str]], *, listen: bool = False
) -> Iterator[subprocess.Popen[bytes]]:
    """Run ``command`` from the checkout until the block is left; then SIGTERM, which it obeys.

    ``listen``: its output goes into a pipe, as under a service manager.
    """
    out, error = (subprocess.PIPE, subprocess.STDOUT) if listen else (None, None)
    with subprocess.Popen(
        command, cwd=ROOT, stdin=subprocess.DEVNULL, stdout=out, stderr=error
    ) as running:
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


class SelectLoop:
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

    def stop(self, name: str) -> None:
        """Call the timer of this ``name`` no more."""
        self._timers.pop(name, None)

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
        self._unframer = Unframer()
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
        for body in self._unframer.feed(data):
            if body[0] != SHOW:
                continue
            show = read_show(body)
            self.shows += 1
            if self.seen_at is None and show.numerals == self._wanted:
                self.seen_at = at
            for listener in self.listeners:
                listener(show, at)


class Counterpart:
    """Handset and boards of ``site``, served by ``loop``.

    A node that is asked answers with the line time that a pty lacks; at once if it is ``prompt``:
    on a busy machine the line time would make answers late.
    """

    def __init__(self, loop: SelectLoop, site: Site, *, prompt: bool = False) -> None:
        self._loop = loop
        self._boards_fd = site.ttys["boards"].master
        self.receiver_fd = site.ttys["receiver"].master
        self._answer_ns = 0 if prompt else ANSWER_NS
        self._counter = 0
        self._unframer = Unframer()
        self._nodes = [Node(number, now) for number in BOARDS]
        self.state: State | None = None
        self.session = b""
        self.screen = Screen()
        self.screen.listeners.append(self._shown)
        self.windows: list[Window] = []
        self._line_free_at = 0
        loop.watch(self._boards_fd, self.screen.read)
        loop.watch(self.receiver_fd, self._hear)

    def wait_for_start(self) -> None:
        """Serve until the service has shown and told something. ``TimeoutError`` if it never."""
        self._ask(now())
        up = self._loop.serve(now() + START_S * S, lambda: bool(self.state and self.screen.shows))
        if not up:
            raise TimeoutError(f"the service showed or told nothing within {START_S} s")
        self._report_presence(now())

    def frame_of(self, key: Key) -> bytes:
        """The frame of the next press: this key goes down now."""
        return self._frame(KEY_BITS[key.name])

    def press(self, key: Key) -> None:
        """Press a key."""
        os.write(self.receiver_fd, self.frame_of(key))

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
        return self._line_free_at - at > SHOW_BYTES * BYTE_NS

    def _frame(self, keys: int) -> bytes:
        assert self.state is not None
        self._counter += 1
        said = Press(KEEPER, self._counter, keys, 0, self.state.beat)
        return make_press(said, HANDSET_KEYS[KEEPER], self.session)

    def _report_presence(self, at: int) -> None:
        os.write(self.receiver_fd, self._frame(0))
        self._loop.at("presence", at + round(PRESENCE_S * S), self._report_presence)

    def _ask(self, at: int) -> None:
        """Ask for the session until it is told."""
        if not self.session:
            self._counter += 1
            os.write(self.receiver_fd, make_hello(KEEPER, self._counter, HANDSET_KEYS[KEEPER]))
            self._loop.at("hello", at + round(ASK_SOON_S * S), self._ask)

    def _hear(self, data: bytes, at: int) -> None:
        for body in self._unframer.feed(data):
            if body[0] == WELCOME:
                self.session = read_welcome(body, HANDSET_KEYS[KEEPER]).session
            elif self.session:
                self.state = read_state(body, BROADCAST_KEY, self.session)

    def _shown(self, show: Show, at: int) -> None:
        self._line_free_at = max(at, self._line_free_at) + SHOW_BYTES * BYTE_NS
        for node in self._nodes:
            if node.hear(show, at):
                self.windows.append(Window(at))
                self._answer_at(at + self._answer_ns, node)

    def _answer_at(self, at: int, node: Node) -> None:
        if self._answer_ns:
            self._loop.at("answer", at, lambda _: self._answer(node))
        else:
            self._answer(node)

    def _answer(self, node: Node) -> None:
        frame = node.answer(now())
        assert frame is not None
        self.windows[-1].ends_at = now()
        os.write(self._boards_fd, frame)


class Bench:
    """The service in ``folder`` with its counterpart, until ``stack`` is left.

    ``listen`` as of :func:`process`, ``prompt`` as of :class:`Counterpart`.
    """

    def __init__(
        self, folder: Path, stack: contextlib.ExitStack, listen: bool = False, prompt: bool = False
    ) -> None:
        self.loop, self.stack = SelectLoop(), stack
        self.site = stack.enter_context(installation(folder))
        self.process = stack.enter_context(process(service(self.site), listen=listen))
        self.counterpart = Counterpart(self.loop, self.site, prompt=prompt)


@contextlib.contextmanager
def undisturbed() -> Iterator[None]:
    """Keep our own collector out of the figures."""
    gc.collect()
    gc.disable()
    try:
        yield
    finally:
        gc.enable()
