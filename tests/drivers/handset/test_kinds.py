"""The drivers of handsets, from what a file says of them."""

from __future__ import annotations

import pytest

from drivers.base import Key
from drivers.handset.gpio import KeyPins
from drivers.handset.input_event import CodedKeys
from drivers.handset.keys import Keys
from drivers.handset.kinds import HANDSET_KINDS, HandsetDevice
from drivers.kind import Site

KINDS = {kind.name: kind for kind in HANDSET_KINDS}
KEYS = Keys(bytes(range(1, 17)), {n: bytes(range(n + 1, n + 17)) for n in (1, 2, 3)})


def test_handsets_of_one_receiver_are_one_driver_with_their_keys_alone() -> None:
    site = Site(lambda: 0, keys=KEYS)
    handsets = [HandsetDevice("radio", n, "four", "/dev/air") for n in (2, 1)]
    radio = KINDS["radio"].build(handsets, site)
    assert (radio.name, radio.authenticated, radio.serves) == ("/dev/air", True, (2, 1))


def test_simulated_handsets_share_a_receiver_and_its_far_end() -> None:
    site = Site(lambda: 0)
    handset = KINDS["simulated"].build(
        [HandsetDevice("simulated", n, "four") for n in (5, 1)], site
    )
    assert (handset.name, handset.serves) == ("simulated receiver", (5, 1))
    [air] = site.airs
    assert list(air.handsets) == [5, 1]


@pytest.mark.parametrize(
    ("device", "name"),
    [
        (HandsetDevice("gpio", 3, "four", details=KeyPins({Key.READY: 4})), "handset 3 on pins"),
        (
            HandsetDevice("input_event", 3, "four", "/dev/x", details=CodedKeys({5: Key.READY})),
            "/dev/x",
        ),
    ],
)
def test_what_anyone_could_press_is_a_handset_of_its_own(device: HandsetDevice, name: str) -> None:
    kind = KINDS[device.driver]
    handset = kind.build([device], Site(lambda: 0))
    assert (handset.name, handset.serves) == (name, (3,))
    assert not handset.authenticated and not kind.authenticated
    assert device.details is not None and device.details.keys == (Key.READY,)
