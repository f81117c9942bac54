from __future__ import annotations

import fcntl
import os
from pathlib import Path

import pytest

from drivers.handset.session import LAST_SESSION, SessionError, next_session


def test_sessions_count_up_from_1(tmp_path: Path) -> None:
    path = tmp_path / "session"
    assert next_session(path, may_create=True) == 1
    assert [next_session(path) for _ in range(4)] == [2, 3, 4, 5]
    assert next_session(path, may_create=True) == 6
    assert [entry.name for entry in tmp_path.iterdir()] == ["session"]


def test_a_missing_file_is_an_error_and_not_a_fresh_start(tmp_path: Path) -> None:
    with pytest.raises(SessionError, match=r"session: the session file is missing.*pair the"):
        next_session(tmp_path / "session")
    assert list(tmp_path.iterdir()) == []


def test_every_torn_or_altered_file_is_an_error_that_shows_it(tmp_path: Path) -> None:
    path = tmp_path / "session"
    next_session(path, may_create=True)
    good = path.read_bytes()
    damaged = [good[:length] for length in range(len(good))]
    damaged += [good + good, good + b"\n", bytes(len(good)), b"\xff" * 500, good.upper()]
    damaged += [
        good[:at] + bytes([good[at] ^ 1 << at % 8]) + good[at + 1 :] for at in range(len(good))
    ]
    for content in damaged:
        path.write_bytes(content)
        with pytest.raises(SessionError, match="damaged, holds") as caught:
            next_session(path, may_create=True)
        assert str(path) in str(caught.value)
        assert repr(content[:60])[1:] in str(caught.value)
        assert "revoke every handset key, remove the file and pair" in str(caught.value)
        assert path.read_bytes() == content


def test_after_the_last_number_there_is_none(tmp_path: Path) -> None:
    path = tmp_path / "session"
    path.write_bytes(b"session FFFFFFFE check C9DC\n")
    assert next_session(path) == LAST_SESSION == 4294967295
    used_up = path.read_bytes()
    with pytest.raises(SessionError, match="4294967295 was the last that 32 bits hold"):
        next_session(path)
    assert path.read_bytes() == used_up


def test_the_number_is_on_disk_before_it_is_used(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Data forced out, then renamed, then the folder forced out; and only then returned."""
    path = tmp_path / "session"
    next_session(path, may_create=True)
    steps: list[str] = []
    fsync, replace = os.fsync, Path.replace

    def seen_fsync(descriptor: int) -> None:
        steps.append("fsync " + Path(f"/proc/self/fd/{descriptor}").readlink().name)
        fsync(descriptor)

    def seen_replace(source: Path, target: Path) -> Path:
        steps.append(f"rename {source.name} {target.name}: {source.read_text().split()[1]}")
        return replace(source, target)

    monkeypatch.setattr(os, "fsync", seen_fsync)
    monkeypatch.setattr(Path, "replace", seen_replace)
    assert next_session(path) == 2
    assert steps == [
        "fsync session.new",
        "rename session.new session: 00000002",
        f"fsync {tmp_path.name}",
    ]


@pytest.mark.parametrize("fails_at", [1, 2])
def test_no_number_is_given_out_when_the_disk_refuses(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, fails_at: int
) -> None:
    path = tmp_path / "session"
    next_session(path, may_create=True)
    calls = 0

    def failing_fsync(_: int) -> None:
        nonlocal calls
        calls += 1
        if calls == fails_at:
            raise OSError(5, "Input/output error")

    with monkeypatch.context() as patched:
        patched.setattr(os, "fsync", failing_fsync)
        with pytest.raises(OSError, match="Input/output error"):
            next_session(path)
    assert next_session(path) == 1 + fails_at  # a number may be skipped, never come twice


def test_two_processes_never_take_the_same_number(tmp_path: Path) -> None:
    path = tmp_path / "session"
    next_session(path, may_create=True)
    other = os.open(tmp_path, os.O_RDONLY)
    try:
        fcntl.flock(other, fcntl.LOCK_EX)
        with pytest.raises(SessionError, match="another process is taking a session number"):
            next_session(path)
    finally:
        os.close(other)
    assert next_session(path) == 2
