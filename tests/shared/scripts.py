"""Scripts that lie outside the packages, as modules to be tested."""

from __future__ import annotations

import importlib
import sys
from pathlib import Path
from types import ModuleType

ROOT = Path(__file__).resolve().parents[2]


def load(path: str) -> ModuleType:
    """The module of a script, given by its path in the checkout; it finds those beside it."""
    script = ROOT / path
    sys.path.insert(0, str(script.parent))
    try:
        return importlib.import_module(script.stem)
    finally:
        sys.path.remove(str(script.parent))
