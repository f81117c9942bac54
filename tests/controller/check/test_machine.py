"""Supply, temperature and wall clock of the board computer, from files as Linux has them."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import pytest

from controller.check.machine import ALARM, THROTTLED, machine, supply, temperature, wall_clock
from controller.check.report import Verdict

NOW = datetime(2026, 9, 11, 18, 30)


def put(root: Path, name: str, text: str) -> None:
    path = root / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text)


def test_a_computer_that_tells_nothing_is_no_fault(tmp_path: Path) -> None:
    found = list(machine(tmp_path, NOW, True))
    assert {each.verdict for each in found} == {Verdict.OK}
    assert sum("cannot be told here" in each.what for each in found) == 2


@pytest.mark.parametrize(
    ("alarm", "verdict"), [("0\n", Verdict.OK), ("1\n", Verdict.WRONG), ("?\n", Verdict.OK)]
)
def test_the_alarm_of_the_supply(tmp_path: Path, alarm: str, verdict: Verdict) -> None:
    put(tmp_path, "sys/class/hwmon/hwmon0/name", "cpu_thermal\n")
    put(tmp_path, "sys/class/hwmon/hwmon1/name", "rpi_volt\n")
    put(tmp_path, f"sys/class/hwmon/hwmon0/{ALARM}", "1\n")  # not the supply's
    put(tmp_path, f"sys/class/hwmon/hwmon1/{ALARM}", alarm)
    found = supply(tmp_path)
    assert found.verdict is verdict
    assert ("cannot be told" in found.what) is (alarm == "?\n")


@pytest.mark.parametrize(
    ("bits", "verdict", "words"),
    [
        ("0\n", Verdict.OK, "strong enough"),
        ("50005\n", Verdict.WRONG, "at this moment"),
        ("1\n", Verdict.WRONG, "at this moment"),
        ("50000\n", Verdict.LOOK, "was too weak since it was"),
        ("40000\n", Verdict.LOOK, "slowed itself down"),
        ("80000\n", Verdict.OK, "strong enough"),
    ],
)
def test_what_the_firmware_says_of_the_supply(
    tmp_path: Path, bits: str, verdict: Verdict, words: str
) -> None:
    put(tmp_path, THROTTLED, bits)
    found = supply(tmp_path)
    assert found.verdict is verdict and words in found.what


@pytest.mark.parametrize(
    ("milli", "verdict"),
    [("48312\n", Verdict.OK), ("70000\n", Verdict.LOOK), ("80000\n", Verdict.WRONG)],
)
def test_the_hottest_sensor_counts(tmp_path: Path, milli: str, verdict: Verdict) -> None:
    put(tmp_path, "sys/class/thermal/thermal_zone0/temp", "41000\n")
    put(tmp_path, "sys/class/thermal/thermal_zone1/temp", milli)
    found = temperature(tmp_path)
    assert found.verdict is verdict and f"{int(milli) // 1000} °C" in found.what


@pytest.mark.parametrize(
    ("synchronised", "verdict"),
    [(True, Verdict.OK), (None, Verdict.OK), (False, Verdict.LOOK)],
)
def test_a_clock_without_a_time_source_wants_the_referees_watch(
    synchronised: bool | None, verdict: Verdict
) -> None:
    *_, found = wall_clock(NOW, synchronised)
    assert found.verdict is verdict
    assert ("check --crew" in found.do) is (verdict is Verdict.LOOK)


@pytest.mark.parametrize("year", [1970, 2025, 2100])
def test_a_clock_that_was_never_set_is_wrong(year: int) -> None:
    (found,) = wall_clock(NOW.replace(year=year), False)
    assert found.verdict is Verdict.WRONG and str(year) in found.what
