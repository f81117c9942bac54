"""Questions at the terminal: pipes, ends of input, files, and typing ahead on a pty."""

from __future__ import annotations

import asyncio
import os
import select
from collections.abc import Coroutine
from pathlib import Path
from typing import Any

import pytest

from controller.check.prompts import Abort, Dialogue, Lines, Repeat, Skip
from controller.check.report import Report
from tests.shared.virtual_time import VirtualClock, virtual


class Typist:
    """Types into a pipe."""

    def __init__(self, clock: VirtualClock) -> None:
        self.said: list[str] = []
        reader, self._writer = os.pipe()
        self._reader = reader
        os.set_blocking(reader, False)
        self.lines = Lines(reader, clock)
        self.lines.open()
        self.talk = Dialogue(self.lines, Report(self.said.append), clock)

    def type(self, text: str) -> None:
        os.write(self._writer, text.encode())

    async def after(self, delay_s: float, text: str) -> None:
        await asyncio.sleep(delay_s)
        self.type(text)

    def hang_up(self) -> None:
        if self._writer >= 0:
            os.close(self._writer)
        self._writer = -1

    def __enter__(self) -> Typist:
        return self

    def __exit__(self, *_: object) -> None:
        self.hang_up()
        self.lines.close()
        os.close(self._reader)


@virtual
async def test_yes_and_no_in_a_word_or_a_letter_any_size(clock: VirtualClock) -> None:
    with Typist(clock) as typist:
        for text, meant in (("y", True), (" YES ", True), ("n", False), ("No", False)):
            typist.type(f"{text}\n")
            assert await typist.talk.ask("dark?") is meant
    assert typist.said[0].strip() == "dark? (y or n, then Enter)"


@virtual
async def test_anything_else_is_asked_again(clock: VirtualClock) -> None:
    with Typist(clock) as typist:
        typist.type("perhaps\n\ny\n")
        assert await typist.talk.ask("dark?")
    assert sum("please type y or n" in line for line in typist.said) == 2
    assert sum("dark?" in line for line in typist.said) == 3


@pytest.mark.parametrize(("text", "meant"), [("s", Skip), ("R", Repeat), ("q", Abort)])
@virtual
async def test_one_letter_leaves_a_question_or_a_wait(
    clock: VirtualClock, text: str, meant: type[Exception]
) -> None:
    with Typist(clock) as typist:
        waits: list[Coroutine[Any, Any, object]] = [
            typist.talk.ask("dark?"),
            typist.talk.enter("now"),
            typist.talk.until(lambda: False, 60),
        ]
        for each in waits:
            typing = asyncio.create_task(typist.after(1, f"{text}\n"))
            with pytest.raises(meant):
                await each
            await typing


@virtual
async def test_an_enter_has_its_instant(clock: VirtualClock) -> None:
    with Typist(clock) as typist:
        began_at = clock()
        typing = asyncio.create_task(typist.after(2.5, "19:03:12\n"))
        assert await typist.talk.enter("time?") == ("19:03:12", began_at + 2_500_000_000)
        await typing


@virtual
async def test_what_happens_ends_the_wait_and_what_does_not_its_time(clock: VirtualClock) -> None:
    with Typist(clock) as typist:
        began_at = clock()
        assert await typist.talk.until(lambda: clock() > began_at + 2e9, 10)
        assert clock() - began_at < 2.1e9
        assert not await typist.talk.until(lambda: False, 3)
        typist.type("a remark\n")  # no command: the wait goes on
        assert await typist.talk.until(lambda: clock() > began_at + 6e9, 10)


@virtual
async def test_the_end_of_the_input_ends_the_check_for_good(clock: VirtualClock) -> None:
    with Typist(clock) as typist:
        typist.type("y\n")
        typist.hang_up()
        assert await typist.talk.ask("dark?")
        for _ in range(3):
            with pytest.raises(Abort):
                await typist.talk.ask("dark?")
        with pytest.raises(Abort):
            await typist.talk.until(lambda: False, 60)


@virtual
async def test_no_input_at_all_is_its_end(clock: VirtualClock) -> None:
    lines = Lines(None, clock)
    lines.open()
    with pytest.raises(Abort):
        await Dialogue(lines, Report(lambda _: None), clock).enter("now")
    lines.close()


@virtual
async def test_a_line_in_pieces_and_bytes_that_are_no_text(clock: VirtualClock) -> None:
    with Typist(clock) as typist:
        typist.type("ye")
        typing = asyncio.create_task(typist.after(1, "s\r\n"))
        assert await typist.talk.ask("dark?")
        await typing
        os.write(typist._writer, b"\xff\n")
        text, _ = await typist.talk.enter("now")
        assert text == "\ufffd"


def test_a_plain_file_is_read_to_its_end(tmp_path: Path) -> None:
    (tmp_path / "answers").write_text("y\nn\n")

    @virtual
    async def answered(clock: VirtualClock) -> None:
        descriptor = os.open(tmp_path / "answers", os.O_RDONLY)
        lines = Lines(descriptor, clock)
        lines.open()
        talk = Dialogue(lines, Report(lambda _: None), clock)
        assert await talk.ask("one?") and not await talk.ask("two?")
        with pytest.raises(Abort):
            await talk.ask("three?")
        os.close(descriptor)

    answered()


@pytest.mark.parametrize("read_already", [True, False])
@virtual
async def test_at_a_terminal_what_was_typed_ahead_answers_nothing(
    clock: VirtualClock, read_already: bool
) -> None:
    master, slave = os.openpty()
    os.set_blocking(slave, False)
    lines = Lines(slave, clock)
    lines.open()
    talk = Dialogue(lines, Report(lambda _: None), clock)
    os.write(master, b"y\n")
    assert select.select([slave], [], [], 2)[0]  # the kernel has handed it over
    if read_already:
        await asyncio.sleep(1)

    async def answer() -> None:
        await asyncio.sleep(1)
        os.write(master, b"n\n")

    typing = asyncio.create_task(answer())
    assert not await talk.ask("dark?")
    await typing
    lines.close()
    os.close(master)
    os.close(slave)
