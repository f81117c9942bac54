"""The pieces of the pocket card, as reportlab sets flowables: measured, then drawn."""

from __future__ import annotations

from typing import Any, Final

from controller.card.content import Count

SMALLEST: Final = 6.5
"""Points. Below this nobody reads a card on a sideline (common practice, no source)."""
BOLD, PLAIN = "Helvetica-Bold", "Helvetica"
_NUMERAL: Final = 2.3
"""Height of a count's numeral, in type sizes."""


class DoesNotFitError(Exception):
    """The text does not fit at this size."""


def check_width(part: Any, width: float) -> None:
    """A word wider than its column would stand out of it."""
    narrowest = getattr(part, "minWidth", None)
    if narrowest is not None and narrowest() > width:
        raise DoesNotFitError


def height_of(part: Any, width: float) -> float:
    """Height in points; raises :class:`DoesNotFitError` where a word is too wide."""
    check_width(part, width)
    return float(part.wrap(width, 10_000)[1])


class Gap:
    """White."""

    def __init__(self, height: float) -> None:
        self._high = height

    def wrap(self, width: float, _height: float) -> tuple[float, float]:
        """Width and height in points."""
        return width, self._high

    def drawOn(self, canvas: Any, x: float, y: float) -> None:
        """Nothing to draw."""


class Ruled:
    """A paragraph above a line."""

    def __init__(self, text: Any) -> None:
        self._text = text
        self._wide = 0.0

    def minWidth(self) -> float:
        """Width of the widest word in points."""
        return float(self._text.minWidth())

    def wrap(self, width: float, height: float) -> tuple[float, float]:
        """Width and height in points."""
        self._wide = width
        return width, self._text.wrap(width, height)[1] + 3

    def drawOn(self, canvas: Any, x: float, y: float) -> None:
        self._text.drawOn(canvas, x, y + 3)
        canvas.setStrokeGray(0)
        canvas.setLineWidth(0.7)
        canvas.line(x, y + 1.2, x + self._wide, y + 1.2)


class Bar:
    """A count's heading: filled if it runs, outlined if it is held."""

    def __init__(self, count: Count, size: float) -> None:
        self._count, self._size = count, size
        self._wide = 0.0

    def wrap(self, width: float, _height: float) -> tuple[float, float]:
        """Width and height in points."""
        self._wide = width
        return width, self._size * _NUMERAL * 0.72 + self._size * 1.3

    def drawOn(self, canvas: Any, x: float, y: float) -> None:
        size, pad = self._size, self._size * 0.5
        _, high = self.wrap(self._wide, 0)
        ink = 0 if self._count.held else 1
        canvas.setFillGray(0 if not self._count.held else 1)
        canvas.setStrokeGray(0)
        canvas.setLineWidth(1.2)
        canvas.rect(x + 0.6, y + 0.6, self._wide - 1.2, high - 1.2, stroke=1, fill=1)
        canvas.setFillGray(ink)
        left = x + pad
        if self._count.number:
            left = self._say(canvas, self._count.number, left, y + size * 0.5, size * _NUMERAL)
            left += pad
        small = max(SMALLEST, size * 0.85)
        line = y + high / 2 if self._count.how else y + (high - size * 0.75) / 2
        right = self._say(canvas, self._count.starts, left, line + size * 0.1, size * 1.25)
        if self._count.how:
            below = self._say(canvas, self._count.how, left, y + size * 0.5, small, PLAIN)
            right = max(right, below)
        canvas.setFillGray(0)
        if right > x + self._wide - 3:
            raise DoesNotFitError

    @staticmethod
    def _say(  # noqa: PLR0917
        canvas: Any, words: str, x: float, y: float, size: float, font: str = BOLD
    ) -> float:
        """Draw a line; where it ends."""
        canvas.setFont(font, size)
        canvas.drawString(x, y, words)
        return x + float(canvas.stringWidth(words, font, size))
