"""Stands in for systemctl(1) where no service manager runs; it keeps its state in a folder.

It leaves out everything but what the installer asks: ``show``, ``start``, ``stop``, ``disable`` and
``daemon-reload`` of one service that is either up or not. A start succeeds when the command that
the installation links does what a sound one does: answer a missing configuration with exit code 2.
"""

from __future__ import annotations

from pathlib import Path

SCRIPT = """\
#!/bin/sh
cd "$(dirname "$0")" || exit
echo "$1" >> calls
case $1 in
show) printf 'ActiveState=%s\\nStatusText=%s\\nNRestarts=0\\n' "$(cat state)" "$(cat said)" ;;
start)
    "$(cat root)/usr/local/bin/playclock" run --config none > /dev/null 2>&1
    if [ $? = 2 ]
    then echo active > state
    else echo activating > state; echo "Job for playclock.service failed." >&2; exit 1
    fi ;;
stop|disable) echo inactive > state ;;
daemon-reload) ;;
*) echo "systemctl: $1?" >&2; exit 1 ;;
esac
"""


class FakeSystemctl:
    """The service of the installation under ``root``."""

    def __init__(self, folder: Path, root: Path) -> None:
        folder.mkdir()
        self._folder = folder
        self.program = folder / "systemctl"
        self.program.write_text(SCRIPT)
        self.program.chmod(0o755)
        (folder / "root").write_text(str(root))
        (folder / "calls").touch()
        self.stands("inactive")

    def stands(self, state: str, said: str = "") -> None:
        """Let the service stand so and have said that of itself."""
        (self._folder / "state").write_text(state)
        (self._folder / "said").write_text(said)

    @property
    def state(self) -> str:
        return (self._folder / "state").read_text().strip()

    def calls(self) -> list[str]:
        """What was asked of it since the last time, without ``show``."""
        path = self._folder / "calls"
        asked = path.read_text().split()
        path.write_text("")
        return [word for word in asked if word != "show"]
