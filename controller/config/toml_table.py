"""Reads the fields of one TOML table strictly and collects every problem found on the way.

A reader never raises: a bad field adds a line to :class:`Problems` and yields a placeholder that
nobody sees, because the caller ends with :meth:`Problems.raise_any`. So one run names every error.
"""

from __future__ import annotations

import posixpath
import re
from collections.abc import Callable, Collection, Iterable
from pathlib import Path
from typing import TypeVar

T = TypeVar("T")

LONGEST_SHOWN = 60
"""Characters of an offending value that a message repeats."""

BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
"""A key that TOML 1.0.0 ("Keys") lets stand without quotes."""


class ConfigError(ValueError):
    """A configuration that cannot be used; ``str()`` has one line for each problem.

    ``source`` is the file, ``problems`` the lines without it.
    """

    def __init__(self, source: str, problems: Iterable[str]) -> None:
        self.source = source
        self.problems = tuple(problems)
        super().__init__("\n".join(f"{source}: {problem}" for problem in self.problems))


class Problems:
    """What is wrong with one file, in the order found.

    ``top_level`` are the keys known at the top level: one of them inside a table was most
    likely written below the table's header by mistake.
    """

    def __init__(self, source: str, top_level: Collection[str]) -> None:
        self._source = source
        self._lines: list[str] = []
        self.top_level = top_level

    def add(self, line: str) -> None:
        self._lines.append(line)

    def raise_any(self) -> None:
        """Raise :class:`ConfigError` when there is at least one problem."""
        if self._lines:
            raise ConfigError(self._source, self._lines)


class Table:
    """One TOML table being read. ``good`` holds the fields read so far that were right."""

    def __init__(self, problems: Problems, path: str, raw: dict[str, object]) -> None:
        self._problems = problems
        self._path = path
        self._raw = raw
        self._known: dict[str, None] = {}
        self.good: dict[str, object] = {}

    def name(self, key: str) -> str:
        """The key's full name in messages: ``boards[2].node``."""
        if len(key) > LONGEST_SHOWN or not BARE_KEY.fullmatch(key):
            key = shown(key)
        return f"{self._path}.{key}" if self._path else key

    def has(self, key: str) -> bool:
        """True when the file sets ``key``, which is known from now on."""
        self._known[key] = None
        return key in self._raw

    def problem(self, key: str, what: str) -> None:
        """Add a problem of ``key``, with its value when it has one."""
        value = self._raw.get(key, self.good.get(key))
        given = "" if value is None else f" = {shown(value)}"
        self._problems.add(f"{self.name(key)}{given}: {what}")

    def boolean(self, key: str, default: bool) -> bool:
        def convert(raw: object) -> bool | None:
            return raw if isinstance(raw, bool) else None

        return self._read(key, convert, "true or false", default, default)

    def integer(self, key: str, low: int, high: int, default: int | None = None) -> int:
        """A whole number from ``low`` to ``high``; required without a default."""

        def convert(raw: object) -> int | None:
            if isinstance(raw, bool) or not isinstance(raw, int):
                return None
            return raw if low <= raw <= high else None

        return self._read(key, convert, f"a whole number from {low} to {high}", default, low)

    def number(self, key: str, low: float, high: float, unit: str, default: float) -> float:
        """A whole or broken number from ``low`` to ``high``; never infinite, never nan."""

        def convert(raw: object) -> float | None:
            if isinstance(raw, bool) or not isinstance(raw, int | float):
                return None
            return float(raw) if low <= raw <= high else None

        allowed = f"a number from {low:g} to {high:g} {unit}"
        return self._read(key, convert, allowed, default, default)

    def choice(self, key: str, allowed: tuple[T, ...], default: T | None = None) -> T:
        """One of ``allowed``, of the very same type; required without a default."""

        def convert(raw: object) -> T | None:
            return next((one for one in allowed if type(one) is type(raw) and one == raw), None)

        words = "one of " + ", ".join(shown(one) for one in allowed)
        return self._read(key, convert, words, default, allowed[0])

    def text(
        self, key: str, longest: int, default: str | None = None, pattern: str = "", words: str = ""
    ) -> str:
        """1 to ``longest`` printable characters without space at either end.

        ``pattern`` narrows it further and ``words`` says how.
        """

        def convert(raw: object) -> str | None:
            good = (
                isinstance(raw, str)
                and 1 <= len(raw) <= longest
                and raw.isprintable()
                and raw == raw.strip()
                and (not pattern or re.fullmatch(pattern, raw) is not None)
            )
            return str(raw) if good else None

        what = words or "printable characters, no space at either end"
        return self._read(key, convert, f"text of 1 to {longest} {what}", default, "")

    def raw_text(self, key: str, longest: int, default: str | None = None) -> str:
        """1 to ``longest`` characters of any kind, control characters and spaces too."""

        def convert(raw: object) -> str | None:
            return raw if isinstance(raw, str) and 1 <= len(raw) <= longest else None

        return self._read(key, convert, f"text of 1 to {longest} characters", default, "")

    def numbers(self, key: str, low: int, high: int) -> tuple[int, ...]:
        """Whole numbers from ``low`` to ``high``; required."""

        def convert(raw: object) -> tuple[int, ...] | None:
            if not isinstance(raw, list) or any(type(each) is not int for each in raw):
                return None
            return tuple(raw) if all(low <= each <= high for each in raw) else None

        return self._read(key, convert, f"a list of whole numbers from {low} to {high}", None, ())

    def keys(self) -> tuple[str, ...]:
        """The keys that the file sets here, known or not."""
        return tuple(self._raw)

    def path(self, key: str, default: str | None = None) -> Path:
        """An absolute path, tidied (no doubled or trailing slash); required without a default."""
        path = None if default is None else Path(default)
        return self._read(key, _absolute, "an absolute path without '..'", path, Path("/"))

    def table(self, key: str) -> Table:
        """The table ``[key]``; an empty one when the file has none."""
        self._known[key] = None
        raw = self._raw.get(key, {})
        if not isinstance(raw, dict):
            self.problem(key, f"must be a table: write [{key}]")
            raw = {}
        return Table(self._problems, self.name(key), raw)

    def tables(self, key: str) -> list[Table]:
        """The tables ``[[key]]``, in the file's order; none when the file has none."""
        self._known[key] = None
        raws = self._raw.get(key, [])
        if not isinstance(raws, list) or not all(isinstance(raw, dict) for raw in raws):
            self.problem(key, f"must be tables: write [[{key}]] above each")
            return []
        return [Table(self._problems, f"{self.name(key)}[{i}]", raw) for i, raw in enumerate(raws)]

    def made(self, make: Callable[[], T]) -> T | None:
        """What ``make`` gives; its ``ValueError``, which begins with the name of a field, is a
        problem of that field."""
        try:
            return make()
        except ValueError as error:
            field, _, why = str(error).partition(": ")
            self.problem(field, why)
            return None

    def finish(self) -> None:
        """Report every key that nobody asked for, with the nearest one that is known."""
        for key in self._raw:
            if key not in self._known:
                self.problem(key, self._advice(key))

    def _advice(self, key: str) -> str:
        near = nearest(key, self._known)
        if self._path and key in self._problems.top_level:
            return "unknown key here; it belongs above the first [table] of the file"
        if near:
            return f"unknown key; the nearest known key is {self.name(near)}"
        return f"unknown key; known here: {', '.join(self._known)}"

    def _read(
        self,
        key: str,
        convert: Callable[[object], T | None],
        allowed: str,
        default: T | None,
        placeholder: T,
    ) -> T:
        if self.has(key):
            value = convert(self._raw[key])
            if value is None:
                self.problem(key, f"must be {allowed}")
        else:
            value = default
            if value is None:
                self.problem(key, f"missing; must be {allowed}")
        if value is None:
            return placeholder
        self.good[key] = value
        return value


def _absolute(raw: object) -> Path | None:
    if not isinstance(raw, str) or not raw.startswith("/") or not raw.isprintable():
        return None
    if ".." in raw.split("/") or not raw.strip("/. "):
        return None
    # POSIX leaves the meaning of exactly two leading slashes open, so normpath keeps them.
    return Path("/" + posixpath.normpath(raw).lstrip("/"))


def nearest(word: str, known: Collection[str]) -> str | None:
    """The one of ``known`` most like ``word``, or None when none is near."""
    import difflib  # noqa: PLC0415 - only an error needs it

    return next(iter(difflib.get_close_matches(word.lower(), known, n=1)), None)


def shown(value: object) -> str:
    """A value as TOML spells it, shortened."""
    if isinstance(value, dict):
        return "{…}"
    if isinstance(value, list):
        return "[…]" if value else "[]"
    if isinstance(value, int) and value.bit_length() > 64:
        # Python refuses to print integers of thousands of digits.
        return f"(an integer of {value.bit_length()} bits)"
    if isinstance(value, str | bool):
        import json  # noqa: PLC0415 - only an error needs it

        text = json.dumps(value, ensure_ascii=not str(value).isprintable())
    else:
        text = str(value)
    return text if len(text) <= LONGEST_SHOWN else text[: LONGEST_SHOWN - 1] + "…"


def check_unique(tables: Iterable[Table], key: str, within: str | None = None) -> None:
    """No two tables (with the same right value of ``within``) may give ``key`` the same value."""
    first: dict[object, str] = {}
    for table in tables:
        if key not in table.good or (within and within not in table.good):
            continue
        group = table.good[within] if within else None
        name = first.setdefault((group, table.good[key]), table.name(key))
        if name != table.name(key):
            place = f" on {shown(str(group))}" if group else ""
            table.problem(key, f"must differ from {name}{place}")


def check_agree(tables: Iterable[Table], key: str, within: str) -> None:
    """Tables with the same right value of ``within`` must give ``key`` the same value."""
    first: dict[object, tuple[str, object]] = {}
    for table in tables:
        group, value = table.good.get(within), table.good.get(key)
        if group is not None and value is not None:
            name, other = first.setdefault(group, (table.name(key), value))
            if value != other:
                table.problem(key, f"must be {shown(other)} as {name} on the same {within}")
