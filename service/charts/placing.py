"""Room for labels: what is taken on a drawing, and the first free place for the next text.

Lives here: rectangles in pixels. Not here: scales, and what the labels say.
"""

from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike

from service.charts.drawing import Drawing, text_width

_ABOVE, _BELOW = 11.0, 4.0  # of a text's base line


@dataclass(frozen=True, slots=True, kw_only=True)
class Box:
    """A rectangle in pixels."""

    left: float
    top: float
    right: float
    bottom: float

    def meets(self, other: "Box") -> bool:
        """Tell whether the two share any area."""
        return (
            self.left < other.right
            and other.left < self.right
            and self.top < other.bottom
            and other.top < self.bottom
        )


def text_box(x: float, y: float, text: str, anchor: str = "start", size: float = 13.0) -> Box:
    """Return the rectangle that ``text`` takes with its base line at ``y``."""
    wide = text_width(text, size)
    left = {"start": x, "middle": x - wide / 2, "end": x - wide}[anchor]
    return Box(left=left, top=y - _ABOVE, right=left + wide, bottom=y + _BELOW)


@dataclass(slots=True, kw_only=True)
class Placing:
    """Labels of one drawing, kept off each other and off the lines they do not name."""

    drawing: Drawing
    taken: list[Box] = field(default_factory=list)

    def take(self, left: float, top: float, right: float, bottom: float) -> None:
        """Keep a rectangle free of labels."""
        self.taken.append(Box(left=left, top=top, right=right, bottom=bottom))

    def take_curve(self, x: ArrayLike, y: ArrayLike, margin: float = 3.0) -> None:
        """Keep a line through points, shapes (n,), free of labels."""
        xs, ys = np.asarray(x, float), np.asarray(y, float)
        good = np.isfinite(xs) & np.isfinite(ys)
        for px, py in zip(xs[good].tolist(), ys[good].tolist(), strict=True):
            self.take(px - margin, py - margin, px + margin, py + margin)

    def is_free(self, box: Box) -> bool:
        """Tell whether a rectangle lies on the drawing and meets nothing that is taken."""
        inside = box.left >= 0 and box.right <= self.drawing.width and box.top >= 0
        return inside and not any(box.meets(other) for other in self.taken)

    def put(
        self, text: str, kind: str, places: Iterable[tuple[float, float, str]]
    ) -> tuple[float, float, str] | None:
        """Set ``text`` at the first free place (x, y, anchor), or leave it out and return ``None``."""
        for x, y, anchor in places:
            box = text_box(x, y, text, anchor)
            if self.is_free(box):
                self.drawing.label(x, y, text, kind, anchor)
                self.taken.append(box)
                return x, y, anchor
        return None
