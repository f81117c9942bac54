"""The handset's logic on this computer, with sanitizers: lines to ``pc_handset.c`` and back."""

from __future__ import annotations

import contextlib
import functools
import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import Any, NamedTuple

from drivers.base import Answer, PhaseCode
from drivers.framing import Deframer
from drivers.handset import messages
from drivers.handset.messages import HelloFrame, PressFrame, StateFlag, StateFrame, WelcomeFrame
from tests.firmware.building import FIRMWARE, HERE, PC_FLAGS, SANITIZERS, program
from tests.shared.frames import HELLO, KEY_BITS, PRESS, framed

FOLDER = FIRMWARE / "handset"
LOGIC = (
    *sorted(
        path
        for path in FOLDER.glob("*.c")
        if path.name not in ("main.c", "hal_avr.c", "hal_parts.c")
    ),
    FIRMWARE / "common" / "frame.c",
    FIRMWARE / "common" / "blake2s.c",
)
INCLUDES = (f"-I{FOLDER}", f"-I{FIRMWARE / 'common'}")

CHOOSING, SERVICE, UNPAIRED, WRIST, PAIRING = range(5)
"""``enum mode`` of handset.h."""


class Happened(NamedTuple):
    """Something the handset did: a frame "send", the motor "move", a lamp, a "cue" asked for."""

    at_ms: int
    what: str
    value: str


class Now(NamedTuple):
    """A handset: ``counter`` given out last, ``known`` whether its reports may go."""

    mode: int
    asleep: bool
    counter: int
    linked: bool
    known: bool
    beat: int
    session: bytes


@functools.cache
def handset_program() -> Path:
    """The program of ``pc_handset.c``."""
    flags = [*PC_FLAGS, *SANITIZERS, *INCLUDES, "-Wl,--wrap=thumb_play"]
    return program("pc-handset", [HERE / "pc_handset.c", *LOGIC], flags)


class HandsetOnPC:
    """One handset in a process of its own. ``happened`` is all that it did."""

    def __init__(self) -> None:
        self.happened: list[Happened] = []
        self.now_ms = 0
        self._process = subprocess.Popen(
            [handset_program()], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )

    def __enter__(self) -> HandsetOnPC:
        return self

    def __exit__(self, *_: object) -> None:
        self._process.communicate()
        assert self._process.returncode == 0, "the sanitizers' report is on standard error"

    def ask(self, *lines: str) -> list[str]:
        """Say lines and give what each was answered."""
        assert self._process.stdin and self._process.stdout
        answers = []
        for line in lines:
            self._process.stdin.write(line + "\n")
            self._process.stdin.flush()
            while not (told := self._process.stdout.readline()).startswith("."):
                assert told, f"the program died of {line!r}"
                at, what, value = told.split()
                self.happened.append(Happened(int(at), what, value))
            answers.append(told[1:].strip())
        return answers

    def say(self, *lines: str) -> None:
        """Say lines that lead the handset."""
        self.now_ms = int(self.ask(*lines)[-1])

    def start(
        self, keys: int = 12, contacts: int = 0, by_power: bool = True, revision: int = 9
    ) -> None:
        self.say(f"start {keys} {contacts} {int(by_power)} {revision}")

    def run(self, ms: int) -> None:
        assert ms >= 0
        self.say(f"run {ms}")

    def run_to(self, at_ms: int) -> None:
        self.run(at_ms - self.now_ms)

    def hear(self, wire: bytes) -> None:
        self.say(f"hear {wire.hex()}")

    def tap(self, key: str, ms: int = 60) -> None:
        """Hold a key for ``ms`` and let it go for as long as it bounces."""
        self.say(f"contacts {KEY_BITS[key]}", f"run {ms}", "contacts 0", "run 40")

    @property
    def now(self) -> Now:
        """What it is now."""
        *numbers, session = (*self.ask("state")[0].split(" "), "")[:7]
        mode, asleep, counter, linked, known, beat = map(int, numbers)
        return Now(
            mode, bool(asleep), counter, bool(linked), bool(known), beat, bytes.fromhex(session)
        )

    @property
    def mode(self) -> int:
        return self.now.mode

    @property
    def linked(self) -> bool:
        return self.now.linked

    def all_of(self, what: str, since_ms: int = 0) -> list[tuple[int, str]]:
        """When and with which value ``what`` happened."""
        return [
            (each.at_ms, each.value)
            for each in self.happened
            if each.what == what and each.at_ms >= since_ms
        ]

    def sent(self, since_ms: int = 0) -> list[tuple[int, bytes]]:
        """Frames sent and when their first byte left."""
        return [(at_ms, bytes.fromhex(value)) for at_ms, value in self.all_of("send", since_ms)]

    def reports(self, since_ms: int = 0) -> list[tuple[int, bytes]]:
        """The PRESS frames of these."""
        return [(at, frame) for at, frame in self.sent(since_ms) if kind_of(frame) == PRESS]

    def hellos(self, since_ms: int = 0) -> list[tuple[int, HelloFrame]]:
        """The HELLOs of these."""
        return [
            (at, hello_of(frame)) for at, frame in self.sent(since_ms) if kind_of(frame) == HELLO
        ]

    def cues(self, since_ms: int = 0) -> list[tuple[int, int]]:
        """Cues asked for, as ``enum cue`` of thumb.h."""
        return [(at_ms, int(value)) for at_ms, value in self.all_of("cue", since_ms)]


HANDSET_KEY, BROADCAST_KEY = bytes(range(16)), bytes(range(0xF0, 0x100))
"""The keys given on the protocol's page."""
SESSION = bytes.fromhex("5E551017C0FFEE42")
"""The session given there."""
PAIRING_KEYS = KEY_BITS["NUMBER_40"] | KEY_BITS["UNDO"]


def keys_frame(
    number: int = 1, handset_key: bytes = HANDSET_KEY, broadcast_key: bytes = BROADCAST_KEY
) -> bytes:
    """KEYS, as the controller sends it over the cable."""
    return framed(b"\x29" + b"NONCE 00" + bytes([number]) + handset_key + broadcast_key)


def pair(handset: HandsetOnPC, number: int = 1, handset_key: bytes = HANDSET_KEY) -> None:
    """Pair it by its own pairing mode, and switch it off."""
    start_pairing(handset)
    handset.hear(keys_frame(number, handset_key))
    handset.run(20)


def start_pairing(handset: HandsetOnPC, keys: int = 12, revision: int = 9) -> None:
    """Switch it on into its pairing mode."""
    handset.start(keys, contacts=PAIRING_KEYS, revision=revision)
    handset.run(2100)
    assert handset.mode == PAIRING


@functools.cache
def paired_memory(number: int = 1, handset_key: bytes = HANDSET_KEY) -> bytes:
    """The lasting memory of a handset that has just been paired."""
    with HandsetOnPC() as handset:
        pair(handset, number, handset_key)
        return bytes.fromhex(handset.ask("dump")[0])


@contextlib.contextmanager
def remembering(memory: bytes | None = None, keys: int = 12) -> Iterator[HandsetOnPC]:
    """A handset just switched on with this lasting memory, or as if it had just been paired."""
    with HandsetOnPC() as handset:
        handset.say(f"memory {(memory or paired_memory()).hex()}")
        handset.start(keys)
        yield handset


@contextlib.contextmanager
def serving(keys: int = 12) -> Iterator[HandsetOnPC]:
    """A paired handset that has been on for a second and heard nothing."""
    with remembering(keys=keys) as handset:
        handset.run(1000)
        assert handset.mode == SERVICE
        yield handset


class Controller:
    """Says WELCOME and STATE to a handset; every STATE has the next beat unless told otherwise."""

    def __init__(self, handset: HandsetOnPC, session: bytes = SESSION, beat: int = 0) -> None:
        self.handset, self.session, self.beat = handset, session, beat

    def wire(self, **fields: Any) -> bytes:
        """A STATE with these fields of :class:`StateFrame`, others at rest."""
        self.beat += 1
        said: dict[str, Any] = {
            "beat": self.beat,
            "phase": PhaseCode.IDLE,
            "numerals": None,
            "remaining_10ms": 0,
            "flags": StateFlag.BOARDS_LIT,
            "mark": 0,
            "cue": 0,
            "ack_handset": 0,
            "ack_counter": 0,
            "ack_result": Answer.NONE,
        }
        frame = StateFrame(**{**said, **fields})
        return messages.encode_state(frame, self.session, BROADCAST_KEY)

    def say(self, **fields: Any) -> None:
        self.handset.hear(self.wire(**fields))

    def welcome_to(self, hello: HelloFrame, handset_key: bytes = HANDSET_KEY) -> bytes:
        """The WELCOME that answers a HELLO."""
        frame = WelcomeFrame(hello.handset, hello.counter, self.session, self.beat)
        return messages.encode_welcome(frame, handset_key)

    def welcome(self, handset_key: bytes = HANDSET_KEY) -> None:
        """Answer the handset's last HELLO."""
        wire = next(wire for _, wire in reversed(self.handset.sent()) if kind_of(wire) == HELLO)
        self.handset.hear(self.welcome_to(hello_of(wire, handset_key), handset_key))


def join(handset: HandsetOnPC, session: bytes = SESSION, beat: int = 0) -> Controller:
    """Answer the handset's next HELLO, and give the controller that did."""
    begun = len(handset.hellos())
    for _ in range(300):
        handset.run(10)
        if len(handset.hellos()) > begun:
            controller = Controller(handset, session, beat)
            controller.welcome()
            return controller
    raise AssertionError("no HELLO in 3 s")


def body_of(frame: bytes) -> bytes:
    (body,) = Deframer().feed(frame)
    return body


def kind_of(frame: bytes) -> int:
    return body_of(frame)[0]


def press_of(
    frame: bytes, session: bytes = SESSION, handset_key: bytes = HANDSET_KEY
) -> PressFrame:
    """A PRESS as the controller's driver reads it, its tag right."""
    body = body_of(frame)
    assert messages.press_is_authentic(body, session, handset_key), frame.hex()
    return messages.parse_press(body)


def hello_of(frame: bytes, handset_key: bytes = HANDSET_KEY) -> HelloFrame:
    """A HELLO as the controller's driver reads it, its tag right."""
    body = body_of(frame)
    assert messages.hello_is_authentic(body, handset_key), frame.hex()
    return messages.parse_hello(body)
