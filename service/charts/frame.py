"""What most charts share: a plot area with its axes, value ticks and time ticks."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from service.charts.drawing import Drawing, text_width
from service.charts.scales import Scale, TimeScale, tick_labels, ticks
from service.wording.numbers import NBSP

PHONE_UP_TO = 420.0  # a drawing at most this wide is one for a phone


@dataclass(frozen=True, slots=True, kw_only=True)
class Frame:
    """The plot area inside a drawing, in pixels."""

    left: float
    top: float
    right: float
    bottom: float


def value_axis(
    drawing: Drawing,
    frame: Frame,
    scale: Scale,
    symbol: str,
    *,
    most: int = 5,
    baseline: bool = True,
) -> None:
    """Draw the value ticks as rules across the plot, the unit on the top one."""
    values = ticks(scale.low, scale.high, most)
    for value, text in zip(values, tick_labels(values, symbol), strict=True):
        y = scale.at(float(value))
        drawing.line(frame.left, y, frame.right, y, "grid")
        drawing.label(frame.left - 8, y + 4, text, "tick", "end")
    if baseline:
        drawing.line(frame.left, frame.bottom, frame.right, frame.bottom, "axis")


def time_axis(
    drawing: Drawing, frame: Frame, scale: TimeScale, marks: Sequence[tuple[datetime, str]]
) -> None:
    """Draw the base line with time marks; a name that would touch the one before is left out."""
    drawing.line(frame.left, frame.bottom, frame.right, frame.bottom, "axis")
    free_from = float("-inf")
    for at, text in marks:
        x = scale.at(at)
        drawing.line(x, frame.bottom, x, frame.bottom + 4, "axis")
        # too wide for its place, a January is told by its year alone, a day by its number
        parts = text.split(NBSP)
        short = parts[0] if parts[0].isdigit() else parts[-1]
        for wording in (text, short):
            half = text_width(wording, 12) / 2
            if x - half >= free_from and x + half <= drawing.width:
                drawing.label(x, frame.bottom + 18, wording, "tick", "middle")
                free_from = x + half + 5
                break


def horizontal_axis(
    drawing: Drawing, frame: Frame, scale: Scale, name: str, *, most: int = 5
) -> None:
    """Draw a value axis along the bottom, its name with the unit below at the right."""
    drawing.line(frame.left, frame.bottom, frame.right, frame.bottom, "axis")
    values = ticks(scale.low, scale.high, most)
    for value, text in zip(values, tick_labels(values, ""), strict=True):
        x = scale.at(float(value))
        drawing.line(x, frame.bottom, x, frame.bottom + 4, "axis")
        drawing.label(x, frame.bottom + 18, text, "tick", "middle")
    drawing.label(frame.right, frame.bottom + 36, name, "tick", "end")
