"""Holds what a day of plays left in memory against what there was when it had settled."""

from __future__ import annotations

from tests.scenarios.soak.day import Day, Sample
from tests.scenarios.soak.findings import Finding, at_most, equal

SETTLED_H = 2.0
"""Until then what is kept of the latest things has filled: the comparison begins there, in a
shorter run at its half."""
OBJECTS = 1_900
"""A day has 864,000 refreshes, 6,000 presses and 2,250 plays: one object kept of each shows. The
samples themselves are some 400 objects, and the console keeps the last 512 lines it has cleaned."""
RESIDENT_KIB = 512
"""Objects above 512 bytes are no ``OBJECTS``: of one kept of each press it would be 3 MiB."""
TRACED_KIB = 64
"""In the last hour, traced since an hour before: of one object kept of each of its 36,000 refreshes
it would be a MiB."""
HANDLES = 3
"""Timers by which two quiet moments may differ."""
LINES_A_FAULT = 6
"""Silent, dark, port lost, still lost, one board back, all well."""


def settled(day: Day) -> Sample:
    """The sample at which the comparison begins."""
    from_h = min(SETTLED_H, day.samples[-1].hour / 2)
    return next(each for each in day.samples if each.hour >= from_h)


def findings(day: Day) -> list[Finding]:
    """Everything that must be flat, and that nothing was lost."""
    begun, last = settled(day), day.samples[-1]
    untraced = [each for each in day.samples if not each.traced][-1]  # tracing has its own memory
    traced = [each.traced for each in day.samples if each.traced]
    handles = [each.handles for each in day.samples]
    faults = day.faults.total()
    pressed = day.presses + 2 * day.relights
    since = f"since hour {begun.hour:.1f}"
    resident = untraced.vitals.resident_kib - begun.vitals.resident_kib
    held = []
    if traced:  # the first one is where it began, the second is an hour later
        grown_kib = (traced[-1] - traced[1]) / 1024
        held.append(at_most("traced memory grown in the last hour", grown_kib, TRACED_KIB, " KiB"))
    return [
        *held,
        at_most(f"objects grown {since}", last.blocks - begun.blocks, OBJECTS),
        at_most(f"memory grown {since}", resident, RESIDENT_KIB, " KiB"),
        equal("open descriptors", *_same([each.vitals.descriptors for each in day.samples])),
        equal("threads", *_same([each.vitals.threads for each in day.samples])),
        equal("asyncio tasks", *_same([each.tasks for each in day.samples])),
        at_most("asyncio timers, most to least", max(handles) - min(handles), HANDLES),
        equal("snapshot's bytes", *_same([each.snapshot_bytes for each in day.samples])),
        equal("presses in the journal", day.rows["press"], pressed),
        equal("presses that changed nothing", day.rows["no change"], day.relights),
        equal("presses refused or rejected", day.rows["refused"] + day.rows["rejected"], 0),
        equal("journal's chain", day.problem, ""),
        at_most("lines printed", day.printed, LINES_A_FAULT * faults),
        at_most("states told to the service manager", day.told, LINES_A_FAULT * faults + 2),
    ]


def _same(values: list[int]) -> tuple[str, str]:
    """All values there were, and the first of them, which must be the only one."""
    return ", ".join(map(str, sorted(set(values)))), str(values[0])
