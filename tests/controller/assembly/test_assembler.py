"""Putting a service together: the right drivers on the right ports, with the right keys."""

from __future__ import annotations

import asyncio
import contextlib
import os
import time
from collections.abc import AsyncIterator, Callable, Sequence
from functools import partial
from pathlib import Path

import pytest

from controller.assembly.assembler import (
    Assembler,
    Assembly,
    checked_rules,
    controller_id_of,
    radio_keys,
    rules_of,
)
from controller.assembly.devices import SIMULATED_BOARDS, SIMULATED_HANDSETS
from controller.config.load import parse_config
from controller.config.model import Config, HandsetConfig
from controller.config.toml_table import ConfigError
from controller.rulebook import loader
from controller.rulebook.loader import load_rule_set
from controller.rulebook.wording import titled
from controller.rules.rulings import StartsOn
from controller.rules.settings import Settings
from drivers.base import Key
from drivers.board.kinds import BoardConfig
from drivers.handset.keys import Keys
from tests.shared.installation import Tty
from tests.shared.key_files import write_keys
from tests.shared.virtual_time import VirtualClock, virtual

BROADCAST_KEY = bytes(range(100, 116))
HANDSET_KEYS = {number: bytes(range(number, number + 16)) for number in (1, 2, 3)}


class Commands:
    """A console's commands, as they come."""

    def __init__(self) -> None:
        self.given: list[tuple[str, str]] = []

    def number(self, count: int) -> bool:
        return len(self.given) == count

    def command(self, char: str) -> None:
        self.given.append(("command", char))

    def entered(self, text: str) -> None:
        self.given.append(("entered", text))

    def unknown(self, char: str) -> None:
        self.given.append(("unknown", char))


def board(name: str, node: int, port: str = "") -> str:
    driver = f'driver = "node"\nport = "{port}"' if port else 'driver = "simulated"'
    return f'[[boards]]\nname = "{name}"\nnode = {node}\n{driver}\n'


def handset(number: int, port: str = "", role: str = "keeper", layout: str = "twelve") -> str:
    driver = f'driver = "radio"\nport = "{port}"' if port else 'driver = "simulated"'
    return f'[[handsets]]\nid = {number}\nrole = "{role}"\nlayout = "{layout}"\n{driver}\n'


def config_of(folder: Path, *tables: str, top: str = "") -> Config:
    head = f'state_folder = "{folder}/state"\nkey_file = "{folder}/keys"\n{top}'
    return parse_config(head + "".join(tables), "f.toml")


def assembled(clock: VirtualClock, config: Config, keys: Keys | None = None) -> Assembly:
    assembler = Assembler(clock, rules_of(config), config.play_clock)
    assembler.console(config.console.role, Commands(), None)
    assembler.boards(list(config.boards), controller_id_of(config))
    assembler.handsets(list(config.handsets), keys)
    return assembler.build(None, config.brightness)


@contextlib.asynccontextmanager
async def running(assembly: Assembly) -> AsyncIterator[None]:
    """The service and all that belongs to it."""
    for pair in assembly.pairs:
        pair.open()
    tasks = [asyncio.create_task(run()) for run in assembly.companions]
    service = asyncio.create_task(assembly.service.run())
    try:
        yield
    finally:
        assembly.service.stop()
        await service
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
        for pair in assembly.pairs:
            pair.close()


def numerals(assembly: Assembly, clock: VirtualClock) -> list[int | None]:
    return [node.shown(clock()).numerals for node in assembly.nodes]


# The simulator


def simulator(
    clock: VirtualClock,
    boards: Sequence[BoardConfig] = SIMULATED_BOARDS,
    handsets: Sequence[HandsetConfig] = SIMULATED_HANDSETS,
) -> Assembly:
    assembler = Assembler(clock, load_rule_set("nfhs"), Settings())
    assembler.console("keeper")
    assembler.boards(boards)
    assembler.handsets(handsets)
    return assembler.build(None)


async def press(assembly: Assembly, key: str, after_s: float = 2) -> None:
    """Press a key of the simulated handset, and let it come."""
    assert assembly.press is not None
    await asyncio.sleep(after_s)
    assembly.press(key)
    await asyncio.sleep(0.1)


@virtual
async def test_a_press_of_the_simulated_handset_lights_both_simulated_boards(
    clock: VirtualClock,
) -> None:
    assembly = simulator(clock)
    async with running(assembly):
        await press(assembly, "NUMBER_25")
        assert numerals(assembly, clock) == [25, 25]
        await press(assembly, "READY", after_s=1)
        await asyncio.sleep(1.1)
        assert numerals(assembly, clock) == [24, 24]
        status = assembly.service.status()
        assert [each.state for each in status.board_health] == ["right", "right"]
        assert not status.unauthenticated
    assert numerals(assembly, clock) == [None, None]


@virtual
async def test_every_key_can_be_pressed_by_name(clock: VirtualClock) -> None:
    assembly = simulator(clock)
    async with running(assembly):
        for key in Key:
            await press(assembly, key.name)
        await asyncio.sleep(2)
        heard = assembly.service.status().handset_health
        assert [each.state for each in heard] == ["heard", "heard"]
        with pytest.raises(KeyError):
            await press(assembly, "HORN")


@virtual
async def test_without_boards_the_count_goes_on(clock: VirtualClock) -> None:
    assembly = simulator(clock, boards=())
    async with running(assembly):
        await press(assembly, "DEAD_BALL")
        await asyncio.sleep(10.4)
        status = assembly.service.status()
        assert (status.phase, status.numerals, status.board_health) == ("RUNNING", 30, ())


@virtual
async def test_without_a_simulated_handset_there_is_nothing_to_press(clock: VirtualClock) -> None:
    assembly = simulator(clock, SIMULATED_BOARDS[:1], ())
    assert assembly.press is None and assembly.companions == []


# The console


def test_a_console_without_a_terminal_is_of_the_crew_and_has_no_keys() -> None:
    assembler = Assembler(VirtualClock(), load_rule_set("nfhs"), Settings())
    assert assembler.console("field", Commands(), None) is None
    service = assembler.build(None).service
    [console] = service.status().handset_health
    assert (console.number, console.name, console.role) == (0, "console", "field")


async def really(happened: Callable[[], bool]) -> None:
    """Wait for what the kernel does in its own time, while virtual time stands still."""
    until = time.monotonic() + 5
    while not happened():
        assert time.monotonic() < until, "it did not happen"
        await asyncio.sleep(0)


@virtual
async def test_a_console_on_a_terminal_drives_the_clock_and_hands_over_commands(
    clock: VirtualClock,
) -> None:
    master, slave = os.openpty()
    commands = Commands()
    assembler = Assembler(clock, load_rule_set("nfhs"), Settings())
    keys = assembler.console("keeper", commands, slave)
    assert keys is not None
    assembly = assembler.build(None)
    try:
        async with running(assembly):
            await asyncio.sleep(0.1)
            wanted = [("unknown", "z"), ("command", "q"), ("entered", "count 17")]
            for count, typed in enumerate((b"2", b"z", b"q", b":count 17\r")):
                os.write(master, typed)
                await really(partial(commands.number, count))
                await really(lambda: assembly.service.status().orders > 0)
                await asyncio.sleep(0.5)
            assert assembly.service.status().result == "held"
            assert commands.given == wanted
    finally:
        os.close(master)
        os.close(slave)


# Installations


def test_boards_of_one_port_share_a_driver_whatever_their_order(tmp_path: Path) -> None:
    one, two = "/dev/one", "/dev/two"
    tables = [board("a", 1, two), board("b", 1, one), board("c", 2), board("d", 2, two)]
    assembly = assembled(VirtualClock(), config_of(tmp_path, *tables))
    assert sorted(each.boards for each in assembly.service._boards) == [("a", "d"), ("b",), ("c",)]
    assert [node.node for node in assembly.nodes] == [2]


def test_handsets_of_one_receiver_share_a_driver(tmp_path: Path) -> None:
    one, two = "/dev/one", "/dev/two"
    tables = [handset(3, two, "field", "four"), handset(1, one), handset(2, two, "shadow")]
    config = config_of(tmp_path, *tables)
    service = assembled(VirtualClock(), config, Keys(BROADCAST_KEY, HANDSET_KEYS)).service
    assert sorted(each.name for each in service._handsets) == sorted([one, two])
    crew = {each.number: (each.name, each.role) for each in service.status().handset_health}
    assert crew == {
        0: ("console", "keeper"),
        1: ("handset 1", "keeper"),
        2: ("handset 2", "shadow"),
        3: ("handset 3", "field"),
    }


@virtual
async def test_every_port_of_an_installation_is_written_to(
    clock: VirtualClock, tmp_path: Path
) -> None:
    ttys = [Tty(tmp_path / name) for name in ("boards", "receiver")]
    boards, receiver = (str(each.link) for each in ttys)
    config = config_of(tmp_path, board("north", 1, boards), handset(1, receiver))
    async with running(assembled(clock, config, Keys(BROADCAST_KEY, HANDSET_KEYS))):
        await asyncio.sleep(0.2)
    for each in ttys:
        os.set_blocking(each.master, False)
        assert os.read(each.master, 4096)
        each.unplug()


@virtual
async def test_simulated_boards_and_handsets_of_a_configuration_work_together(
    clock: VirtualClock,
) -> None:
    tables = [board("north", 1), board("south", 2), handset(1), handset(7, "", "field", "four")]
    assembly = assembled(clock, config_of(Path("/nowhere"), *tables, top="controller_id = 9\n"))
    async with running(assembly):
        await press(assembly, "DEAD_BALL")
        assert numerals(assembly, clock) == [40, 40]
        states = {each.name: each.state for each in assembly.service.status().handset_health}
        assert states == {"console": "heard", "handset 1": "heard", "handset 7": "heard"}


@virtual
async def test_the_brightness_of_the_configuration_reaches_the_boards(clock: VirtualClock) -> None:
    config = config_of(Path("/nowhere"), board("north", 1), top="brightness = 4\n")
    assembly = assembled(clock, config)
    async with running(assembly):
        await asyncio.sleep(0.5)
        assert [node.shown(clock()).brightness for node in assembly.nodes] == [4]


# Rules


def test_overrides_stand_in_place_of_the_rule_sets_own_ruling(tmp_path: Path) -> None:
    override = (
        '[[overrides]]\nending = "touchdown"\nseconds = 40\nstarts_on = "dead_ball"\n'
        'citation = "Example Valley Conference, item 4"\n'
    )
    rules = rules_of(config_of(tmp_path, override))
    ruling = rules.ruling("touchdown")
    assert (ruling.seconds, ruling.starts_on) == (40, StartsOn.DEAD_BALL)
    assert ruling.override == ruling.citation == "Example Valley Conference, item 4"
    own = load_rule_set("nfhs")
    assert {name for name in own.rulings if own.rulings[name] != rules.rulings[name]} == {
        "touchdown"
    }


def test_the_newest_rules_are_titled_as_those_of_this_year(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(loader, "this_year", lambda: 2030)
    assert titled(checked_rules(config_of(tmp_path))).endswith("rules of 2022, in force 2030")
    asked = checked_rules(config_of(tmp_path, top="season = 2021\n"))
    assert titled(asked).endswith("rules of 2020, in force 2021")
    with pytest.raises(ConfigError, match="no season 2032: must be from 1990 to 2031"):
        checked_rules(config_of(tmp_path, top="season = 2032\n"))


def test_an_option_of_the_file_is_a_local_adoption(tmp_path: Path) -> None:
    rules = rules_of(config_of(tmp_path, '[options]\nafter_touchdown = "40_dead_ball"\n'))
    ruling = rules.in_force(frozenset({"touchdown"}))
    assert ruling is not None and ruling.seconds == 40
    assert ruling.override == "option after_touchdown = 40_dead_ball"
    assert "TASO" in ruling.citation


@pytest.mark.parametrize(
    ("top", "said"), [('rules = "nfsh"\n', "'nfsh'"), ('rules = "ncaa"\nseason = 1990\n', "1990")]
)
def test_unknown_rules_are_named(tmp_path: Path, top: str, said: str) -> None:
    with pytest.raises(ConfigError, match=said):
        config_of(tmp_path, top=top)


def test_a_rule_set_that_is_damaged_once_the_configuration_was_read_is_named(
    tmp_path: Path,
) -> None:
    own = tmp_path / "own.toml"
    own.write_text('code = "cup"\ntitle = "Cup"\nfollows = "nfhs"\nroutine_s = 30\n')
    config = config_of(tmp_path, top=f'rules = "{own}"\n')
    assert checked_rules(config).routine_s == 30
    own.write_text("")
    with pytest.raises(ConfigError, match=r"own\.toml: line 1: missing key 'code'"):
        checked_rules(config)


# Keys, identity


def test_no_radio_handset_needs_no_key_and_leaves_no_trace(tmp_path: Path) -> None:
    config = config_of(tmp_path, handset(1))
    assert radio_keys(config) is None
    assert list(tmp_path.iterdir()) == []


def paired(folder: Path, *numbers: int) -> Config:
    write_keys(folder / "keys", Keys(BROADCAST_KEY, {n: HANDSET_KEYS[n] for n in numbers}))
    return config_of(folder, handset(1, "/dev/rx"), handset(2, "/dev/rx"), handset(9))


def test_the_keys_are_all_that_the_link_needs_and_nothing_is_written(tmp_path: Path) -> None:
    config = paired(tmp_path, 1, 2, 3)
    assert radio_keys(config) == Keys(BROADCAST_KEY, HANDSET_KEYS)
    assert [each.name for each in tmp_path.iterdir()] == ["keys"]


def test_handsets_without_a_key_are_named_with_the_file(tmp_path: Path) -> None:
    config = paired(tmp_path, 3)
    with pytest.raises(ValueError, match="no key for handset 1, 2") as caught:
        radio_keys(config)
    assert str(tmp_path / "keys") in str(caught.value)


def test_the_identity_is_the_configured_one(tmp_path: Path) -> None:
    assert controller_id_of(config_of(tmp_path, top="controller_id = 4711\n")) == 4711


@pytest.mark.parametrize("machine", [b"", b"0123456789abcdef0123456789abcdef\n", None])
def test_the_identity_follows_from_the_machine_and_stays(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, machine: bytes | None
) -> None:
    def identity(path: Path) -> bytes:
        assert str(path) == "/etc/machine-id"  # machine-id(5)
        if machine is None:
            raise FileNotFoundError(path)
        return machine

    config = config_of(tmp_path)
    monkeypatch.setattr(Path, "read_bytes", identity)
    first = controller_id_of(config)
    assert 1 <= first <= 65535
    assert controller_id_of(config) == first


def test_machines_differ(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    config, found = config_of(tmp_path), set()
    for number in range(50):
        identity = b"%032x\n" % number
        monkeypatch.setattr(Path, "read_bytes", lambda _, identity=identity: identity)
        found.add(controller_id_of(config))
    assert len(found) == 50
