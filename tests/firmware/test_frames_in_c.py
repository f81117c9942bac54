"""The framing in C against the page's vectors: on this computer with sanitizers, and on a chip."""

from __future__ import annotations

import random
from collections.abc import Callable
from functools import partial

import pytest

from drivers import framing
from tests.firmware import building, pc
from tests.firmware.chip import SENT, Chip
from tests.shared.frames import crc, framed, stuff, unstuff
from tests.shared.protocol_page import Vector, refused, unhex, vectors

pytestmark = [pytest.mark.needs_avr, pytest.mark.needs_gcc]

LONGEST_BODY = 59
KIND = b"\x2f"  # of this version, and not in use

Echo = Callable[[bytes], bytes]
"""Sends what is heard through receiver and writer; a byte 55 stands for a bad frame."""


def on_pc(process: pc.Process, wire: bytes) -> bytes:
    *bodies, _, bad = pc.say(process, f"open {wire.hex()}").split()
    frames = [pc.say(process, f"frame {body}") for body in bodies]
    return b"".join(map(bytes.fromhex, frames)) + b"\x55" * int(bad)


def on_chip(wire: bytes) -> bytes:
    elf = building.program(
        "echo.elf",
        [building.HERE / "echo.c", building.FIRMWARE / "common" / "frame.c"],
        ["-mmcu=atmega328p", "-std=c11", "-Os", f"-I{building.FIRMWARE / 'common'}"],
        compiler="avr-gcc",
    )
    chip = Chip(elf)
    chip.run_ms(1)
    chip.run(chip.send(wire))
    chip.run_ms(25)
    return bytes(event.value for event in chip.events() if event.what == SENT)


@pytest.fixture(params=["pc", "chip"])
def echo(request: pytest.FixtureRequest) -> Echo:
    """The same frames in C at both places."""
    if request.param == "chip":
        return on_chip
    return partial(on_pc, request.getfixturevalue("process"))


@pytest.mark.parametrize("vector", vectors("crc"), ids=str)
def test_crc_vectors(process: pc.Process, vector: Vector) -> None:
    data = unhex(vector.fields["data"])
    wire = bytes.fromhex(pc.say(process, f"frame {data.hex()}"))
    if not data:  # a frame of a CRC alone has no body, however right the CRC is
        assert wire == b""
        assert on_pc(process, b"\0" + stuff(bytes.fromhex(vector.result)) + b"\0") == b"\x55"
        return
    assert unstuff(wire[1:-1]) == data + bytes.fromhex(vector.result)


@pytest.mark.parametrize("vector", vectors("cobs"), ids=str)
def test_cobs_vectors_in_bodies(echo: Echo, vector: Vector) -> None:
    """Data of the vectors behind a kind; what is too long for our frames is refused."""
    body = KIND + unhex(vector.fields["data"])
    wire = b"\0" + framing.stuff(body + crc(body).to_bytes(4, "big")) + b"\0"
    assert echo(wire) == (wire if len(body) <= LONGEST_BODY else b"\x55")


@pytest.mark.parametrize(
    "what", ["show", "status", "press", "state", "hello", "welcome", "who", "here", "keys"]
)
def test_frames_of_every_message(echo: Echo, what: str) -> None:
    line = b"".join(vector.wire for vector in vectors(what))
    assert echo(line) == line


def test_refused_frames(echo: Echo) -> None:
    line = b"".join(vector.wire for vector in refused("frame"))
    assert echo(line) == b"\x55" * len(refused("frame"))


@pytest.mark.parametrize("length", [1, 2, 58, 59, 60, 61, 100])
def test_bodies_of_every_length(echo: Echo, length: int) -> None:
    wire = framed(KIND + bytes(range(1, length)))
    assert echo(wire) == (wire if length <= LONGEST_BODY else b"\x55")


def test_frames_of_another_version_are_bad(echo: Echo) -> None:
    others = [version for version in range(16) if version != 2]
    heard = [framed(bytes([version << 4 | KIND[0] & 0x0F]) + bytes(8)) for version in others]
    assert echo(b"".join(heard)) == b"\x55" * len(others)
    assert echo(framed(KIND + bytes(8))) == framed(KIND + bytes(8))


def test_the_writer_refuses_what_no_receiver_would_take(process: pc.Process) -> None:
    assert pc.say(process, "frame ") == pc.say(process, f"frame {'11' * 60}") == ""


def test_arbitrary_bytes_as_the_controllers_receiver_takes_them(process: pc.Process) -> None:
    """Seeded: frames, cut frames, zeros and noise in one stream."""
    dice = random.Random(64)
    for _ in range(60):
        stream = bytearray()
        for _ in range(20):
            kind = bytes([dice.choice([0x21, 0x24, 0x2F, 0x31])])
            body = kind + dice.randbytes(dice.randrange(30)).replace(b"\x07", b"\0")
            frame = bytearray(framed(body))
            if dice.random() < 0.5:
                frame[dice.randrange(len(frame))] = dice.choice([0, 1, 0x40, 0xFF])
            stream += frame[: dice.randrange(len(frame))] if dice.random() < 0.2 else frame
            stream += bytes(dice.randrange(3)) + dice.randbytes(dice.choice([0, 0, 1, 70]))
        deframer = framing.Deframer()
        bodies = [body.hex() for body in deframer.feed(bytes(stream))]
        told = pc.say(process, f"open {stream.hex()}")
        assert told == " ".join([*bodies, "bad", str(deframer.bad)])
