"""A small SVG writer: shapes with a class each, and the drawing they stand on.

Colours and line widths live in the style sheet of the page or of the document; a shape here only
names what it means (``measured``, ``limit``, ``forecast``). Lives here: SVG text. Not here: scales.
"""

from dataclasses import dataclass, field
from html import escape

import numpy as np
from numpy.typing import ArrayLike, NDArray

# Mean advance of a digit or letter over the text size; enough to keep labels from running together.
_ADVANCE = 0.54


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """The figures behind a chart, already in words."""

    caption: str
    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Chart:
    """A chart: its drawing, one sentence that says what it shows, its table, and its signs explained."""

    svg: str
    text: str
    table: Table | None = None
    key: str = ""  # a sentence; pages and paper set it beside the drawing


def text_width(text: str, size: float = 13.0) -> float:
    """Return about how wide ``text`` is when set, in pixels."""
    return len(text) * size * _ADVANCE


@dataclass(slots=True, kw_only=True)
class Drawing:
    """Shapes gathered in drawing order."""

    name: str  # unique on the page; ids inside the drawing begin with it
    width: float
    height: float
    _parts: list[str] = field(default_factory=list)

    def line(self, x1: float, y1: float, x2: float, y2: float, kind: str) -> None:
        """Draw a straight line."""
        self._parts.append(
            f'<line class="{kind}" x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}"/>'
        )

    def curve(self, x: ArrayLike, y: ArrayLike, kind: str) -> None:
        """Draw a line through points, shape (n,); NaN breaks it, a lone point becomes a dash."""
        steps = []
        for xs, ys in _runs(np.asarray(x, float), np.asarray(y, float)):
            if len(xs) == 1:
                xs, ys = np.array([xs[0] - 1, xs[0] + 1]), np.array([ys[0], ys[0]])
            steps.append("M" + "L".join(_pairs(xs, ys)))
        if steps:
            self._parts.append(f'<path class="{kind}" d="{"".join(steps)}"/>')

    def band(self, x: ArrayLike, low: ArrayLike, high: ArrayLike, kind: str) -> None:
        """Fill between two lines, shapes (n,); NaN in either breaks the band."""
        xs, lows, highs = (np.asarray(v, float) for v in (x, low, high))
        steps = []
        for part in _slices(xs + lows + highs):
            if part.stop - part.start < 2:
                continue
            over = _pairs(xs[part], highs[part])
            under = _pairs(xs[part][::-1], lows[part][::-1])
            steps.append("M" + "L".join([*over, *under]) + "Z")
        if steps:
            self._parts.append(f'<path class="{kind}" d="{"".join(steps)}"/>')

    def dots(self, x: ArrayLike, y: ArrayLike, radius: float, kind: str) -> None:
        """Draw points, shapes (n,), as one path; NaN is left out."""
        xs, ys = np.asarray(x, float), np.asarray(y, float)
        good = np.isfinite(xs) & np.isfinite(ys)
        if not good.any():
            return
        d = f"{radius * 2:.1f}"
        arcs = "".join(
            f"M{px - radius:.1f} {py:.1f}a{radius:.1f} {radius:.1f} 0 1 0 {d} 0"
            f"a{radius:.1f} {radius:.1f} 0 1 0 -{d} 0"
            for px, py in zip(xs[good], ys[good], strict=True)
        )
        self._parts.append(f'<path class="{kind}" d="{arcs}"/>')

    def box(self, x: float, y: float, width: float, height: float, kind: str) -> None:
        """Draw a rectangle."""
        self._parts.append(
            f'<rect class="{kind}" x="{x:.1f}" y="{y:.1f}" width="{max(width, 0.5):.1f}"'
            f' height="{max(height, 0.5):.1f}"/>'
        )

    def hatched(self, x: float, y: float, width: float, height: float) -> None:
        """Draw a hatched block: an absence, not a value. Strokes, not a pattern, print everywhere."""
        self.box(x, y, width, height, "hatch-edge")
        starts = np.arange(x - height, x + width, 5.0)
        x1, x2 = np.clip(starts, x, x + width), np.clip(starts + height, x, x + width)
        y1, y2 = y + height - (x1 - starts), y + height - (x2 - starts)
        strokes = "".join(
            f"M{a:.1f} {b:.1f}L{c:.1f} {e:.1f}" for a, b, c, e in zip(x1, y1, x2, y2, strict=True)
        )
        self._parts.append(f'<path class="hatch" d="{strokes}"/>')

    def label(
        self, x: float, y: float, text: str, kind: str = "label", anchor: str = "start"
    ) -> None:
        """Set text; ``anchor`` is ``start``, ``middle`` or ``end``."""
        self._parts.append(
            f'<text class="{kind}" x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}">'
            f"{escape(text)}</text>"
        )

    def to_svg(self, title: str, text: str, *, style: str = "") -> str:
        """Return the SVG element with its title and description for readers who do not see it."""
        ids = f"{self.name}-title", f"{self.name}-text"
        styled = f"<style>{style}</style>" if style else ""
        return (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {self.width:.0f} {self.height:.0f}"'
            f' width="{self.width:.0f}" height="{self.height:.0f}" role="img"'
            f' aria-labelledby="{ids[0]} {ids[1]}">'
            f'<title id="{ids[0]}">{escape(title)}</title><desc id="{ids[1]}">{escape(text)}</desc>'
            f"{styled}{''.join(self._parts)}</svg>"
        )


def _slices(values: NDArray[np.float64]) -> list[slice]:
    """Return the runs of finite values."""
    edges = np.flatnonzero(np.diff(np.r_[False, np.isfinite(values), False].astype(int)))
    return [slice(int(a), int(b)) for a, b in edges.reshape(-1, 2)]


def _runs(
    x: NDArray[np.float64], y: NDArray[np.float64]
) -> list[tuple[NDArray[np.float64], NDArray[np.float64]]]:
    return [(x[part], y[part]) for part in _slices(x + y)]


def _pairs(x: NDArray[np.float64], y: NDArray[np.float64]) -> list[str]:
    return [f"{a:.1f} {b:.1f}" for a, b in zip(x.tolist(), y.tolist(), strict=True)]
