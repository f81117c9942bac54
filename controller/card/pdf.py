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
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Final

from controller.card import content
from controller.card.typesetting import SMALLEST, Block, Box, DoesNotFitError, Head, Setter
from controller.rules.rulings import RulesError, RuleSet

INSTALL: Final = 'python3 -m pip install "reportlab>=5.1,<6"'
PAPERS: Final = {"letter": (612.0, 792.0), "a4": (595.28, 841.89)}
"""Width and height in points: ANSI letter, ISO 216."""
SIZES: Final = tuple(SMALLEST + step / 4 for step in range(11))
"""Type sizes tried, in points; each panel has its own."""
Part = Callable[[Setter], None]
"""Sets one part of the card in the setter's size; raises :class:`DoesNotFitError`."""
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
    boxes = panels(paper)
    parts: tuple[Part, ...] = (
        lambda setter: _front(setter, rules, head, boxes),
        lambda setter: _signs(setter, rules, boxes[2]),
        lambda setter: _keys(setter, rules, boxes[3]),
    )
    try:
        setter = Setter(PAPERS[paper], SMALLEST, title)
        for part in parts:
            setter.size = _largest(part, lambda size: Setter(PAPERS[paper], size, title))
            part(setter)
    except ModuleNotFoundError as error:
        raise RulesError(f"--card needs {error.name}: {INSTALL}") from None
    except DoesNotFitError:
        raise RulesError(
            f"--card: {rules.code} does not fit on one page in type of {SMALLEST:g} points; "
            "adopt fewer options, or with shorter words"
        ) from None
    setter.folds()
    return setter.finish()


def _largest(part: Part, setter: Callable[[float], Setter]) -> float:
    """The largest of the sizes in which ``part`` fits, by halving what is between two of them."""
    fits, too_large = -1, len(SIZES)
    while too_large - fits > 1:
        middle = (fits + too_large) // 2
        try:
            part(setter(SIZES[middle]))
            fits = middle
        except DoesNotFitError:
            too_large = middle
    if fits < 0:
        raise DoesNotFitError
    return SIZES[fits]


def _front(setter: Setter, rules: RuleSet, head: Head, boxes: list[Box]) -> None:
    """The front half: every ruling, and what a fact changes."""
    front, right, *_ = boxes
    marked = [*rules.rulings.values(), *rules.variants.values()]
    rest = setter.head(head, front)
    rulings = [block for count in content.counts(rules) for block in setter.count(count)]
    more = setter.fill(rulings, rest.columns())
    below = setter.level(more, right) if more else right
    changes = setter.rows("What a fact changes", list(content.facts(rules)))
    changes += setter.legend(
        unsettled=any(each.unsettled for each in marked),
        local=any(each.override for each in marked),
    )
    setter.flow(changes, [below.below(setter.size if more else 0)])


def _signs(setter: Setter, rules: RuleSet, box: Box) -> None:
    """Signals, zero and dark boards, and what the crew agreed."""
    blocks = [
        *setter.rows("Signals of the officials", list(content.signals(rules))),
        *setter.rows("Zero, and dark boards", list(content.zero_and_dark(rules))),
        setter.choices("Agreed by this crew", content.agreed(rules), box.width),
    ]
    setter.flow(blocks, [box])


def _keys(setter: Setter, rules: RuleSet, box: Box) -> None:
    """Both handsets, and what the thumb feels."""
    blocks: list[Block] = []
    for layout in ("twelve", "four"):
        table = content.key_rows(layout, rules)
        blocks += setter.keys(f"Handset of {layout} keys", table, box.width)
    blocks.append(setter.pairs("The thumb feels", content.cues(rules), box.width))
    setter.flow(blocks, [box])
