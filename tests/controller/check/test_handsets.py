"""The keys of the handsets, on simulated handsets in virtual time."""

from __future__ import annotations

import asyncio

import pytest

from controller.assembly.devices import Built, handset_drivers
from controller.check.handsets import (
    CheckedHandset,
    PressRecorder,
    Receiver,
    air_findings,
    battery,
    check_handsets,
    handset_findings,
    label,
    margin,
)
from controller.check.ports import SniffingPort
from controller.check.report import Report, Verdict
from drivers.base import Answer, Edge, Handset, Key, Press, Rejection
from drivers.handset.cues import CueKind
from drivers.handset.keys import Keys
from drivers.handset.kinds import HANDSET_KINDS, HandsetDevice
from drivers.handset.layouts import LAYOUTS
from drivers.handset.radio import RadioHandsets
from drivers.handset.simulated import Air, SimulatedHandset
from drivers.kind import Site
from drivers.port.memory_port import memory_pair
from tests.shared.virtual_time import VirtualClock, virtual

KEEPER = CheckedHandset(1, "keeper", "twelve")
FIELD = CheckedHandset(2, "field", "four")
BROADCAST_KEY = bytes(range(0xF0, 0x100))
HANDSET_KEYS = {1: bytes(range(16)), 2: bytes(range(16, 32))}


class Checked:
    """A receiver and handsets whose keys the test presses itself."""

    def __init__(self, clock: VirtualClock, *present: int, battery: int = 20) -> None:
        self.present = present
        self.lines: list[str] = []
        self.report = Report(self.lines.append)
        near, far = memory_pair(clock, names=("receiver", "air"))
        port = SniffingPort(near)
        self.radio = RadioHandsets(port.name, port, Keys(BROADCAST_KEY, HANDSET_KEYS), clock)
        self.site, self.drivers = Site(clock), list[Built[Handset]]()
        self.drivers.append(Built(HANDSET_KINDS[0], self.radio))
        self.air = Air(
            far,
            clock,
            [SimulatedHandset(n, HANDSET_KEYS[n], BROADCAST_KEY, battery=battery) for n in present],
        )

    async def check(
        self, *known: CheckedHandset, wait_s: float = 20.0, left_out: tuple[Key, ...] = ()
    ) -> None:
        """Check while the keys of those present are pressed, but those left out."""
        living = asyncio.create_task(self.air.run())
        present = [each for each in known if each.number in self.present]
        thumbs = [asyncio.create_task(self.thumb(each, *left_out)) for each in present]
        await check_handsets(self.drivers, self.site, known, wait_s, self.report)
        await asyncio.gather(*thumbs)
        living.cancel()
        await asyncio.wait({living})

    def later(self, after_s: float, handset: int, **losses: int) -> None:
        """Let a handset's frames be lost from then on."""

        def lose() -> None:
            for name, number in losses.items():
                setattr(self.air.handsets[handset], name, number)

        asyncio.get_running_loop().call_later(after_s, lose)

    async def thumb(self, handset: CheckedHandset, *left_out: Key) -> None:
        """Press every key of the layout but those."""
        await asyncio.sleep(3.3)  # between two STATEs
        for key in LAYOUTS[handset.layout]:
            if key not in left_out:
                self.air.press(handset.number, key)
                await asyncio.sleep(1)

    def said(self, word: str) -> list[str]:
        return [line for line in self.lines if line.startswith(word)]


def test_keys_are_named_as_on_the_handset() -> None:
    assert [label(key) for key in LAYOUTS["four"]] == ["40", "25", "READY", "UNDO"]
    assert [label(key) for key in LAYOUTS["twelve"]] == [
        *("DEAD BALL", "READY", "25", "SNAP", "40", "STOP"),
        *("FLAG", "TIME-OUT", "INJURY", "UNDO", "NO COUNT", "BOARDS OFF"),
    ]


@virtual
async def test_all_keys_of_both_handsets_come(clock: VirtualClock) -> None:
    site = Checked(clock, 1, 2)
    await site.check(KEEPER, FIELD)
    assert site.said("WRONG") == site.said("LOOK") == []
    good = "\n".join(site.said("OK"))
    assert "handset 1 (keeper, twelve keys): all 12 keys came" in good
    assert "handset 2 (field, four keys): all 4 keys came" in good
    assert "handset 1: battery for 20 hours of play" in good
    assert "handset 1: heard 12 of about 12 frames; 0 answers did not reach it" in good


@virtual
async def test_each_key_that_comes_is_told_at_once(clock: VirtualClock) -> None:
    site = Checked(clock, 2)
    checking = asyncio.create_task(site.check(FIELD))
    await asyncio.sleep(3.5)
    assert site.lines[-1].strip() == "handset 2: 40 came, 3 left"
    await checking
    assert site.lines[0].strip().endswith("press each key once, in any order: 40, 25, READY, UNDO")


@virtual
async def test_a_press_changes_nothing_and_the_handset_plays_the_tick(clock: VirtualClock) -> None:
    site = Checked(clock, 2)
    await site.check(FIELD)
    played = [cue.kind for cue in site.air.handsets[2].cues]
    assert played.count(CueKind.NO_CHANGE) >= 3
    assert set(played) <= {CueKind.NO_CHANGE, CueKind.NOT_HEARD}


@virtual
async def test_a_key_that_does_not_come_is_named_after_its_time(clock: VirtualClock) -> None:
    site = Checked(clock, 1)
    began_at = clock()
    await site.check(KEEPER, wait_s=5, left_out=(Key.SNAP, Key.TIME_OUT))
    (bad,) = site.said("WRONG")
    assert "handset 1 (keeper, twelve keys): no press of SNAP, TIME-OUT came" in bad
    assert 15 < (clock() - began_at) / 1e9 < 22


@virtual
async def test_a_missing_handset_is_told_and_the_next_one_is_checked(clock: VirtualClock) -> None:
    site = Checked(clock, 2)
    await site.check(KEEPER, FIELD, wait_s=10)
    (bad,), good = site.said("WRONG"), "\n".join(site.said("OK"))
    assert "handset 1 (keeper, twelve keys): not heard" in bad and "battery" in bad
    assert "handset 2 (field, four keys): all 4 keys came" in good


@virtual
async def test_a_handset_with_another_key_has_to_be_paired(clock: VirtualClock) -> None:
    site = Checked(clock)
    site.air.handsets[1] = SimulatedHandset(1, bytes(range(7, 23)), BROADCAST_KEY)
    await site.check(KEEPER, wait_s=8)
    (bad,) = site.said("WRONG")
    assert "heard, but its key is not the one in the key file" in bad and "pair it" in bad
    assert any("wrong tag" in line for line in site.said("LOOK"))


@virtual
async def test_lost_frames_and_unheard_answers_are_told(clock: VirtualClock) -> None:
    site = Checked(clock, 2)
    site.later(2.5, 2, lose_sent=2)
    site.later(4.2, 2, lose_heard=1)
    await site.check(FIELD)
    (found,) = [line for line in site.said("LOOK") if "frames;" in line]
    assert "heard 5 of about 7 frames;" in found
    assert "1 answers did not reach it" in found and "antenna" in found


@virtual
async def test_a_report_lost_whole_is_a_gap_in_the_counters(clock: VirtualClock) -> None:
    site = Checked(clock, 2)
    site.later(3.5, 2, lose_sent=6)
    await site.check(FIELD, wait_s=8)
    assert any("no press of 25 came" in line for line in site.said("WRONG"))
    assert any("1 reports lost whole" in line for line in site.said("LOOK"))


@pytest.mark.parametrize(
    ("hours", "verdict"),
    [(None, Verdict.OK), (3, Verdict.LOOK), (4, Verdict.OK), (0, Verdict.LOOK)],
)
def test_a_battery_that_does_not_last_a_game_wants_a_look(
    hours: int | None, verdict: Verdict
) -> None:
    assert battery(1, hours).verdict is verdict


@pytest.mark.parametrize(("margin_db", "verdict"), [(9, Verdict.LOOK), (10, Verdict.OK)])
def test_a_margin_that_a_body_takes_away_wants_a_look(margin_db: int, verdict: Verdict) -> None:
    [found] = margin(1, margin_db)
    assert found.verdict is verdict and f"{margin_db} dB" in found.what
    assert list(margin(1, None)) == []


@virtual
async def test_another_version_is_named_and_what_is_of_the_session_before_is_not(
    clock: VirtualClock,
) -> None:
    site, recorder = Checked(clock), PressRecorder()
    said = "a frame of protocol version 3; this program speaks version 2"
    recorder.press_rejected(Rejection(None, "another version", said), clock())
    recorder.press_rejected(Rejection(1, "bad tag", "", settling=True), clock())
    [found] = air_findings(Receiver(site.radio), recorder)
    assert said in found.what


@virtual
async def test_a_stranger_and_late_presses_are_told(clock: VirtualClock) -> None:
    site, recorder = Checked(clock), PressRecorder()
    receiver = Receiver(site.radio)
    recorder.handset_heard(1, clock(), None, None)
    recorder.press_rejected(Rejection(77, "unknown handset", ""), clock())
    recorder.press_rejected(Rejection(1, "too late", ""), clock())
    found = [*handset_findings(KEEPER, recorder, receiver), *air_findings(receiver, recorder)]
    said = [each.what for each in found if each.verdict is Verdict.LOOK]
    assert said == [
        "handset 1: 1 presses came too late",
        "receiver: handset 77 is heard and not of this installation",
    ]


def test_a_held_key_is_no_second_press() -> None:
    recorder = PressRecorder()
    assert recorder.key_pressed(Press(1, Key.UNDO, Edge.HELD, 0, 0)) is Answer.NO_CHANGE
    assert recorder.keys == {}


@virtual
async def test_damaged_frames_want_a_look(clock: VirtualClock) -> None:
    site = Checked(clock)
    site.radio.bytes_received(b"\x00\x05\x01\x02\x00", clock())
    (found,) = air_findings(Receiver(site.radio), PressRecorder())
    assert "1 damaged frames" in found.what


@virtual
async def test_a_receiver_that_is_not_there_is_wrong_and_nobody_waits(clock: VirtualClock) -> None:
    site = Checked(clock)
    there = Site(clock, keys=Keys(BROADCAST_KEY, HANDSET_KEYS), listen=SniffingPort)
    drivers = handset_drivers([HandsetDevice("radio", 1, "twelve", "/dev/not-there")], there)
    began_at = clock()
    await check_handsets(drivers, there, [KEEPER], 20, site.report)
    (bad,) = site.said("WRONG")
    assert "handset 1: /dev/not-there: cannot open" in bad
    assert (clock() - began_at) / 1e9 < 1


@virtual
async def test_simulated_handsets_press_by_themselves(clock: VirtualClock) -> None:
    site, lines = Site(clock, listen=SniffingPort), list[str]()
    drivers = handset_drivers([HandsetDevice("simulated", n, "twelve") for n in (1, 2)], site)
    await check_handsets(drivers, site, [KEEPER, FIELD], 20, Report(lines.append))
    assert not [line for line in lines if line.startswith(("WRONG", "LOOK"))]
    assert sum("keys came" in line for line in lines) == 2
