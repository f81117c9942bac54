"""``tests/controller`` and ``tests/drivers`` mirror the packages file by file."""

from __future__ import annotations

from tests.mirrors import PACKAGES, ROOT, mirror_of, modules


def test_every_module_has_a_file_of_tests_of_its_own() -> None:
    bare = [str(each.relative_to(ROOT)) for each in modules() if not mirror_of(each).is_file()]
    assert not bare, f"without {mirror_of(ROOT / bare[0]).name} or its like: {bare}"


def test_every_file_of_tests_there_belongs_to_a_module() -> None:
    mirrors = {mirror_of(each) for each in modules()}
    strays = [
        str(path.relative_to(ROOT))
        for package in PACKAGES
        for path in sorted((ROOT / "tests" / package).rglob("test_*.py"))
        if path not in mirrors
    ]
    assert not strays, f"these test no one module; is each a scenario? {strays}"
