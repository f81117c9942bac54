"""Where things are kept: the XDG base directory specification, and machines without a home."""

from __future__ import annotations

import os
import pwd
from pathlib import Path

import pytest

from controller.cli import main
from controller.config.default_paths import (
    default_journal,
    default_runtime_folder,
    default_state_folder,
)
from controller.outcome import MISTAKE


def test_the_named_state_folder_is_used(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path))
    assert default_state_folder() == tmp_path / "playclock"
    assert default_journal() == tmp_path / "playclock" / "journal.sqlite3"


@pytest.mark.parametrize("base", [None, "", "state", "./state", "~/state"])
def test_without_an_absolute_one_it_is_below_the_home(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, base: str | None
) -> None:
    # "All paths set in these environment variables must be absolute. If an implementation
    # encounters a relative path ... it should consider the path invalid and ignore it."
    # XDG base directory specification 0.8, section 2
    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.delenv("XDG_STATE_HOME", raising=False)
    if base is not None:
        monkeypatch.setenv("XDG_STATE_HOME", base)
    assert default_state_folder() == tmp_path / ".local" / "state" / "playclock"


@pytest.fixture
def homeless(monkeypatch: pytest.MonkeyPatch) -> None:
    """A service's user: no HOME, and no entry in the list of users."""

    def nobody(uid: int) -> pwd.struct_passwd:
        raise KeyError(f"getpwuid(): uid not found: {uid}")

    monkeypatch.delenv("XDG_STATE_HOME", raising=False)
    monkeypatch.delenv("HOME", raising=False)
    monkeypatch.setattr(pwd, "getpwuid", nobody)


@pytest.mark.usefixtures("homeless")
def test_a_named_journal_is_read_without_any_home(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    missing = tmp_path / "record.sqlite3"
    assert main(["journal", str(missing), "--verify"]) == MISTAKE
    assert str(missing) in capsys.readouterr().err


@pytest.mark.usefixtures("homeless")
@pytest.mark.parametrize("command", [["journal"], ["run"]])
def test_no_home_and_no_file_named_is_said_in_a_line(
    capsys: pytest.CaptureFixture[str], command: list[str]
) -> None:
    assert main(command) == MISTAKE
    said = capsys.readouterr().err
    assert said.startswith(f"playclock {command[0]}: ") and said.count("\n") == 1
    assert "XDG_STATE_HOME" in said


def test_the_specification_asks_for_the_folder_of_this_user(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.delenv("XDG_STATE_HOME", raising=False)
    monkeypatch.delenv("HOME", raising=False)
    home = Path(pwd.getpwuid(os.getuid()).pw_dir)
    assert default_state_folder() == home / ".local" / "state" / "playclock"


@pytest.mark.parametrize(
    ("made", "base", "root", "expected"),
    [
        ("/run/playclock:/run/other", "/run/user/7", False, "/run/playclock"),
        ("", "/run/user/7", False, "/run/user/7/playclock"),
        ("relative", "", False, "/run/playclock"),
        ("", "relative", False, "/run/playclock"),
        ("", "/run/user/0", True, "/run/playclock"),
    ],
)
def test_what_goes_with_the_power_is_where_the_service_manager_or_the_user_has_it(
    monkeypatch: pytest.MonkeyPatch, made: str, base: str, root: bool, expected: str
) -> None:
    monkeypatch.setenv("RUNTIME_DIRECTORY", made)
    monkeypatch.setenv("XDG_RUNTIME_DIR", base)
    monkeypatch.setattr(os, "geteuid", lambda: 0 if root else 7)
    assert default_runtime_folder() == Path(expected)
