"""The configuration: the example is valid and complete, and every error names what is wrong."""

from __future__ import annotations

import os
import re
from dataclasses import fields
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.config.default_paths import default_runtime_folder
from controller.config.load import (
    LARGEST_FILE_BYTES,
    TOP_LEVEL,
    load_config,
    parse_config,
)
from controller.config.model import Config, ConsoleConfig, HandsetConfig, Override
from controller.config.toml_table import ConfigError
from controller.rules.settings import RANGES, Settings, check_settings
from drivers.board.kinds import BoardConfig

EXAMPLE = Path(__file__).parents[3] / "systemd" / "playclock.example.toml"
WHOLE = re.sub(r"(?m)^#(?=[\[a-z])", "", EXAMPLE.read_text(encoding="utf-8"))
"""The example with everything switched on that it shows switched off."""

BOARD = 'name = "North"\ndriver = "node"\nport = "/dev/b"\nnode = 1\n'
SOUTH = 'name = "South"\ndriver = "node"\nport = "/dev/b"\nnode = 2\n'
HANDSET = 'driver = "radio"\nid = 1\nrole = "field"\nlayout = "four"\nport = "/dev/h"\n'
KEY = 'key_file = "/etc/keys"\n'
RULING = 'ending = "touchdown"\nseconds = 40\nstarts_on = "dead_ball"\ncitation = "Us"\n'


def problems(text: str) -> list[str]:
    with pytest.raises(ConfigError) as caught:
        parse_config(text, "f.toml")
    assert str(caught.value) == "\n".join(f"f.toml: {line}" for line in caught.value.problems)
    return list(caught.value.problems)


def keys_by_line(text: str) -> dict[int, tuple[str, str]]:
    """Line number -> (full name, key) for each ``key = value`` line."""
    found: dict[int, tuple[str, str]] = {}
    count: dict[str, int] = {}
    prefix = ""
    for number, line in enumerate(text.splitlines()):
        if match := re.fullmatch(r"\[\[(\w+)\]\]", line):
            index = count[match[1]] = count.get(match[1], -1) + 1
            prefix = f"{match[1]}[{index}]."
        elif match := re.fullmatch(r"\[(\w+)\]", line):
            prefix = f"{match[1]}."
        elif match := re.match(r"(\w+) = ", line):
            found[number] = (prefix + match[1], match[1])
    return found


def with_line(number: int, line: str) -> str:
    lines = WHOLE.splitlines()
    lines[number] = line
    return "\n".join(lines)


PATH = "must be an absolute path without '..'"
DOWN = "must be a number from 0 to 8 seconds"
KEYS = keys_by_line(WHOLE)


# ---- the example ---------------------------------------------------------------------------------


def test_the_example_is_valid_and_describes_two_boards_and_two_handsets() -> None:
    config = load_config(EXAMPLE)
    assert config.source == str(EXAMPLE)
    assert [(board.name, board.node) for board in config.boards] == [("North", 1), ("South", 2)]
    assert [(handset.id, handset.role) for handset in config.handsets] == [
        (1, "keeper"),
        (2, "field"),
    ]
    assert config.overrides == ()


def test_the_example_shows_every_key_there_is() -> None:
    shown = {name for name, _ in KEYS.values()}
    wanted = set(TOP_LEVEL) - {
        "play_clock",
        "boards",
        "handsets",
        "console",
        "overrides",
        "options",
    }
    wanted |= {f"play_clock.{name}" for name in RANGES}
    # Those of displays and inputs with tables of their own: test_device_tables.py.
    rare = {"details", "parity", "stop_bits"}
    for kind, table in (("boards", BoardConfig), ("handsets", HandsetConfig)):
        names = {field.name for field in fields(table)} - rare
        wanted |= {f"{kind}[{i}].{name}" for i in (0, 1) for name in names}
    wanted |= {f"console.{field.name}" for field in fields(ConsoleConfig)}
    wanted |= {f"overrides[0].{field.name}" for field in fields(Override)}
    wanted |= {"options.after_touchdown"}  # the others are listed by `playclock rules --options`
    assert shown == wanted
    assert parse_config(WHOLE, "whole").overrides[0].starts_on == "dead_ball"


def test_the_example_states_the_true_defaults(monkeypatch: pytest.MonkeyPatch) -> None:
    """A value whose comment says "Default" can be removed and nothing changes."""
    monkeypatch.delenv("RUNTIME_DIRECTORY")
    monkeypatch.delenv("XDG_RUNTIME_DIR", raising=False)
    whole = parse_config(WHOLE, "same")
    lines = EXAMPLE.read_text(encoding="utf-8").splitlines()
    tried = 0
    for number, (_, key) in KEYS.items():
        comment = []
        for line in reversed(lines[:number]):
            if not line.startswith("# "):
                break
            comment.append(line)
        # These two defaults are taken from elsewhere, so the example's value is one of many.
        if "Default" in " ".join(comment) and key not in {"season", "controller_id"}:
            assert parse_config(with_line(number, ""), "same") == whole, key
            tried += 1
    assert tried == 17


def test_an_empty_file_is_a_console_without_boards() -> None:
    assert parse_config("", "empty") == Config(
        source="empty",
        rules="nfhs",
        season=None,
        state_folder=Path("/var/lib/playclock"),
        runtime_folder=default_runtime_folder(),
        journal=Path("/var/lib/playclock/journal.sqlite3"),
        controller_id=None,
        brightness=15,
        allow_unauthenticated=False,
        key_file=None,
        play_clock=Settings(),
        boards=(),
        handsets=(),
        console=ConsoleConfig(enabled=True, role="keeper"),
        overrides=(),
    )


VALUES = st.one_of(
    st.booleans().map(lambda value: "true" if value else "false"),
    st.integers(-(10**25), 10**25).map(str),
    st.integers(-2, 300).map(str),
    st.floats().map(repr),
    st.sampled_from(sorted({line.split(" = ", 1)[1] for line in WHOLE.splitlines()
                            if " = " in line and not line.startswith("#")} - {""})),
    st.sampled_from(['""', '" "', '"a\\nb"', '"/"', '"/a/../b"', '"shadow"', '"simulated"', "[]",
                     "[1]", "{}", "{a = 1}", "1979-05-27", "0xFFFFFFFFFFFFFFFFFF", '"é"']),
)  # fmt: skip


@settings(max_examples=200, deadline=None)
@given(number=st.sampled_from(sorted(KEYS)), value=VALUES)
def test_any_other_value_of_one_key_is_valid_or_named(number: int, value: str) -> None:
    name, key = KEYS[number]
    try:
        config = parse_config(with_line(number, f"{key} = {value}"), "f.toml")
    except ConfigError as error:
        assert all(name in line for line in error.problems), error
    else:
        check_settings(config.play_clock)


@pytest.mark.parametrize("number", KEYS)
def test_a_key_left_out_is_valid_or_named(number: int) -> None:
    try:
        parse_config(with_line(number, ""), "f.toml")
    except ConfigError as error:
        assert len(error.problems) == 1
        assert error.problems[0].startswith(f"{KEYS[number][0]}: missing; must be ")


@pytest.mark.parametrize("number", KEYS)
def test_a_misspelt_key_is_named_with_the_right_one(number: int) -> None:
    name, key = KEYS[number]
    wrong = key + "x"
    line = WHOLE.splitlines()[number].replace(key, wrong, 1)
    (found,) = [one for one in problems(with_line(number, line)) if "unknown key" in one]
    assert found.startswith(f"{name}x = ")
    assert found.endswith(f"the nearest known key is {name}")


# ---- single fields -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("season = true", "season = true: must be a whole number from 1990 to 2100"),
        ("season = 2026.0", "season = 2026.0: must be a whole number from 1990 to 2100"),
        ("allow_unauthenticated = 1", "allow_unauthenticated = 1: must be true or false"),
        (
            'rules = "../nfhs"',
            'rules = "../nfhs": must be text of 1 to 255 small letters, digits, _ or -, '
            "or the absolute path of a file",
        ),
        ('journal = "/"', f'journal = "/": {PATH}'),
        ('key_file = "/a\\u0000"', f'key_file = "/a\\u0000": {PATH}'),
        ("play_clock.same_down_s = 8.5", f"play_clock.same_down_s = 8.5: {DOWN}"),
        ("boards = [2]", "boards = […]: must be tables: write [[boards]] above each"),
        ("console = []", "console = []: must be a table: write [console]"),
        ('"a b" = 1979-05-27', '"a b" = 1979-05-27: unknown key; known here: '),
        (
            "[console]\nbrightness = 3",
            "console.brightness = 3: unknown key here; it belongs above the first [table]",
        ),
    ],
)
def test_one_wrong_field_is_one_line(text: str, expected: str) -> None:
    (line,) = problems(text)
    assert line.startswith(expected)


NUMBER = {name: line for line, (name, _) in KEYS.items()}


@pytest.mark.parametrize(
    ("name", "good", "bad"),
    [
        ("season", "1990 2026", "1989 2101"),
        ("controller_id", "1 65535", "0 65536"),
        ("brightness", "1 15", "0 16 true"),
        ("boards[1].node", "1 8", "0 9 true 1.0"),
        ("handsets[1].id", "1 254", "0 255 true"),
        ("overrides[0].seconds", "1 99", "0 100 true"),
        ("boards[1].name", f'"N" "{"N" * 16}"', f'"" "{"N" * 17}" "a\\tb" "\\tb" "\\u00a0b"'),
        ("boards[1].rs485", '"adapter"', '"Adapter" 1 true'),
        ("boards[1].baud", "38400", "38400.0 true 115200"),
        ("handsets[1].baud", "38400", "38400.0 true 9600"),
        ("handsets[1].layout", '"four" "twelve"', '"six" 4'),
        ("overrides[0].citation", f'"U" "{"U" * 200}"', f'"" "{"U" * 201}"'),
        ("play_clock.start_lag_s", "0 3 3.0 -0.0", "-0.001 3.001 inf nan true"),
        ("play_clock.stoppage_holds_s", "0 28", "-1 29"),
    ],
)
def test_limits_are_exact(name: str, good: str, bad: str) -> None:
    key = KEYS[NUMBER[name]][1]
    # The node of the first board and the number of the first handset make room.
    whole = WHOLE.replace("node = 1\n", "node = 5\n").replace("id = 1\n", "id = 5\n")
    lines = whole.splitlines()
    for value in good.split():
        lines[NUMBER[name]] = f"{key} = {value}"
        parse_config("\n".join(lines), "f.toml")
    for value in bad.split():
        lines[NUMBER[name]] = f"{key} = {value}"
        (line,) = problems("\n".join(lines))
        assert line.startswith(f"{name} = ")
        assert ": must be " in line


def test_no_space_at_either_end_of_a_name() -> None:
    for name in (" N", "N ", " "):
        (line,) = problems(f"[[boards]]\n{BOARD.replace('North', name)}")
        assert line.startswith(f'boards[0].name = "{name}": must be text of 1 to 16 printable')


def test_a_whole_number_is_a_duration_and_paths_are_tidied() -> None:
    config = parse_config('state_folder = "//srv//clock/"\n[play_clock]\nstart_lag_s = 1', "f")
    assert config.play_clock == Settings(start_lag_s=1.0)
    assert config.state_folder == Path("/srv/clock")
    assert config.journal == Path("/srv/clock/journal.sqlite3")


# ---- fields that have to fit each other ----------------------------------------------------------


def test_boards_on_one_port_must_differ_in_node_and_name_and_agree_on_the_line() -> None:
    second = BOARD.replace("/dev/b", "/dev//b") + 'rs485 = "kernel"\nbaud = 9600\n'
    assert problems(f"[[boards]]\n{BOARD}[[boards]]\n{second}") == [
        'boards[1].name = "North": must differ from boards[0].name',
        'boards[1].node = 1: must differ from boards[0].node on "/dev/b"',
        'boards[1].rs485 = "kernel": must be "adapter" as boards[0].rs485 on the same port',
        "boards[1].baud = 9600: must be 38400 as boards[0].baud on the same port",
    ]


def test_boards_on_two_ports_may_share_a_node_number_and_differ_in_the_line() -> None:
    second = SOUTH.replace("/dev/b", "/dev/c").replace("node = 2", "node = 1") + "baud = 9600\n"
    boards = parse_config(f"[[boards]]\n{BOARD}[[boards]]\n{second}", "f").boards
    assert [(board.port, board.node, board.baud) for board in boards] == [
        ("/dev/b", 1, 38400),
        ("/dev/c", 1, 9600),
    ]


def test_simulated_boards_leave_their_port_out_and_still_differ_in_node() -> None:
    rehearsal = (BOARD + "[[boards]]\n" + SOUTH).replace('"node"', '"simulated"')
    boards = parse_config(f"[[boards]]\n{rehearsal}", "f").boards
    assert [board.port for board in boards] == [None, None]
    same = rehearsal.replace("node = 2", "node = 1")
    assert problems(f"[[boards]]\n{same}") == [
        "boards[1].node = 1: must differ from boards[0].node"
    ]


def test_a_board_with_a_wrong_port_is_not_accused_of_more() -> None:
    first, second = BOARD.replace("/dev/b", "b"), SOUTH.replace("node = 2", "node = 1")
    assert problems(f"[[boards]]\n{first}[[boards]]\n{second}") == [
        "boards[0].port = \"b\": must be an absolute path without '..'"
    ]


def test_handsets_differ_in_number_and_agree_on_the_receiver() -> None:
    second = HANDSET + "baud = 115200\n"
    assert problems(f"{KEY}[[handsets]]\n{HANDSET}[[handsets]]\n{second}") == [
        "handsets[1].id = 1: must differ from handsets[0].id",
        "handsets[1].baud = 115200: must be 38400 as handsets[0].baud on the same port",
    ]


def test_a_radio_needs_a_key_file_and_a_simulated_handset_needs_neither_key_nor_port() -> None:
    assert problems(f"[[handsets]]\n{HANDSET}") == [
        'key_file: missing; must be an absolute path, because of handsets[0].driver = "radio"'
    ]
    simulated = HANDSET.replace("radio", "simulated").replace('port = "/dev/h"\n', "")
    (handset,) = parse_config(f"[[handsets]]\n{simulated}", "f").handsets
    assert handset == HandsetConfig("simulated", 1, "four", role="field")


def test_one_path_has_one_use() -> None:
    handset = HANDSET.replace("/dev/h", "/dev/b")
    assert problems(f"{KEY}[[boards]]\n{BOARD}[[handsets]]\n{handset}") == [
        'handsets[0].port = "/dev/b": cannot be the port of the handsets\' receiver too: '
        "boards[0].port makes it the port of node boards"
    ]
    assert problems(f'{KEY}journal = "/etc/keys"') == [
        'key_file = "/etc/keys": cannot be the key file too: journal makes it the journal'
    ]


@pytest.mark.parametrize("console", ["enabled = false", 'role = "shadow"'])
def test_somebody_must_drive_the_clock(console: str) -> None:
    shadow = HANDSET.replace("field", "shadow")
    for text in (f"[console]\n{console}\n", f"{KEY}[console]\n{console}\n[[handsets]]\n{shadow}"):
        (line,) = problems(text)
        assert line.startswith("console.enabled = ")
        assert "nobody would drive the clock" in line
    parse_config(f"{KEY}[console]\n{console}\n[[handsets]]\n{HANDSET}", "f")


def test_an_ending_is_overridden_once() -> None:
    assert problems(f"[[overrides]]\n{RULING}[[overrides]]\n{RULING}") == [
        'overrides[1].ending = "touchdown": must differ from overrides[0].ending'
    ]


def test_an_ending_is_overridden_by_any_word_for_it() -> None:
    for word in ("First Down", "first-down", "line_to_gain_reached"):
        config = parse_config(f"[[overrides]]\n{RULING.replace('touchdown', word)}", "f.toml")
        assert config.overrides[0].ending == "line_to_gain_reached"
    text = f"[[overrides]]\n{RULING}[[overrides]]\n{RULING.replace('touchdown', 'TD')}"
    assert problems(text) == ['overrides[1].ending = "TD": must differ from overrides[0].ending']


def test_overrides_are_checked_against_the_endings() -> None:
    for ending, advice in (
        ("touchdowns", 'the nearest is "touchdown"'),
        ("zzzz", "`playclock rules CODE` lists them"),
    ):
        (line,) = problems(f"[[overrides]]\n{RULING.replace('touchdown', ending)}")
        said = f'overrides[0].ending = "{ending}": no ending of any rule set; {advice}'
        assert line.startswith(said)


@pytest.mark.parametrize(
    ("top", "says"),
    [
        ('rules = "nfsh"', "rules = \"nfsh\": unknown code 'nfsh'; nearest: nfhs"),
        (
            'rules = "/no/where.toml"',
            'rules = "/no/where.toml": /no/where.toml: cannot be read: No',
        ),
        ('rules = "ncaa"\nseason = 1999', "season = 1999: ncaa: no season 1999: must be from"),
        ('rules = "own.toml"', 'rules = "own.toml": must be text of 1 to 255 small letters'),
    ],
)
def test_what_is_wrong_with_the_rule_set_stands_beside_all_else(top: str, says: str) -> None:
    found = problems(f"{top}\nbrightness = 0\n[[boards]]\n{BOARD}colour = 3")
    assert len(found) == 3
    assert any(line.startswith(says) for line in found)


def test_a_file_of_ones_own_is_a_rule_set(tmp_path: Path) -> None:
    own = tmp_path / "own.toml"
    own.write_text('code = "cup"\ntitle = "Cup"\nfollows = "nfhs"\nroutine_s = 30\n')
    assert parse_config(f'rules = "{own}"', "f").rules == str(own)
    own.write_text('code = "cup"\ntitle = "Cup"\nfollows = "nfhs"\nroutine_s = 300\n')
    (line,) = problems(f'rules = "{own}"')
    assert line.startswith('rules = "')
    assert line.endswith(f"{own}: line 4: routine_s = 300: must be a whole number from 1 to 99")


def test_all_errors_of_a_file_are_reported_together() -> None:
    text = f"season = 1\nrulez = 2\n[[boards]]\n{BOARD}colour = 3\n[[overrides]]\nseconds = 0"
    assert [line.split(" = ")[0].split(":")[0] for line in problems(text)] == [
        "season",
        "boards[0].colour",
        "overrides[0].ending",
        "overrides[0].seconds",
        "overrides[0].starts_on",
        "overrides[0].citation",
        "rulez",
    ]


# ---- files ---------------------------------------------------------------------------------------


def test_a_file_that_cannot_be_read_is_named(tmp_path: Path) -> None:
    os.mkfifo(pipe := tmp_path / "pipe")
    large = tmp_path / "large.toml"
    with large.open("wb") as file:
        file.truncate(LARGEST_FILE_BYTES + 1)
    for path, reason in (
        (tmp_path / "none.toml", "cannot be read: No such file or directory"),
        (tmp_path, "cannot be read: it is a folder, not a file"),
        (pipe, "cannot be read: it is a device, pipe or socket, not a file"),
        (large, "larger than 1048576 bytes"),
        ("a\0b", "cannot be read: embedded null byte"),
        (Path("/dev/zero"), "cannot be read: it is a device, pipe or socket, not a file"),
    ):
        with pytest.raises(ConfigError) as caught:
            load_config(path)
        assert str(caught.value).startswith(f"{path}: {reason}")


def test_bytes_that_are_not_utf_8_are_placed(tmp_path: Path) -> None:
    path = tmp_path / "latin.toml"
    path.write_bytes(b'rules = "nfhs"\n# caf\xe9\n')
    with pytest.raises(ConfigError, match="not UTF-8: byte 0xE9 in line 2"):
        load_config(str(path))


def test_a_byte_order_mark_and_carriage_returns_are_accepted(tmp_path: Path) -> None:
    path = tmp_path / "editor.toml"
    path.write_bytes(b'\xef\xbb\xbfrules = "nfhs"\r\nbrightness = 7\r\n')
    assert load_config(path).brightness == 7


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("a = 1\nb = = 2", "(at line 2, column 5)"),
        ("season = 1\nseason = 2", "Cannot overwrite a value (at line 2, column 11)"),
        ("a = " + "9" * 5000, "4300 digits"),
        ("a = " + "[" * 100_000, "not valid TOML: "),
    ],
)
def test_bad_toml_is_placed(text: str, expected: str) -> None:
    (line,) = problems(text)
    assert line.startswith("not valid TOML: ")
    assert expected in line
