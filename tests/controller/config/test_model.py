"""The words of the configuration are those of the rules core and of the drivers."""

from __future__ import annotations

from controller.config.model import ROLES, STARTS_ON, HandsetConfig
from controller.rules.events import Role
from controller.rules.rulings import StartsOn
from drivers.handset.kinds import HandsetDevice


def test_roles_and_what_starts_a_count_have_the_words_of_the_rules() -> None:
    assert set(ROLES) == {role.value for role in Role} - {Role.SERVICE.value}
    assert set(STARTS_ON) == {starts_on.value for starts_on in StartsOn}


def test_a_handset_is_its_device_and_a_role() -> None:
    handset = HandsetConfig("gpio", 3, "four", role="shadow")
    assert isinstance(handset, HandsetDevice)
    assert (handset.port, handset.baud, handset.details) == (None, 38400, None)
    assert handset != HandsetConfig("gpio", 3, "four", role="field")
