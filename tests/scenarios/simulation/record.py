"""The journal of a game: every accepted and every refused press once, in order, and chained."""

from __future__ import annotations

from collections import Counter
from pathlib import Path

from controller.journal.reader import JournalReader
from tests.scenarios.simulation.truth import Due, Truth
from tests.scenarios.simulation.world import S

PRESS_KINDS = {"press", "no change", "refused"}
CROWD, CROWD_NS = 20, 10 * S
"""More refused frames than this in 10 s need no row each."""

Problem = tuple[int, str]


def check_record(journal: Path, truth: Truth) -> list[Problem]:
    """Compare the file with what it owes."""
    with JournalReader(journal) as reader:
        verdict = reader.verify()
        rows = [entry.row for entry in reader.entries()]
    problems: list[Problem] = []
    if verdict.problem:
        problems.append((0, f"journal: {verdict.problem}"))
    found = [
        Due(
            row.received_at, row.handset, row.edge_at, row.result if row.edge_at is not None else ""
        )
        for row in rows
        if row.kind in PRESS_KINDS and row.handset is not None
    ]
    if found != truth.due:
        problems.append(_difference(found, truth.due))
    refused = Counter(
        (row.received_at, row.handset or 0, row.event) for row in rows if row.kind == "rejected"
    )
    made_up = refused - Counter(truth.refused)
    problems += [(at, f"journal: nobody sent this: {what}, handset {n}") for at, n, what in made_up]
    missing = Counter(truth.refused) - refused
    problems += [
        (at, f"journal: a refused frame has no row: {what}, handset {n}")
        for at, n, what in missing
        if not _crowded(at or 0, truth)
    ]
    return problems


def _crowded(at: int, truth: Truth) -> bool:
    return sum(0 <= at - other <= CROWD_NS for other, _, _ in truth.refused) > CROWD


def _difference(found: list[Due], due: list[Due]) -> Problem:
    pairs = zip([*found, None], [*due, None], strict=False)
    for n, (is_there, owed) in enumerate(pairs):
        if is_there != owed:
            at = (is_there or owed or Due(0, 0, None, "")).received_at
            return at, f"journal: press {n} of {len(due)}: has {is_there}, owes {owed}"
    return 0, "journal: presses differ"
