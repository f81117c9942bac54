"""Which file of tests is whose: ``a/b/c.py`` is tested by ``tests/a/b/test_c.py``."""

from __future__ import annotations

from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
PACKAGES = ("controller", "drivers")


def modules() -> list[Path]:
    """Every module of the packages that holds more than the words of its folder."""
    return sorted(
        path
        for package in PACKAGES
        for path in (ROOT / package).rglob("*.py")
        if path.name not in ("__init__.py", "__main__.py")
    )


def mirror_of(module: Path) -> Path:
    """The file of tests of a module, whether it is there or not."""
    place = module.relative_to(ROOT)
    return ROOT / "tests" / place.parent / f"test_{place.name}"
