"""Changes the rules one thing at a time and asks whether a test notices.

``python -m tests.mutation [--only WORDS] [--sample N --seed S] [--survivors] [--by TESTS]``

Own code, because no library does this whole: mutmut changes function bodies alone, so neither the
transition table nor the words nor any constant; cosmic-ray writes into the checkout, starts a
process for each mutant, and deletes no statement, table entry or element; neither knows TOML.

``--by near`` asks only the tests of the changed module and keeps no verdict. Other verdicts are
kept in ``.check/mutation`` under a digest of code, data and tests: a run that was broken off goes
on. It ends with 1 when a mutant survives that ``survivors.toml`` does not list, or one is killed
that it does.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import sys
import time
from collections import Counter
from collections.abc import Iterable, Sequence
from pathlib import Path

from tests.mutation.bench import TIME_OUT
from tests.mutation.judge import ALL, NEAR, QUICK, STORE, Verdict, digest, judged
from tests.mutation.mutant import Mutant
from tests.mutation.python_mutants import python_mutants
from tests.mutation.survivors import SURVIVORS
from tests.mutation.toml_mutants import toml_mutants


def kept(path: Path) -> dict[str, Verdict]:
    """The verdicts of a file; a line cut off by a broken run is left out."""
    if not path.exists():
        return {}
    rows = [line for line in path.read_text("utf-8").splitlines() if line.endswith("}")]
    return {row["mutant"]: row for row in map(json.loads, rows)}


def run(
    mutants: Sequence[Mutant], jobs: int, by: str, known: dict[str, Verdict]
) -> dict[str, Verdict]:
    """The verdict on each mutant, kept or new."""
    STORE.mkdir(parents=True, exist_ok=True)
    path = Path(os.devnull) if by == NEAR else STORE / f"{digest()}.jsonl"
    done = kept(path)
    if known:
        taken = {name: row for name, row in known.items() if name not in done}
        done |= taken
        print(f"{len(taken)} killed in an earlier run are not judged again")
        with path.open("a", encoding="utf-8") as file:
            file.writelines(json.dumps(row) + "\n" for row in taken.values())
    left = [mutant for mutant in mutants if mutant.name not in done]
    random.Random(1).shuffle(left)  # so that a run broken off is a fair sample
    with path.open("a", encoding="utf-8") as file:
        for count, verdict in enumerate(judged(left, jobs, by) if left else (), 1):
            done[verdict["mutant"]] = verdict
            file.write(json.dumps(verdict) + "\n")
            file.flush()
            if verdict["by"] is None and verdict["mutant"] not in SURVIVORS:
                print(f"survives: {verdict['mutant']}", flush=True)
            if count % 100 == 0:
                print(f"{count} of {len(left)}", file=sys.stderr, flush=True)
    return {mutant.name: done[mutant.name] for mutant in mutants}


def killed_before() -> dict[str, Verdict]:
    """The mutants that were killed in the newest run."""
    newest = max(STORE.glob("*.jsonl"), key=lambda path: path.stat().st_mtime)
    return {name: row for name, row in kept(newest).items() if row["by"] is not None}


def summary(what: str, verdicts: Iterable[Verdict]) -> str:
    """One line: how many, and what became of them."""
    rows = list(verdicts)
    listed = Counter(SURVIVORS[row["mutant"]].kind for row in rows if row["mutant"] in SURVIVORS)
    timed_out = sum(row["by"] == TIME_OUT for row in rows)
    survived = sum(row["by"] is None for row in rows)
    killed = len(rows) - survived
    return (
        f"{what}: {len(rows)} mutants, {killed} killed ({timed_out} by time-out), "
        f"{survived} survived, {killed / max(1, len(rows)):.1%} killed; listed survivors: "
        f"{listed['equivalent']} equivalent, {listed['accepted']} accepted"
    )


def main() -> int:
    """Judge the mutants asked for and say what survives."""
    parser = argparse.ArgumentParser(prog="python -m tests.mutation", description=__doc__)
    parser.add_argument("--only", metavar="WORDS", default="", help="mutants whose name has WORDS")
    parser.add_argument("--sample", type=int, metavar="N", help="N of them by chance")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument(
        "--survivors",
        action="store_true",
        help="after tests were added: only those again that survived last time",
    )
    parser.add_argument("--by", choices=(ALL, QUICK, NEAR), default=ALL, help="tests that judge")
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1)
    options = parser.parse_args()
    mutants = [m for m in (*python_mutants(), *toml_mutants()) if options.only in m.name]
    if options.sample is not None:
        chance = random.Random(options.seed)
        mutants = chance.sample(mutants, min(options.sample, len(mutants)))
    began = time.monotonic()
    verdicts = run(mutants, options.jobs, options.by, killed_before() if options.survivors else {})
    of_code = [row for name, row in verdicts.items() if ".py " in name]
    of_data = [row for name, row in verdicts.items() if ".toml " in name]
    print(summary("code", of_code))
    print(summary("data", of_data))
    print(f"{summary('all', verdicts.values())}; {time.monotonic() - began:.0f} s")
    unlisted = [n for n, row in verdicts.items() if row["by"] is None and n not in SURVIVORS]
    outlived = [n for n, row in verdicts.items() if row["by"] is not None and n in SURVIVORS]
    for name in outlived:
        print(f"listed as a survivor, but killed by {verdicts[name]['by']}: {name}")
    return 1 if unlisted or outlived else 0


if __name__ == "__main__":
    if os.environ.get("PYTHONHASHSEED") != "0":  # the order of sets, the same in every run
        os.execve(sys.executable, sys.orig_argv, os.environ | {"PYTHONHASHSEED": "0"})
    sys.exit(main())
