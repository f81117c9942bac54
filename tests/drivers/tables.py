"""A driver's own table, as the configuration gives it to the driver to read."""

from __future__ import annotations

import tomllib
from collections.abc import Callable
from typing import TypeVar

import pytest

from controller.config.toml_table import ConfigError, Problems, Table

T = TypeVar("T")


def read(text: str, reader: Callable[[Table], T]) -> T:
    """What ``reader`` makes of a table. Raises :class:`ConfigError` with all that is wrong."""
    problems = Problems("FILE", ())
    found = reader(Table(problems, "table", tomllib.loads(text)))
    problems.raise_any()
    return found


def complaint(text: str, reader: Callable[[Table], object]) -> str:
    """What is wrong with a table."""
    with pytest.raises(ConfigError) as caught:
        read(text, reader)
    return str(caught.value)
