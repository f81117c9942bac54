"""A file replaced as a whole."""

from __future__ import annotations

from pathlib import Path

from drivers.whole_file import replace_file


def test_a_replaced_file_has_the_mode_asked_for(tmp_path: Path) -> None:
    path = tmp_path / "file"
    replace_file(path, b"one", mode=0o640)
    replace_file(path, b"two", mode=0o600)
    assert (path.read_bytes(), path.stat().st_mode & 0o777) == (b"two", 0o600)
