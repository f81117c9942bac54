"""The board computer itself: its supply, its temperature and its wall clock.

``root`` is where ``/sys`` is looked for. What a computer cannot tell is said, and is not a fault.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from pathlib import Path

from controller.check.report import Finding, look, ok, wrong

THROTTLED = "sys/devices/platform/soc/soc:firmware/get_throttled"
"""Of the Raspberry Pi's own kernel; hexadecimal. Bits as in Linux, "ARM: bcm2835: Add GET_THROTTLED
firmware property": 0 under-voltage now, 2 slowed down now, 16 and 18 the same since the start."""
LOW_NOW, SLOW_NOW, LOW_BEFORE, SLOW_BEFORE = 1 << 0, 1 << 2, 1 << 16, 1 << 18
ALARM = "in0_lcrit_alarm"
"""Of the driver ``rpi_volt`` (Linux, Documentation/hwmon/raspberrypi-hwmon.rst): 1 is too low."""

WARM_C, HOT_C = 70, 80
"""A Raspberry Pi slows itself down from 80 degrees Celsius on (from memory)."""
FIRST_YEAR = 2026
"""No game is played before the program was written: the clock was never set."""
LAST_YEAR = 2099

SUPPLY = "use the computer's own power supply and a short, thick cable"


def machine(root: Path, now: datetime, synchronised: bool | None) -> Iterator[Finding]:
    """Everything about the computer."""
    yield supply(root)
    yield temperature(root)
    yield from wall_clock(now, synchronised)


def supply(root: Path) -> Finding:
    """Is the computer's own supply strong enough?"""
    alarm, throttled = _alarm(root), _number(root / THROTTLED, 16)
    if alarm is None and throttled is None:
        return ok("supply of the computer: cannot be told here")
    bits = throttled or 0
    if alarm or bits & LOW_NOW:
        return wrong("the computer's supply is too weak at this moment", SUPPLY)
    if bits & LOW_BEFORE:
        return look("the computer's supply was too weak since it was switched on", SUPPLY)
    if bits & (SLOW_NOW | SLOW_BEFORE):
        return look(
            "the computer slowed itself down since it was switched on",
            "put it out of the sun and let air at it",
        )
    return ok("supply of the computer: strong enough")


def temperature(root: Path) -> Finding:
    """The hottest of the computer's sensors."""
    zones = root.glob("sys/class/thermal/thermal_zone*/temp")
    found = [milli for zone in zones if (milli := _number(zone, 10)) is not None]
    if not found:
        return ok("temperature of the computer: cannot be told here")
    celsius = max(found) / 1000
    said = f"temperature of the computer: {celsius:.0f} °C"
    if celsius >= HOT_C:
        return wrong(said, "put it out of the sun, let air at it, and check again")
    if celsius >= WARM_C:
        return look(said, "put it out of the sun and let air at it")
    return ok(said)


def wall_clock(now: datetime, synchronised: bool | None) -> Iterator[Finding]:
    """Does the record get the right time of day? The count itself never uses the wall clock."""
    said = f"the computer's wall clock says {now:%Y-%m-%d %H:%M:%S}"
    if not FIRST_YEAR <= now.year <= LAST_YEAR:
        yield wrong(said, "set it (timedatectl set-time), or connect the computer to a network")
        return
    yield ok(said)
    if synchronised:
        yield ok("the wall clock is kept by a time source")
    elif synchronised is None:
        yield ok("whether a time source keeps the wall clock cannot be told here")
    else:
        yield look(
            "no time source keeps the wall clock; the count does not need one, the record does",
            "compare it with the referee's watch: playclock check --crew keeps the difference",
        )


def _alarm(root: Path) -> bool | None:
    for name in root.glob("sys/class/hwmon/hwmon*/name"):
        if _text(name) == "rpi_volt":
            value = _number(name.with_name(ALARM), 10)
            return None if value is None else bool(value)
    return None


def _number(path: Path, base: int) -> int | None:
    try:
        return int(_text(path), base)
    except ValueError:
        return None


def _text(path: Path) -> str:
    try:
        return path.read_text(encoding="ascii", errors="replace").strip()
    except OSError:
        return ""
