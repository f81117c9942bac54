from __future__ import annotations

from pathlib import Path

import pytest

from drivers.handset.key_codes import CODES, HIGHEST_CODE, code_of
from tests.drivers.handset.kernel_headers import values_in_c


@pytest.mark.needs_gcc
def test_names_and_numbers_are_those_of_the_kernels_headers(tmp_path: Path) -> None:
    known = [*CODES.items(), ("KEY_MAX", HIGHEST_CODE)]
    names = [name for name, _ in known]
    assert values_in_c(tmp_path, "linux/input.h", names) == [code for _, code in known]


@pytest.mark.parametrize(
    ("name", "code"),
    [
        ("KEY_KP0", 82),
        ("KEY_PAGEDOWN", 109),
        ("1", 1),
        ("767", 767),
        ("768", None),
        ("0", None),
        ("-1", None),
        ("\N{SUPERSCRIPT TWO}", None),
        ("PAGEDOWN", None),
        ("KEY_MICROWAVE", None),
        ("", None),
    ],
)
def test_a_key_is_told_by_name_or_number(name: str, code: int | None) -> None:
    assert code_of(name) == code
