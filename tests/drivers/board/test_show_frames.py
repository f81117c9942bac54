"""SHOW frames with stamps that only rise (``hardware/PROTOCOL.md``, stamps)."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from drivers.base import DARK, Face
from drivers.board.messages import DARK as NO_LAMPS
from drivers.board.messages import LAMP_TEST, Show, decode_show
from drivers.board.show_frames import TICK_NS, ShowFrameBuilder
from drivers.framing import Deframer


def shown(frame: bytes) -> Show:
    (body,) = Deframer().feed(frame)
    return decode_show(body)


def test_a_frame_says_what_the_face_says() -> None:
    shows = ShowFrameBuilder(0x1A2B)
    stamp, frame = shows.make(Face(25, brightness=7), 0b11, 2, 5 * TICK_NS)
    assert shown(frame) == Show(0x1A2B, stamp, 25, 7, 2, 0b11)
    assert stamp == 5
    assert shown(shows.make(DARK, 3, 0, 0)[1]).numerals == NO_LAMPS
    assert shown(shows.make(Face(None, lamp_test=True), 3, 0, 0)[1]).numerals == LAMP_TEST


@given(st.lists(st.integers(0, 3 * TICK_NS), max_size=40), st.integers(0, 1 << 50))
def test_each_stamp_is_above_the_last_and_never_behind_the_clock(gaps: list[int], at: int) -> None:
    shows, last = ShowFrameBuilder(1), None
    for gap in gaps:
        at += gap
        stamp, _ = shows.make(Face(1), 1, 0, at)
        if last is not None:
            assert 1 <= (stamp - last) & 0xFFFF < 0x8000
        assert (stamp - at // TICK_NS) & 0xFFFF < 0x8000
        last = stamp


def test_its_own_frames_are_known_when_they_come_back_and_no_others() -> None:
    shows = ShowFrameBuilder(0x1A2B)
    made = [shows.make(Face(25), 3, 0, at * TICK_NS)[1][1:-1] for at in range(1, 41)]
    bodies = [Deframer().feed(b"\0" + each + b"\0")[0] for each in made]
    assert [shows.is_echo(body) for body in bodies] == [False] * 24 + [True] * 16
    twin, other = ShowFrameBuilder(0x1A2B), ShowFrameBuilder(0x1A2C)
    for each, at in ((twin, 900), (other, 40)):
        (body,) = Deframer().feed(each.make(Face(25), 3, 0, at * TICK_NS)[1])
        assert not shows.is_echo(body)
