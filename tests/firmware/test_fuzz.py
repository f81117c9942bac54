"""The board receiver under noise and under libFuzzer, against a second node written in C.

See ``pc_fuzz.c``: every byte is followed by a comparison of lamps, brightness, answers and counts.
"""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from tests.firmware import building, pc


def noise(seed: int, count: int) -> tuple[int, int]:
    """Frames sent with eight bits of the CRC drawn by chance, and how many were obeyed."""
    flags = [*building.PC_FLAGS, *building.SANITIZERS, *pc.INCLUDES, "-O2", "-DNOISE"]
    made = building.program("pc-noise", [building.HERE / "pc_fuzz.c", *pc.LOGIC], flags)
    sent, obeyed = building.run(made, str(seed), str(count)).split()
    return int(sent), int(obeyed)


def poisson_tail(at_least: int, mean: float) -> float:
    """How likely ``at_least`` or more events are."""
    return 1 - sum(
        math.exp(k * math.log(mean) - mean - math.lgamma(k + 1)) for k in range(at_least)
    )


@pytest.mark.full
@pytest.mark.needs_gcc
def test_ten_million_bytes_pass_by_chance_alone() -> None:
    """No report of a sanitizer, never another lamp than the second node's, and of the SHOWs that
    are right but for eight drawn bits of the CRC 1 in 256 obeyed: the count is within what chance
    gives in all but 1 of 10,000 runs on either side (Poisson). One bit of the CRC that nobody
    looks at would let a fourth more pass."""
    sent, obeyed = noise(1, 10_000_000)
    mean = sent / 256
    assert sent > 300_000
    assert poisson_tail(obeyed, mean) > 1e-4, (obeyed, mean)
    assert 1 - poisson_tail(obeyed + 1, mean) > 1e-4, (obeyed, mean)


def fuzz(seconds: int, corpus: Path) -> str:
    """Let libFuzzer look for an input for which the two nodes differ; gives its report."""
    flags = ["-std=c11", "-g", "-O1", "-fsanitize=fuzzer,address,undefined"]
    flags += ["-fno-sanitize-recover=all", *pc.INCLUDES]
    made = building.program(
        "pc-fuzz", [building.HERE / "pc_fuzz.c", *pc.LOGIC], flags, compiler="clang"
    )
    corpus.mkdir()
    options = [f"-max_total_time={seconds}", "-max_len=400", "-seed=1", "-print_final_stats=1"]
    options += [f"-artifact_prefix={corpus}/", "-timeout=10", "-rss_limit_mb=0"]
    return building.report(made, *options, corpus)


def reached(report: str) -> int:
    """Edges of the program that the fuzzer came to."""
    *_, last = [line for line in report.splitlines() if " cov: " in line]
    return int(last.split(" cov: ")[1].split()[0])


@pytest.mark.full
@pytest.mark.needs_clang
def test_a_short_guided_fuzz(tmp_path: Path) -> None:
    assert reached(fuzz(8, tmp_path / "corpus")) > 150


@pytest.mark.long
@pytest.mark.needs_clang
def test_ten_minutes_of_guided_fuzz(tmp_path: Path) -> None:
    assert reached(fuzz(600, tmp_path / "corpus")) > 150
