"""``playclock rules CODE --card FILE``: a pocket card of one rule set, as a PDF of one page.

The page folds twice to a quarter, print outside, and every panel stays upright: the front half has
the rulings, the back half signals and keys. Everything is measured before it is drawn, in the
largest type in which it fits; what does not fit in the smallest is an error, never cut.

The type is Helvetica, which every reader of PDF has (ISO 32000-1, 9.6.2.2).
"""

from __future__ import annotations

import contextlib
import os
import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import Final

from controller.card import content
from controller.card.typesetting import SMALLEST, Block, Box, DoesNotFitError, Head, Setter
from controller.rules.rulings import RulesError, RuleSet

INSTALL: Final = 'python3 -m pip install "reportlab>=5.1,<6"'
PAPERS: Final = {"letter": (612.0, 792.0), "a4": (595.28, 841.89)}
"""Width and height in points: ANSI letter, ISO 216."""
SIZES: Final = tuple(SMALLEST + step / 10 for step in range(16))
"""Type sizes tried, in points."""
EDGE: Final = 20.0
"""Points kept free at the paper's edge: office printers need about 18 (common practice)."""
FOLD: Final = 12.0
"""Points kept free at a fold."""


def panels(paper: str) -> list[Box]:
    """The four panels: upper left, upper right, lower left, lower right."""
    width, height = PAPERS[paper]
    wide, high = width / 2 - EDGE - FOLD, height / 2 - EDGE - FOLD
    xs, ys = (EDGE, width / 2 + FOLD), (height / 2 + FOLD, EDGE)
    return [Box(x, y, wide, high) for y in ys for x in xs]


def write_card(
    rules: RuleSet, path: Path, *, paper: str = "letter", options: Sequence[str] = (), asked: bool
) -> None:
    """Put the card at ``path``, whole or not at all; what is there is replaced.

    ``options`` are those chosen, as ``NAME=VALUE``; ``asked`` that a season was asked for. Raises
    :class:`RulesError` naming the path or what is missing.
    """
    target = Path(os.path.realpath(path))
    if target.exists() and not target.is_file():
        what = "is a folder" if target.is_dir() else "is no regular file"
        raise RulesError(f"--card {path}: {what}")
    card = card_pdf(rules, paper=paper, options=options, asked=asked)
    waiting = None
    try:
        descriptor, waiting = tempfile.mkstemp(prefix=".card-", dir=target.parent)
        with os.fdopen(descriptor, "wb") as file:
            file.write(card)
        Path(waiting).chmod(_mode(target))
        Path(waiting).replace(target)
    except OSError as error:
        if waiting is not None:
            with contextlib.suppress(OSError):
                Path(waiting).unlink()
        raise RulesError(f"--card {path}: {error.strerror}") from None


def _mode(target: Path) -> int:
    """The permission bits of the file replaced, else those of any new file."""
    if target.exists():
        return target.stat().st_mode & 0o7777
    mask = os.umask(0)
    os.umask(mask)
    return 0o666 & ~mask


def card_pdf(
    rules: RuleSet, *, paper: str = "letter", options: Sequence[str] = (), asked: bool
) -> bytes:
    """The card as PDF, the same bytes for the same card. Raises :class:`RulesError`."""
    head = Head(
        rules.title,
        f"{rules.code}  \N{MIDDLE DOT}  {content.season_of(rules, asked)}",
        tuple(content.adoptions(rules, options)),
    )
    title = f"Play clock card: {rules.code}, {content.season_of(rules, asked)}"
    found = None
    fits, too_large = 0, len(SIZES)  # the sizes rise: halve what is between the two
    while fits < too_large:
        middle = (fits + too_large) // 2
        try:
            setter = Setter(PAPERS[paper], SIZES[middle], title)
            _set(setter, rules, head, panels(paper))
            found, fits = setter, middle + 1
        except DoesNotFitError:
            too_large = middle
        except ModuleNotFoundError as error:
            raise RulesError(f"--card needs {error.name}: {INSTALL}") from None
    if found is not None:
        return found.finish()
    raise RulesError(
        f"--card: {rules.code} does not fit on one page in type of {SMALLEST:g} points; "
        "adopt fewer options, or with shorter words"
    )


def _set(setter: Setter, rules: RuleSet, head: Head, boxes: list[Box]) -> None:
    front, right, signs, keys = boxes
    rows = [content.facts(rules), content.signals(rules), content.zero_and_dark(rules)]
    facts, signals, zero = (list(each) for each in rows)
    marked = [*rules.rulings.values(), *rules.variants.values()]
    rest = setter.head(head, front)
    rulings = [block for count in content.counts(rules) for block in setter.count(count)]
    more = setter.fill(rulings, rest.columns())
    below = setter.level(more, right) if more else right
    changes = setter.rows("What a fact changes", facts)
    changes += setter.legend(
        unsettled=any(each.unsettled for each in marked),
        local=any(each.override for each in marked),
    )
    setter.flow(changes, [below.below(setter.size if more else 0)])
    left = [
        *setter.rows("Signals of the officials", signals),
        *setter.rows("Zero, and dark boards", zero),
        setter.choices("Agreed by this crew", content.agreed(rules), signs.width),
    ]
    setter.flow(left, [signs])
    blocks: list[Block] = []
    for layout in ("twelve", "four"):
        table = content.key_rows(layout, rules)
        blocks += setter.keys(f"Handset of {layout} keys", table, keys.width)
    blocks.append(setter.pairs("The thumb feels", content.cues(rules), keys.width))
    setter.flow(blocks, [keys])
    setter.folds()
