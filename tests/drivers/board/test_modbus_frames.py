"""Frames against the published examples of the standard."""

from __future__ import annotations

import contextlib

import pytest

from drivers.base import FrameError
from drivers.board.modbus_frames import Frames, Response

FRAMES = Frames("line")


def crc(data: bytes) -> bytes:
    """CRC-16 as MODBUS over serial line V1.02, 6.2.2 words it: preset FFFF, exclusive or, sixteen
    bits right, polynomial A001; low byte first."""
    register = 0xFFFF
    for byte in data:
        register ^= byte
        for _ in range(8):
            carry = register & 1
            register >>= 1
            if carry:
                register ^= 0xA001
    return register.to_bytes(2, "little")


def frame(text: str) -> bytes:
    data = bytes.fromhex(text)
    return data + crc(data)


def test_the_test_s_own_crc_has_the_published_values() -> None:
    # The catalogue of parametrised CRC algorithms: CRC-16/MODBUS, check 4B37.
    assert crc(b"123456789") == bytes.fromhex("374B")
    # MODBUS over serial line V1.02, 6.2.2: the CRC of 02 07 is 1241, sent 41 12.
    assert crc(bytes.fromhex("0207")) == bytes.fromhex("4112")


# The functions of MODBUS application protocol V1.1b3: 6.6 (write 3 to the register at address 1),
# 6.3 (read the one at 006B), 6.4 (input register 8); 6.12 with one register.
def test_requests_are_those_of_the_standard() -> None:
    assert FRAMES.write(0x11, 1, 3, 6) == frame("11 06 0001 0003")
    assert FRAMES.write(0x11, 1, 10, 16) == frame("11 10 0001 0001 02 000A")
    assert FRAMES.read(0x11, 0x6B, 3) == frame("11 03 006B 0001")
    assert FRAMES.read(0x11, 8, 4) == frame("11 04 0008 0001")


def test_answers_are_read_as_the_standard_has_them() -> None:
    write, read = FRAMES.write(0x11, 1, 3, 6), FRAMES.read(0x11, 0x6B, 3)
    assert FRAMES.answer(write, frame("11 06 0001 0003")) == Response(3)
    assert FRAMES.answer(FRAMES.write(0x11, 1, 10, 16), frame("11 10 0001 0001")) == Response(10)
    assert FRAMES.answer(read, frame("11 03 02 022B")) == Response(0x022B)
    assert FRAMES.answer(FRAMES.read(0x11, 8, 4), frame("11 04 02 000A")) == Response(10)
    assert FRAMES.answer(write, frame("11 86 02")) == Response(None, 2)


def test_half_an_answer_a_damaged_one_and_another_units_are_none() -> None:
    read = FRAMES.read(0x11, 0x6B, 3)
    whole = frame("11 03 02 022B")
    for length in range(len(whole)):
        assert FRAMES.answer(read, whole[:length]) is None
    for place in range(len(whole)):
        hurt = whole[:place] + bytes([whole[place] ^ 0x04]) + whole[place + 1 :]
        with contextlib.suppress(FrameError):
            assert FRAMES.answer(read, hurt) is None
    assert FRAMES.answer(read, frame("12 03 02 022B")) is None


def test_an_adapter_that_hears_itself_is_no_answer_to_a_question() -> None:
    read = FRAMES.read(0x11, 0x6B, 3)
    assert FRAMES.answer(read, read) is None
    assert FRAMES.answer(read, read + frame("11 03 02 0019")) == Response(25)


@pytest.mark.parametrize(
    ("request_", "answer", "why"),
    [
        (FRAMES.write(1, 1, 3, 6), "01 06 0002 0003", "speaks of register 2"),
        (FRAMES.write(1, 1, 3, 6), "01 06 0001 0004", "another value than was written"),
        (FRAMES.write(1, 1, 3, 16), "01 10 0009 0001", "speaks of register 9"),
        (FRAMES.write(1, 1, 3, 6), "01 03 02 0003", "not of function 6"),
        (FRAMES.read(1, 1, 3), "01 03 04 0003 0004", "2 registers, not 1"),
    ],
)
def test_an_answer_to_something_else_is_refused(request_: bytes, answer: str, why: str) -> None:
    with pytest.raises(FrameError, match=why):
        FRAMES.answer(request_, frame(answer))
