"""Files of rule sets that somebody names: what can be read is, all else is refused at once."""

from __future__ import annotations

import os
import socket
from pathlib import Path

import pytest

from controller.rulebook.own_file import (
    LARGEST_FILE_BYTES,
    decoded,
    is_path,
    read_words,
    shown_path,
)
from controller.rules.rulings import RulesError


@pytest.mark.parametrize("name", ["own.toml", "./own", "/etc/own", "codes/nfhs"])
def test_a_separator_or_the_ending_makes_a_path(name: str) -> None:
    assert is_path(name)


@pytest.mark.parametrize("name", ["nfhs", "NFHS", "own", "toml", ""])
def test_all_else_is_the_name_of_a_code(name: str) -> None:
    assert not is_path(name)


def test_a_file_is_read_whole_without_the_mark_that_some_editors_write(tmp_path: Path) -> None:
    file = tmp_path / "own.toml"
    file.write_bytes('\ufeffcode = "ä"\r\n'.encode())
    assert read_words(str(file)) == 'code = "ä"\r\n'
    file.write_bytes(b"#" * LARGEST_FILE_BYTES)
    assert len(read_words(str(file))) == LARGEST_FILE_BYTES


def refusal(path: Path | str) -> str:
    with pytest.raises(RulesError) as caught:
        read_words(str(path))
    return str(caught.value)


def test_what_is_no_file_is_refused_and_never_waited_for(tmp_path: Path) -> None:
    pipe = tmp_path / "pipe.toml"
    os.mkfifo(pipe)
    assert refusal(pipe).endswith("it is a device, pipe or socket, not a file")
    assert refusal("/dev/zero").endswith("it is a device, pipe or socket, not a file")
    assert refusal(tmp_path).endswith("it is a folder, not a file")
    assert refusal(tmp_path / "none.toml").endswith(
        "none.toml: cannot be read: No such file or directory"
    )
    assert "cannot be read: embedded null" in refusal("a\0.toml")
    with socket.socket(socket.AF_UNIX) as near:
        near.bind(str(tmp_path / "s.toml"))
        assert refusal(tmp_path / "s.toml").endswith("not a file")


def test_a_file_that_became_a_pipe_after_the_look_is_refused_too(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    pipe, file = tmp_path / "pipe.toml", tmp_path / "own.toml"
    os.mkfifo(pipe)
    file.touch()
    regular = os.stat(file)  # noqa: PTH116 - the module calls it so
    monkeypatch.setattr(os, "stat", lambda _: regular)
    assert refusal(pipe).endswith("not a file")


def test_a_file_nobody_may_read_says_so(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    file = tmp_path / "own.toml"
    file.touch()

    def denied(*_: object) -> int:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(os, "open", denied)
    assert refusal(file) == f"{file}: cannot be read: Permission denied"


def test_a_file_too_large_is_no_rule_set(tmp_path: Path) -> None:
    file = tmp_path / "own.toml"
    file.write_bytes(b"#" * (LARGEST_FILE_BYTES + 1))
    assert refusal(file) == f"{file}: larger than {LARGEST_FILE_BYTES} bytes: no rule set"


def test_the_line_that_is_not_utf_8_is_named() -> None:
    assert decoded("ä".encode(), "x") == "ä"
    with pytest.raises(RulesError, match=r"^x: line 3: byte 0xE4 is not UTF-8$"):
        decoded(b"a\nb\n\xe4\n", "x")


def test_a_path_is_shown_in_one_line() -> None:
    assert shown_path("a b.toml") == "a b.toml"
    assert shown_path("a\nb.toml") == "'a\\nb.toml'"
