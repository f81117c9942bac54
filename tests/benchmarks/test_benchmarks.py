"""Every benchmark runs to its end, loses nothing and prints its ratios. No time is asserted."""

from __future__ import annotations

import pytest

from tests.benchmarks import figures, footprint, latency, lateness, ruling, startup


def test_percentiles_are_values_of_the_sample() -> None:
    sample = [float(n) for n in range(100, 0, -1)]
    assert [figures.percentile(sample, p) for p in (0, 1, 50, 99, 100)] == [1, 1, 50, 99, 100]
    assert figures.percentile([7.0], 99) == 7.0
    assert figures.median([3.0, 1.0, 2.0]) == 2.0


@pytest.mark.parametrize(("sample", "percent"), [([], 50), ([1.0], 101), ([1.0], -1)])
def test_no_percentile_of_nothing_or_beyond(sample: list[float], percent: float) -> None:
    with pytest.raises(ValueError, match="must be 0-100 % of at least one"):
        figures.percentile(sample, percent)


def test_a_goal_met_exactly_is_met() -> None:
    assert figures.verdict("ratio", 2.0, 2.0, " x").endswith("met")
    assert figures.verdict("ratio", 2.01, 2.0, " x").endswith("MISSED")


def test_a_numeral_that_never_came_is_an_error() -> None:
    seen = [(39, 1_002_000_000), (38, 2_001_000_000)]
    assert lateness.lateness([0], seen, 2) == [2.0, 1.0]
    with pytest.raises(ValueError, match="numerals 37 never came"):
        lateness.lateness([0], seen, 3)


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
        assert line.endswith("met"), line


@pytest.mark.alone
@pytest.mark.full
def test_lateness(capsys: pytest.CaptureFixture[str]) -> None:
    assert lateness.main(["--counts", "2", "--seconds", "3"]) == 0
    printed = capsys.readouterr().out
    assert "numerals                     n     6" in printed
    assert "above the bare loop's" in printed


@pytest.mark.alone
@pytest.mark.full
def test_startup(capsys: pytest.CaptureFixture[str]) -> None:
    assert startup.main(["-n", "2"]) == 0
    assert "median to the floor's" in capsys.readouterr().out


@pytest.mark.alone
@pytest.mark.full
def test_footprint(capsys: pytest.CaptureFixture[str]) -> None:
    assert footprint.main(["--seconds", "2"]) == 0
    printed = capsys.readouterr().out
    assert "processor, of one core" in printed
    assert "memory" in printed


@pytest.mark.alone
@pytest.mark.full
def test_ruling(capsys: pytest.CaptureFixture[str]) -> None:
    assert ruling.main(["-n", "2"]) == 0
    assert "median to the floor's" in capsys.readouterr().out
