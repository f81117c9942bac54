"""Fuzz targets: framing and the messages of both links, held against ``tests.shared.frames``.

An input is a body; most of what is behind a check value is reached only by giving the body the
right one, so the targets do that: chance alone would not pass the CRC in a lifetime.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

from drivers import framing
from drivers.base import FrameError
from drivers.board import messages as board
from drivers.handset import messages as handset
from tests.fuzz.guided import Target
from tests.fuzz.steps import FRAMED, step
from tests.shared import frames as independent
from tests.shared.protocol_page import unhex, vectors

T = TypeVar("T")

HANDSET_KEY, BROADCAST_KEY = bytes(range(16)), bytes(range(0xF0, 0x100))
"""The keys of the page's vectors."""
SESSION = bytes.fromhex("5E551017C0FFEE42")
OTHER_SESSION = SESSION[:-1] + b"\0"
NAMED = re.compile(
    r"COBS: code .. at byte .+|(SHOW|STATUS|PRESS|STATE|HELLO|WELCOME|CRC|frame|body) .+: .+"
    r"|a frame of protocol version \d+; this program speaks version 2",
    re.S,
)
"""What a frame's error must name: the part, the value, and what is allowed or expected."""


def read(parse: Callable[[], T]) -> T | None:
    """What ``parse`` gives; None where it raises the one error it may, well worded."""
    try:
        return parse()
    except FrameError as error:
        assert NAMED.fullmatch(str(error)), error
        return None


def bodies(*kinds: str) -> tuple[bytes, ...]:
    """The bodies of the page's vectors."""
    return tuple(framing.decode(vector.content) for vector in vectors(*kinds))


def framed(kind: str) -> bytes:
    """The bodies of a kind as steps, each to be given its CRC."""
    return b"".join(step(FRAMED, body) for body in bodies(kind))


def check_framing(data: bytes, _: Path) -> None:
    """The first byte says how the rest becomes a stream and how that is cut."""
    how, rest = (data[0], data[1:]) if data else (0, b"")
    if how & 0x80:  # frames whose CRC is right, with what follows each as it is
        pieces = rest.split(b"\0")
        if how & 0x40:  # of our own version
            pieces = [bytes([0x20 | p[0] & 0x0F]) + p[1:] for p in pieces if p]
        fit = [p[:59] for p in pieces if 1 <= len(p) <= 70]  # the longest body more often
        rest = b"".join(framing.encode(p) + p[: how & 7] for p in fit)
    stream = b"\0" + rest + b"\0"
    whole, cut, naive = framing.Deframer(), framing.Deframer(), independent.Unframer()
    expected = naive.feed(stream)
    assert (whole.feed(stream), whole.bad) == (expected, naive.bad)
    size = how % 13 + 1
    got = [body for at in range(0, len(stream), size) for body in cut.feed(stream[at : at + size])]
    assert (got, cut.bad) == (expected, naive.bad)
    for body in expected:
        assert body[0] >> 4 == 2
        assert framing.encode(body) in stream  # a body has one spelling on the wire
    assert framing.unstuff(framing.stuff(rest)) == rest
    read(lambda: framing.encode(rest))
    run = rest.split(b"\0")[0]
    decoded = read(lambda: framing.decode(run))
    assert decoded is None or framing.encode(decoded) == b"\0" + run + b"\0"
    bare = rest.replace(b"\0", b"\x01")  # between delimiters no zero can stand
    unstuffed = read(lambda: framing.unstuff(bare))
    assert unstuffed is None or framing.stuff(unstuffed) in (bare, bare + b"\x01")
    read(lambda: framing.unstuff(rest))


def check_board_messages(body: bytes, _: Path) -> None:
    """A body is SHOW, STATUS or refused; what is taken has one spelling."""
    show = read(lambda: board.decode_show(body))
    try:
        expected = independent.read_show(body) if body else None
    except independent.BadFrameError:
        expected = None
    assert (show is None) is (expected is None)
    if show is not None and expected is not None:
        theirs = (expected.controller, expected.stamp, expected.numerals)
        assert tuple(show) == (*theirs, expected.brightness, expected.ask, expected.mask)
        assert board.encode_show(show) == independent.framed(body)
    status = read(lambda: board.decode_status(body))
    allowed = len(body) == 20 and body[0] == 0x22 and 1 <= body[1] <= 8 and 1 <= body[6] <= 15
    assert (status is not None) is (allowed and body[7] < 0x80)
    if status is not None:
        assert board.encode_status(status) == independent.framed(body)


def check_handset_messages(body: bytes, _: Path) -> None:
    """The tag is believed only when made with the key; what is taken has one spelling."""
    said, given = body[:-8], body[-8:]
    check_press(said, given, body)
    check_hello(said, given, body)
    check_state(said, given, body)
    right = said + independent.tag(HANDSET_KEY, said)
    welcome = read(lambda: handset.decode_welcome(right, HANDSET_KEY))
    theirs = independently(lambda: independent.read_welcome(right, HANDSET_KEY))
    assert (welcome is None) is (theirs is None)
    if welcome is not None and theirs is not None:
        whole = theirs.handset, theirs.counter, theirs.session, theirs.beat
        assert tuple(welcome) == whole
        assert handset.encode_welcome(welcome, HANDSET_KEY) == independent.framed(right)
        assert right == body or read(lambda: handset.decode_welcome(body, HANDSET_KEY)) is None


def independently(parse: Callable[[], T]) -> T | None:
    """What the second implementation reads; None for what it refuses."""
    try:
        return parse()
    except (independent.BadFrameError, IndexError):
        return None


def check_press(said: bytes, given: bytes, body: bytes) -> None:
    """As :func:`check_handset_messages`, of a PRESS."""
    up = independent.tag(HANDSET_KEY, said + SESSION)
    press = read(lambda: handset.parse_press(body))
    if press is None:
        return
    assert handset.press_is_authentic(body, SESSION, HANDSET_KEY) is (given == up)
    assert handset.press_is_authentic(said + up, SESSION, HANDSET_KEY)
    assert not handset.press_is_authentic(said + up, OTHER_SESSION, HANDSET_KEY)
    pressed = read(lambda: press.pressed)
    spelled = read(lambda: handset.encode_press(press, SESSION, HANDSET_KEY))
    if pressed is not None or press.keys == 0:
        assert spelled == independent.framed(said + up)
    else:
        assert spelled is None
    if pressed is not None:
        assert handset.keys_of(*pressed) == press.keys


def check_hello(said: bytes, given: bytes, body: bytes) -> None:
    """As :func:`check_handset_messages`, of a HELLO."""
    up = independent.tag(HANDSET_KEY, said)
    hello = read(lambda: handset.parse_hello(body))
    if hello is not None:
        assert handset.hello_is_authentic(body, HANDSET_KEY) is (given == up)
        assert handset.hello_is_authentic(said + up, HANDSET_KEY)
        assert handset.encode_hello(hello, HANDSET_KEY) == independent.framed(said + up)


def check_state(said: bytes, given: bytes, body: bytes) -> None:
    """As :func:`check_handset_messages`, of a STATE."""
    down = independent.tag(BROADCAST_KEY, said + SESSION)
    if given != down:
        assert read(lambda: handset.decode_state(body, SESSION, BROADCAST_KEY)) is None
    state = read(lambda: handset.decode_state(said + down, SESSION, BROADCAST_KEY))
    expected = independently(lambda: independent.read_state(said + down, BROADCAST_KEY, SESSION))
    assert (state is None) is (expected is None)
    if state is not None and expected is not None:
        frame = handset.encode_state(state, SESSION, BROADCAST_KEY)
        assert frame == independent.framed(said + down)
        assert (state.beat, state.mark, state.cue) == (expected.beat, expected.mark, expected.cue)
        assert (state.phase.name, state.numerals) == (expected.phase, expected.numerals)


COBS = tuple(unhex(vector.fields["data"])[:200] for vector in vectors("cobs"))
WIRES = tuple(
    vector.wire for vector in vectors("show", "status", "press", "state", "hello", "welcome")
)

TARGETS = (
    Target(
        "framing",
        check_framing,
        (framing,),
        (*(b"\x05" + wire for wire in WIRES), *(b"\x83" + data for data in COBS)),
        (b"\0", b"\xff", b"\x55" * 65, bytes(range(1, 256))),
    ),
    Target("board-messages", check_board_messages, (board,), bodies("show", "status")),
    Target(
        "handset-messages",
        check_handset_messages,
        (handset,),
        bodies("press", "state", "hello", "welcome"),
    ),
)
