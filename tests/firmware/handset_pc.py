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
from drivers.handset.messages import PressFrame, StateFlag, StateFrame
from tests.firmware.building import FIRMWARE, HERE, PC_FLAGS, SANITIZERS, program
from tests.shared.frames import KEY_BITS, framed

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


@functools.cache
def handset_program() -> Path:
    """The program of ``pc_handset.c``."""
    flags = [*PC_FLAGS, "-Wno-conversion", *SANITIZERS, *INCLUDES, "-Wl,--wrap=thumb_play"]
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
        self.say(f"run {ms}")

    def run_to(self, at_ms: int) -> None:
        self.run(at_ms - self.now_ms)

    def hear(self, wire: bytes) -> None:
        self.say(f"hear {wire.hex()}")

    def tap(self, key: str, ms: int = 60) -> None:
        """Hold a key for ``ms`` and let it go for as long as it bounces."""
        self.say(f"contacts {KEY_BITS[key]}", f"run {ms}", "contacts 0", "run 40")

    @property
    def mode(self) -> int:
        return int(self.ask("state")[0].split()[0])

    @property
    def linked(self) -> bool:
        return self.ask("state")[0].split()[4] == "1"

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

    def cues(self, since_ms: int = 0) -> list[tuple[int, int]]:
        """Cues asked for, as ``enum cue`` of thumb.h."""
        return [(at_ms, int(value)) for at_ms, value in self.all_of("cue", since_ms)]


UP_KEY, DOWN_KEY = bytes(range(16)), bytes(range(0xF0, 0x100))
"""The keys given on the protocol's page."""
PAIRING_KEYS = KEY_BITS["NUMBER_40"] | KEY_BITS["UNDO"]


def keys_frame(number: int = 1, up_key: bytes = UP_KEY, down_key: bytes = DOWN_KEY) -> bytes:
    """KEYS, as the controller sends it over the cable."""
    return framed(b"\x33" + b"NONCE 00" + bytes([number]) + up_key + down_key)


def pair(handset: HandsetOnPC, number: int = 1, up_key: bytes = UP_KEY) -> None:
    """Pair it by its own pairing mode, and switch it off."""
    start_pairing(handset)
    handset.hear(keys_frame(number, up_key))
    handset.run(20)


def start_pairing(handset: HandsetOnPC, keys: int = 12, revision: int = 9) -> None:
    """Switch it on into its pairing mode."""
    handset.start(keys, contacts=PAIRING_KEYS, revision=revision)
    handset.run(2100)
    assert handset.mode == PAIRING


@functools.cache
def paired_memory(number: int = 1, up_key: bytes = UP_KEY) -> bytes:
    """The lasting memory of a handset that has just been paired."""
    with HandsetOnPC() as handset:
        pair(handset, number, up_key)
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
    """Says STATE to a handset; every STATE has the next beat unless told otherwise."""

    def __init__(self, handset: HandsetOnPC, session: int = 0x2A, beat: int = 0) -> None:
        self.handset, self.session, self.beat = handset, session, beat

    def wire(self, **fields: Any) -> bytes:
        """A STATE with these fields of :class:`StateFrame`, others at rest."""
        self.beat = (self.beat + 1) & 0xFFFF
        said: dict[str, Any] = {
            "session": self.session,
            "beat": self.beat,
            "phase": PhaseCode.IDLE,
            "numerals": None,
            "remaining_10ms": 0,
            "flags": StateFlag.BOARDS_LIT,
            "ack_handset": 0,
            "ack_counter": 0,
            "ack_result": Answer.NONE,
        }
        return messages.encode_state(StateFrame(**{**said, **fields}), DOWN_KEY)

    def say(self, **fields: Any) -> None:
        self.handset.hear(self.wire(**fields))


def press_of(frame: bytes, session: int = 0x2A, up_key: bytes = UP_KEY) -> PressFrame:
    """A PRESS as the controller's driver reads it, its tag right."""
    (body,) = Deframer().feed(frame)
    assert messages.press_is_authentic(body, session, up_key), frame.hex()
    return messages.parse_press(body)
