"""What is asked of the service manager, and what a program that fails says."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from tests.systemd.computer import Computer, service_manager

InstallError, Manager = service_manager.InstallError, service_manager.Manager


def test_without_a_manager_nothing_is_asked() -> None:
    manager = Manager([])
    manager.call("stop", service_manager.UNIT)
    assert (bool(manager), manager.shown(), manager.up) == (False, {}, False)


@pytest.mark.parametrize(
    ("state", "up"),
    [("active", True), ("activating", True), ("inactive", False), ("failed", False)],
)
def test_a_service_that_runs_or_tries_to_is_up(computer: Computer, state: str, up: bool) -> None:
    manager = Manager([str(computer.manager.program)])
    computer.manager.stands(state, "boards off: by order = dark")
    assert manager.up is up
    assert manager.shown()["StatusText"] == "boards off: by order = dark"


def test_a_refused_call_gives_the_managers_words(computer: Computer) -> None:
    with pytest.raises(InstallError, match=r"systemctl dance: systemctl: dance\?"):
        Manager([str(computer.manager.program)]).call("dance")


SHOWS = """\
#!/bin/sh
cd "$(dirname "$0")" || exit
[ "$1" = show ] || exit 0
printf 'ActiveState=%s\\nNRestarts=%s\\n' {state} "$(wc -l < asked)"
echo >> asked
"""


@pytest.mark.parametrize("state", ["active", "failed"])
def test_a_service_that_is_started_again_or_is_down_did_not_stay_up(
    tmp_path: Path, state: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(service_manager, "SETTLED_S", 0)
    program = tmp_path / "systemctl"
    program.write_text(SHOWS.format(state=state))
    program.chmod(0o755)
    (tmp_path / "asked").touch()
    with pytest.raises(InstallError, match="did not stay up; see: journalctl -u playclock"):
        Manager([str(program)]).start()


def test_a_program_is_named_by_what_it_was_about() -> None:
    python = [sys.executable, "-c"]
    assert service_manager.run([*python, "print(1)"]) == "1\n"
    with pytest.raises(InstallError, match=r"^the wheel: no disk$"):
        service_manager.run([*python, "import sys; sys.exit('no disk')"], named="the wheel")
    with pytest.raises(InstallError, match=r"exit code 3$"):
        service_manager.run([*python, "raise SystemExit(3)"])
    with pytest.raises(InstallError, match="No such file"):
        service_manager.run([Path("/nowhere/at/all")])
