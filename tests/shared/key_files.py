"""A key file as it stands after pairing."""

from __future__ import annotations

from pathlib import Path

from drivers.handset.keys import Keys, key_text


def write_keys(path: Path, keys: Keys) -> None:
    """Put ``keys`` at ``path``, for its owner alone."""
    path.unlink(missing_ok=True)
    path.touch(mode=0o600)
    path.write_bytes(key_text(keys))
