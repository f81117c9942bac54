"""The demonstration: a series that a keeper could have played, once."""

from __future__ import annotations

import asyncio
from itertools import pairwise

import pytest

from controller.assembly.demo import LOOK_S, SERIES, play
from drivers.base import Key
from tests.controller.assembly.test_assembler import numerals, running, simulator
from tests.shared.virtual_time import VirtualClock, virtual

ONCE_S = sum(pause_s for pause_s, _ in SERIES)


def test_the_series_has_real_keys_and_pauses_a_thumb_can_make() -> None:
    assert {key for _, key in SERIES} <= {key.name for key in Key}
    assert all(pause_s >= 1 for pause_s, _ in SERIES)
    assert 30 <= ONCE_S <= 180


def test_no_key_comes_twice_so_soon_that_it_would_be_a_double_tap() -> None:
    for (_, before), (pause_s, key) in pairwise(SERIES):
        assert key != before or pause_s > 0.6


@virtual
async def test_the_keys_are_pressed_at_their_instants_and_then_it_ends(
    clock: VirtualClock,
) -> None:
    pressed: list[tuple[int, str]] = []
    began_at = clock()
    await play(lambda key: pressed.append((clock() - began_at, key)))
    assert clock() - began_at == pytest.approx((ONCE_S + LOOK_S) * 1e9, abs=1_000)
    due_s, expected = 0.0, []
    for pause_s, key in SERIES:
        due_s += pause_s
        expected.append((round(due_s * 1e9), key))
    assert [key for _, key in pressed] == [key for _, key in expected]
    assert [at for at, _ in pressed] == pytest.approx([at for at, _ in expected], abs=1_000)


@virtual
async def test_played_on_the_simulator_it_shows_what_the_clock_can_do(clock: VirtualClock) -> None:
    assembly = simulator(clock)
    service = assembly.service
    assert assembly.press is not None
    phases: list[str] = []
    results: list[tuple[str, str]] = []
    faces: set[tuple[int | None, int | None]] = set()

    def seen() -> None:
        status = service.status()
        phases.append(status.phase)
        if status.orders:
            results.append((status.by, status.result))

    service.observers.append(seen)
    async with running(assembly):
        keeper = asyncio.create_task(play(assembly.press))
        for _ in range(round(ONCE_S)):
            await asyncio.sleep(1)
            north, south = numerals(assembly, clock)
            faces.add((north, south))
        await keeper

    assert {"IDLE", "SET", "RUNNING", "LIVE"} <= set(phases)
    assert {who for who, _ in results} == {"handset 1"}
    assert {"held", "running", "no change"} <= {result for _, result in results}
    assert not {"refused", "not heard"} & {result for _, result in results}
    assert all(north == south for north, south in faces)
    assert {None, 25, 40, 39, 24} <= {north for north, _ in faces}
