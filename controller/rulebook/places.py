"""Where each key of a rule file stands: lines, which the TOML parser does not give.

Only an error asks for them, so nothing here runs for a file that is right.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

from controller.rulebook.toml_fields import Located

Path = tuple[str | int, ...]

_BLANK = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_KEY = re.compile(r'[ \t]*("(?:[^"\\\n]|\\.)*"|\'[^\'\n]*\'|[A-Za-z0-9_-]+)[ \t]*')
_STRING = re.compile(
    r'"""(?:[^\\]|\\.)*?"{3,5}|\'\'\'.*?\'{3,5}|"(?:[^"\\\n]|\\.)*"|\'[^\'\n]*\'', re.DOTALL
)
_BARE = re.compile(r"[^,\]}#\n]*")


def located(document: dict[str, Any], words: str) -> Located:
    """``document``, read from ``words``, with the line of everything in it."""
    lines = dict(reversed(list(_Scan(document, words).found())))  # the first place of each
    table = _with_lines(document, (), lines)
    assert isinstance(table, Located)
    return table


def _with_lines(value: Any, path: Path, lines: dict[Path, int]) -> Any:
    if isinstance(value, list):
        return [_with_lines(each, (*path, i), lines) for i, each in enumerate(value)]
    if not isinstance(value, dict):
        return value
    items = {key: _with_lines(each, (*path, key), lines) for key, each in value.items()}
    own = lines.get(path, 1)
    return Located(items, own, {key: lines.get((*path, key), own) for key in value})


class _Scan:
    """Walks over TOML that has been parsed already, and is right therefore."""

    def __init__(self, document: dict[str, Any], words: str) -> None:
        self._document = document
        self._words = words
        self._at = 0
        self._line, self._counted_to = 1, 0
        self._last: dict[Path, int] = {}

    def found(self) -> Iterator[tuple[Path, int]]:
        """Each path with its line."""
        base: Path = ()
        while self._blank() < len(self._words):
            line = self._line_here()
            if self._words[self._at] == "[":
                self._at += 2 if self._words.startswith("[[", self._at) else 1
                several = self._words.startswith("[[", self._at - 2)
                base = self._header(self._keys(), several)
                self._at = self._words.index("]", self._at) + (2 if several else 1)
                yield base, line
                yield from ((base[:n], line) for n in range(1, len(base)))
            else:
                yield from self._pair(base)

    def _header(self, keys: list[str], several: bool) -> Path:
        """The path of ``[a.b]``: of an array of tables it means the last one so far."""
        path: Path = ()
        for n, key in enumerate(keys, 1):
            path = (*path, key)
            if several and n == len(keys):
                self._last[path] = self._last.get(path, -1) + 1
            if path in self._last:
                path = (*path, self._last[path])
        return path

    def _pair(self, base: Path) -> Iterator[tuple[Path, int]]:
        line = self._line_here()
        path = base
        for key in self._keys():
            path = (*path, key)
            yield path, line
        self._at += 1  # the equals sign
        yield from self._value(path)

    def _value(self, path: Path) -> Iterator[tuple[Path, int]]:
        self._blank()
        first = self._words[self._at]
        if first in "[{":
            yield from self._several(path, "]" if first == "[" else "}")
            return
        match = (_STRING if first in "\"'" else _BARE).match(self._words, self._at)
        assert match is not None
        self._at = match.end()

    def _several(self, path: Path, end: str) -> Iterator[tuple[Path, int]]:
        """An array or an inline table."""
        self._at += 1
        index = 0
        while self._words[self._blank()] != end:
            if end == "}":
                yield from self._pair(path)
            else:
                yield (*path, index), self._line_here()
                yield from self._value((*path, index))
                index += 1
            if self._words[self._blank()] == ",":
                self._at += 1
        self._at += 1

    def _keys(self) -> list[str]:
        """A dotted key. An escape in a quoted one is taken as it is written."""
        keys = []
        while True:
            match = _KEY.match(self._words, self._at)
            assert match is not None
            self._at = match.end()
            keys.append(match[1].strip("\"'"))
            if not self._words.startswith(".", self._at):
                return keys
            self._at += 1

    def _blank(self) -> int:
        match = _BLANK.match(self._words, self._at)
        assert match is not None
        self._at = match.end()
        return self._at

    def _line_here(self) -> int:
        self._line += self._words.count("\n", self._counted_to, self._at)
        self._counted_to = self._at
        return self._line
