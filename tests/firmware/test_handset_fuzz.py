"""The handset's receiver, keys, memory and modes under coverage-guided fuzz, with sanitizers."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.firmware.building import HERE, program, report
from tests.firmware.handset_pc import INCLUDES, LOGIC

pytestmark = pytest.mark.needs_clang


def fuzz(folder: Path, *limits: str) -> str:
    """Run libFuzzer from a fixed seed; gives what it printed."""
    flags = ("-std=c11", "-g", "-O1", "-fno-sanitize-recover=all", *INCLUDES)
    sanitizers = "-fsanitize=fuzzer,address,undefined"
    sources = [HERE / "pc_handset_fuzz.c", *LOGIC]
    made = program("pc-handset-fuzz", sources, [*flags, sanitizers], compiler="clang")
    options = ("-seed=21", "-max_len=400", "-print_final_stats=1", f"-artifact_prefix={folder}/")
    return report(made, *options, *limits)


@pytest.mark.full
def test_a_short_fuzz_finds_nothing(tmp_path: Path) -> None:
    assert "number_of_executed_units: 20000" in fuzz(tmp_path, "-runs=20000")


@pytest.mark.long
def test_ten_minutes_of_fuzz_find_nothing(tmp_path: Path) -> None:
    assert "Done" in fuzz(tmp_path, "-max_total_time=600")
