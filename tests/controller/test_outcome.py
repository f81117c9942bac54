"""An error as a command tells it."""

from __future__ import annotations

import errno

import pytest

from controller.outcome import plain


@pytest.mark.parametrize(
    ("error", "words"),
    [
        (FileNotFoundError(errno.ENOENT, "No such file", "/a/b"), "/a/b: No such file"),
        (OSError(errno.ENOSPC, "No space left"), "No space left"),
        (OSError("as it is"), "as it is"),
        (ValueError("f.toml: season = 1"), "f.toml: season = 1"),
    ],
)
def test_an_error_names_its_file_and_no_number(error: Exception, words: str) -> None:
    assert plain(error) == words
