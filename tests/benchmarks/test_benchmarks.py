"""Every benchmark runs to its end, loses nothing and prints its ratios. No time is asserted."""

from __future__ import annotations

from collections.abc import Callable
from mmap import MAP_ANONYMOUS, MAP_PRIVATE, PAGESIZE, mmap
from pathlib import Path

import pytest

from tests.benchmarks import figures, footprint, latency, lateness, rig, startup
from tests.benchmarks.lateness import Due, Lateness
from tests.benchmarks.vital_signs import SELF, Vitals


def test_percentiles_are_values_of_the_sample() -> None:
    sample = [float(n) for n in range(100, 0, -1)]
    assert [figures.percentile(sample, p) for p in (0, 1, 50, 99, 100)] == [1, 1, 50, 99, 100]
    assert figures.percentile([7.0], 99) == 7.0
    assert figures.median([3.0, 1.0, 2.0]) == 2.0


@pytest.mark.parametrize(("sample", "percent"), [([], 50), ([1.0], 101), ([1.0], -1)])
def test_no_percentile_of_nothing_or_beyond(sample: list[float], percent: float) -> None:
    with pytest.raises(ValueError, match="must be 0-100 % of at least one"):
        figures.percentile(sample, percent)


def test_what_grew_is_named() -> None:
    found = [figures.at_most("memory", 2.0, 2.0), figures.at_most("objects", 2.5, 2.0)]
    (line,) = figures.broken([*found, figures.equal("threads", 2, 2)])
    assert "objects" in line and "2.50" in line and "BROKEN" in line


def test_vital_signs_are_those_of_the_process(tmp_path: Path) -> None:
    before = Vitals.of(SELF, 1)
    fresh = mmap(-1, 8 << 20, MAP_PRIVATE | MAP_ANONYMOUS)  # new to the process
    with (tmp_path / "file").open("w"), fresh as held:
        for page in range(0, len(held), PAGESIZE):
            held[page] = 1
        during = Vitals.of(SELF, 2)
    assert during.descriptors == before.descriptors + 1
    assert during.anonymous_kib - before.anonymous_kib >= 7 << 10
    assert during.threads == before.threads
    assert during.cpu_s >= before.cpu_s and during.switches >= before.switches
    assert before.resident_kib >= before.anonymous_kib > 1 << 10


def test_lateness_is_that_of_the_first_such_numeral_and_a_missing_one_is_counted() -> None:
    seen = [(40, 0), (39, rig.S + 2 * rig.MS), (38, 2 * rig.S + 3 * rig.MS), (39, 4 * rig.S)]
    found = Lateness.of([Due(39, rig.S), Due(38, 2 * rig.S), Due(37, 3 * rig.S)], seen)
    assert (found.late_ms, found.missed) == ([2.0, 3.0], 1)


@pytest.mark.alone
@pytest.mark.full
@pytest.mark.needs_gcc
def test_latency(capsys: pytest.CaptureFixture[str]) -> None:
    assert latency.main(["-n", "60"]) == 0
    printed = capsys.readouterr().out
    assert "p50 to the floor's" in printed
    assert "p99 to the floor's" in printed
    for nothing in ("lost by the service", "lost by the floor", "presses not in the journal"):
        (line,) = [each for each in printed.splitlines() if nothing in each]
        assert line.endswith("kept"), line


@pytest.mark.alone
@pytest.mark.full
@pytest.mark.parametrize(
    ("main", "asked", "figures_told"),
    [
        (
            lateness.main,
            "--counts 2 --seconds 3",
            ["numerals                     n     6", "above the bare loop's"],
        ),
        (startup.main, "-n 2", ["service  ", "playclock ruling", "median to the floor's"]),
        (footprint.main, "--seconds 2", ["processor, of one core", "memory"]),
    ],
)
def test_runs_and_prints(
    capsys: pytest.CaptureFixture[str],
    main: Callable[[list[str]], int],
    asked: str,
    figures_told: list[str],
) -> None:
    assert main(asked.split()) == 0
    printed = capsys.readouterr().out
    assert all(figure in printed for figure in figures_told), printed
