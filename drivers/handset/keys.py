"""The key file: the secrets shared with the handsets.

A small TOML file, readable by its owner alone::

    broadcast_key = "<32 hex digits>"     # tags what all handsets are told

    [handset.1]
    handset_key = "<32 hex digits>"       # tags what handset 1 says, and what it alone is told

Nothing here ever shows a key: not in an error, not in a ``repr``.
"""

from __future__ import annotations

import hashlib
import os
import re
import stat
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from drivers.base import DriverError

KEY_BYTES = 16
FIRST_HANDSET, LAST_HANDSET = 1, 254
_LARGEST_FILE = 65_536
_LONGEST_NAME_SHOWN = 20
_HEX = re.compile(r"[0-9A-Fa-f]{32}")


class KeyFileError(DriverError, ValueError):
    """The key file cannot be used; the message names file, key and what is allowed."""


@dataclass(frozen=True, slots=True, repr=False)
class Keys:
    """The broadcast key, and each handset's own key by its number, 16 bytes each."""

    broadcast: bytes
    handset: dict[int, bytes]

    def __post_init__(self) -> None:
        named = [("broadcast_key", self.broadcast)]
        for handset, key in self.handset.items():
            if not FIRST_HANDSET <= handset <= LAST_HANDSET:
                raise ValueError(f"handset {handset}: must be {FIRST_HANDSET} to {LAST_HANDSET}")
            named.append((f"handset.{handset}.handset_key", key))
        seen: dict[bytes, str] = {}
        for name, key in named:
            if len(key) != KEY_BYTES:
                raise ValueError(f"{name}: has {len(key)} bytes, must have {KEY_BYTES}")
            if not any(key):
                raise ValueError(f"{name}: is all zeros, must be random")
            if key in seen:
                raise ValueError(f"{name}: is the same as {seen[key]}, every key must differ")
            seen[key] = name

    def __repr__(self) -> str:
        return f"Keys(handsets={sorted(self.handset)})"


def new_key() -> bytes:
    """A fresh random key of 16 bytes."""
    return os.urandom(KEY_BYTES)


def load_keys(path: Path) -> Keys:
    """Read the key file. Raises :class:`KeyFileError`; ``OSError`` if it cannot be opened."""
    content = _read_private(path)
    try:
        table = tomllib.loads(content.decode("utf-8"))
    except UnicodeDecodeError as error:
        raise KeyFileError(f"{path}: byte {error.start} is not UTF-8") from None
    except (ValueError, RecursionError) as error:  # the parser lets both through
        # Only the place: the parser's own words may quote what stands there.
        place = re.search(r"\(at [a-z0-9, ]+\)", str(error))
        raise KeyFileError(f"{path}: not valid TOML {place[0] if place else ''}".rstrip()) from None
    _only(path, "the file", table, ("broadcast_key", "handset"))
    handsets = table.get("handset", {})
    if not isinstance(handsets, dict):
        raise KeyFileError(f"{path}: handset: must be tables such as [handset.1]")
    own: dict[int, bytes] = {}
    for number, entry in handsets.items():
        handset = _handset(path, number)  # first: any later error repeats the number
        own[handset] = _handset_key(path, number, entry)
    try:
        return Keys(_key(path, "broadcast_key", table.get("broadcast_key")), own)
    except KeyFileError:
        raise
    except ValueError as error:
        raise KeyFileError(f"{path}: {error}") from None


def fingerprint(key: bytes) -> str:
    """Eight hex digits that tell one key from another and nothing of the key itself."""
    return hashlib.blake2s(key, digest_size=4, person=b"keyprint").hexdigest().upper()


def key_text(keys: Keys) -> bytes:
    """What a key file with ``keys`` holds."""
    lines = [f'broadcast_key = "{keys.broadcast.hex()}"']
    for handset in sorted(keys.handset):
        lines += ["", f"[handset.{handset}]", f'handset_key = "{keys.handset[handset].hex()}"']
    return ("\n".join(lines) + "\n").encode("ascii")


def _read_private(path: Path) -> bytes:
    # Non-blocking, so that a named pipe in the file's place cannot stop the start.
    descriptor = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
    try:
        status = os.fstat(descriptor)
        mode = stat.S_IMODE(status.st_mode)
        if not stat.S_ISREG(status.st_mode):
            raise KeyFileError(f"{path}: must be a regular file")
        if mode & 0o077:
            raise KeyFileError(
                f"{path}: mode {mode:04o} lets others at the keys, must be 0600 "
                f"(chmod 600, and pair again if others may have read it)"
            )
        if status.st_size > _LARGEST_FILE:
            raise KeyFileError(
                f"{path}: {status.st_size} bytes, allowed are at most {_LARGEST_FILE}"
            )
        return os.read(descriptor, _LARGEST_FILE)
    finally:
        os.close(descriptor)


def _handset(path: Path, number: str) -> int:
    if (
        not re.fullmatch(r"[1-9][0-9]{0,2}", number)
        or not FIRST_HANDSET <= int(number) <= LAST_HANDSET
    ):
        raise KeyFileError(
            f"{path}: handset.{_shown(number)}: a handset's number must be "
            f"{FIRST_HANDSET} to {LAST_HANDSET}"
        )
    return int(number)


def _handset_key(path: Path, number: str, entry: Any) -> bytes:
    if not isinstance(entry, dict):
        raise KeyFileError(f"{path}: handset.{number}: must be a table with handset_key")
    _only(path, f"handset.{number}", entry, ("handset_key",))
    return _key(path, f"handset.{number}.handset_key", entry.get("handset_key"))


def _key(path: Path, name: str, value: Any) -> bytes:
    if value is None:
        raise KeyFileError(f"{path}: {name}: is missing, must be 32 hex digits in quotes")
    if not isinstance(value, str):
        raise KeyFileError(f"{path}: {name}: must be 32 hex digits in quotes")
    if not _HEX.fullmatch(value):
        raise KeyFileError(
            f"{path}: {name}: must be 32 hex digits, has {len(value)} characters "
            f"of which {sum(c not in '0123456789abcdefABCDEF' for c in value)} are not hex digits"
        )
    return bytes.fromhex(value)


def _only(path: Path, where: str, table: dict[str, Any], allowed: tuple[str, ...]) -> None:
    for name in table:
        if name not in allowed:
            raise KeyFileError(
                f"{path}: {where}: unknown key {_shown(name)}, allowed: {', '.join(allowed)}"
            )


def _shown(name: str) -> str:
    """A name out of the file, unless it is long enough to be a secret in the wrong place."""
    return name if len(name) <= _LONGEST_NAME_SHOWN else f"(a name of {len(name)} characters)"
