from __future__ import annotations

import os
from pathlib import Path

import pytest

from drivers.handset.keys import KeyFileError, Keys, key_text, load_keys, new_key

DOWN, UP_1, UP_7 = "0f" * 16, "a1" * 16, "b7" * 16
GOOD = f"""broadcast_key = "{DOWN}"
[handset.1]
handset_key = "{UP_1}"
[handset.7]
handset_key = "{UP_7}"
"""


def key_file(folder: Path, text: str, mode: int = 0o600) -> Path:
    path = folder / "handsets.keys"
    path.write_text(text)
    path.chmod(mode)
    return path


def test_a_file_with_no_handset_yet_is_right(tmp_path: Path) -> None:
    assert load_keys(key_file(tmp_path, f'broadcast_key = "{DOWN}"\n')).handset == {}


@pytest.mark.parametrize("mode", [0o640, 0o604, 0o660, 0o644, 0o601, 0o777])
def test_a_file_that_others_may_touch_is_refused(tmp_path: Path, mode: int) -> None:
    path = key_file(tmp_path, GOOD, mode)
    with pytest.raises(KeyFileError, match=rf"handsets\.keys: mode {mode:04o} .* must be 0600"):
        load_keys(path)


@pytest.mark.parametrize("mode", [0o600, 0o400])
def test_a_file_for_the_owner_alone_gives_the_keys(tmp_path: Path, mode: int) -> None:
    keys = load_keys(key_file(tmp_path, GOOD, mode))
    assert keys == Keys(bytes.fromhex(DOWN), {1: bytes.fromhex(UP_1), 7: bytes.fromhex(UP_7)})


def test_only_a_regular_file_is_read(tmp_path: Path) -> None:
    pipe = tmp_path / "handsets.keys"
    os.mkfifo(pipe, 0o600)
    for path in (pipe, tmp_path):
        with pytest.raises(KeyFileError, match="must be a regular file"):
            load_keys(path)
    with pytest.raises(FileNotFoundError):
        load_keys(tmp_path / "none")


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (
            f'[handset.1]\nhandset_key = "{UP_1}"',
            "broadcast_key: is missing, must be 32 hex digits",
        ),
        (
            f'broadcast_key = "{DOWN}0"',
            "broadcast_key: must be 32 hex digits, has 33 characters of which 0",
        ),
        (f'broadcast_key = "{DOWN[:-1]}g"', "has 32 characters of which 1 are not hex"),
        (f'broadcast_key = "{DOWN[:-2]} \\n"', "of which 2 are not hex digits"),
        ("broadcast_key = 12", "broadcast_key: must be 32 hex digits in quotes"),
        (f'broadcast_key = "{"0" * 32}"', "broadcast_key: is all zeros, must be random"),
        (GOOD.replace(UP_7, UP_1), "handset.7.handset_key: is the same as handset.1.handset_key"),
        (GOOD.replace(UP_7, DOWN), "handset.7.handset_key: is the same as broadcast_key"),
        (GOOD + f'{UP_1} = "x"', r"handset.7: unknown key \(a name of 32 characters\), allowed"),
        (GOOD + 'colour = "x"', "handset.7: unknown key colour, allowed: handset_key"),
        (
            f'brodcast_key = "x"\n{GOOD}',
            "the file: unknown key brodcast_key, allowed: broadcast_key, handset",
        ),
        (f'broadcast_key = "{DOWN}"\nhandset = 3', "handset: must be tables such as"),
        (
            f'broadcast_key = "{DOWN}"\nhandset.1 = "{UP_1}"',
            "handset.1: must be a table with handset_key",
        ),
        (f'broadcast_key = "{DOWN}"\n[handset.1]', "handset.1.handset_key: is missing"),
        (GOOD.replace("handset.7", "handset.0"), "handset.0: a handset's number must be 1 to 254"),
        (GOOD.replace("handset.7", "handset.255"), "handset.255: .* 1 to 254"),
        (GOOD.replace("handset.7", "handset.07"), "handset.07: .* 1 to 254"),
        (GOOD.replace("handset.7", "handset." + "9" * 5000), r"\(a name of 5000 characters\)"),
        (f"broadcast_key = {UP_1}", r"not valid TOML \(at line 1, column \d+\)$"),
        ("#" * 70_000, "70000 bytes, allowed are at most 65536"),
    ],
)
def test_an_error_names_file_key_and_what_is_allowed_and_shows_no_key(
    tmp_path: Path, text: str, message: str
) -> None:
    path = key_file(tmp_path, text)
    with pytest.raises(KeyFileError, match=message) as caught:
        load_keys(path)
    said = str(caught.value)
    assert said.startswith(f"{path}: ")
    assert not any(secret[:8] in said for secret in (DOWN, UP_1, UP_7))


def test_bytes_that_are_no_text_are_an_error(tmp_path: Path) -> None:
    path = tmp_path / "handsets.keys"
    path.write_bytes(b"broadcast_key\xff")
    path.chmod(0o600)
    with pytest.raises(KeyFileError, match="byte 13 is not UTF-8"):
        load_keys(path)


def test_keys_checks_what_is_put_into_it() -> None:
    with pytest.raises(ValueError, match="broadcast_key: has 15 bytes, must have 16"):
        Keys(bytes(15), {})
    with pytest.raises(ValueError, match="handset 255: must be 1 to 254"):
        Keys(new_key(), {255: new_key()})


def test_keys_never_show_themselves() -> None:
    keys = Keys(bytes.fromhex(DOWN), {7: bytes.fromhex(UP_7)})
    assert repr(keys) == "Keys(handsets=[7])"


def test_new_keys_are_16_bytes_and_differ() -> None:
    made = {new_key() for _ in range(64)}
    assert len(made) == 64
    assert {len(key) for key in made} == {16}


def test_the_text_of_keys_gives_them_back(tmp_path: Path) -> None:
    keys = Keys(new_key(), {254: new_key(), 3: new_key()})
    assert load_keys(key_file(tmp_path, key_text(keys).decode())) == keys


@pytest.mark.parametrize("value", ["[" * 5_000, "9" * 5_000])
def test_what_the_parser_itself_gives_up_on_is_a_key_file_error(tmp_path: Path, value: str) -> None:
    with pytest.raises(KeyFileError, match=r"handsets\.keys: not valid TOML$"):
        load_keys(key_file(tmp_path, f"broadcast_key = {value}\n"))


@pytest.mark.parametrize("own", ['handset_key = "none"', "", "handset_key = 5", "other = 1"])
def test_a_key_where_the_number_belongs_is_never_repeated(tmp_path: Path, own: str) -> None:
    text = f'broadcast_key = "{DOWN}"\n[handset.{UP_1}]\n{own}\n'
    with pytest.raises(KeyFileError, match=r"a name of 32 characters.*must be 1 to 254") as caught:
        load_keys(key_file(tmp_path, text))
    assert UP_1 not in str(caught.value)
