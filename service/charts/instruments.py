"""Offsets of the thermometers, and the temperatures along the plates in the newest interval."""

from math import exp, isfinite

import numpy as np

from analytics.vocabulary.quantities import (
    PRIMARY_RETURN,
    PRIMARY_SUPPLY,
    SECONDARY_RETURN,
    SECONDARY_SUPPLY,
)
from analytics.vocabulary.records import CauseKind, Evaluation, LatestInterval, OffsetFinding
from service.charts.drawing import Chart, Drawing, Table, text_width
from service.charts.frame import Frame, horizontal_axis
from service.charts.scales import Scale, finite_range, rounded_out, spread
from service.register.plant import Plant
from service.wording import numbers
from service.wording.causes import role_label

_ROW = 34.0
_LINE = 17.0


def offsets_chart(
    evaluation: Evaluation, plant: Plant, *, width: float = 520.0, name: str = "offsets"
) -> Chart | None:
    """Return each thermometer's seeming error with its interval; ``None`` where none is told."""
    found = [o for o in evaluation.offsets if o.unit == "K" and isfinite(o.error.value)]
    if not found:
        return None
    measure = numbers.measure_of("error_K", plant.units)
    needed = _needed(evaluation)
    ends = finite_range(
        *([o.error.low, o.error.high] for o in found), [-1.0, 1.0],
        [needed[1]] if needed is not None else None,
    ) or (-1.0, 1.0)  # fmt: skip
    low, high = rounded_out(measure.shown_array(ends), 6)
    bottom = 26 + _ROW * len(found)
    plot = Frame(left=142, top=18, right=width - 24, bottom=bottom)
    drawing = Drawing(name=name, width=width, height=bottom + 46)
    x = Scale(low=low, high=high, first=plot.left, last=plot.right)
    drawing.line(x.at(0.0), plot.top, x.at(0.0), plot.bottom, "visit")
    drawing.label(x.at(0.0), 12, "agreement", "tick", "middle")
    horizontal_axis(drawing, plot, x, f"reads too high by, {measure.symbol}", most=6)
    for number, finding in enumerate(found):
        _row(drawing, plot, x, finding, measure, 26 + _ROW * (number + 0.5), needed)
    said = "; ".join(
        f"{role_label(o.role)} {numbers.figure(o.error, measure, signed=True).text}" for o in found
    )
    text = f"{evaluation.tag}, how far each thermometer seems off: {said}."
    return Chart(
        svg=drawing.to_svg("Thermometers against each other", text), text=text,
        table=_table(found, measure),
    )  # fmt: skip


def _needed(evaluation: Evaluation) -> tuple[str, float] | None:
    """Return the likeliest thermometer whose error would explain everything, and that error.

    One of which the table of causes says that no error of it explains the fall is none.
    """
    if evaluation.verdict.cause is None or evaluation.verdict.cause.kind is not CauseKind.DEPOSIT:
        return None
    for cause in evaluation.causes[1:]:
        needs = any(r.code == "offset_needed" for r in cause.speaks_against)
        if needs and cause.magnitude_unit == "K" and cause.subject and cause.magnitude is not None:
            return cause.subject, cause.magnitude.value
    return None


def _row(
    drawing: Drawing, plot: Frame, x: Scale, finding: OffsetFinding, measure: numbers.Measure,
    y: float, needed: tuple[str, float] | None,
) -> None:  # fmt: skip
    off = finding.error.low > 0 or finding.error.high < 0
    drawing.label(
        plot.left - 12, y + 4, role_label(finding.role), "label-strong" if off else "label", "end"
    )
    low, value, high = x(
        measure.shown_array([finding.error.low, finding.error.value, finding.error.high])
    )
    drawing.line(float(low), y, float(high), y, "whisker")
    for end in (low, high):
        drawing.line(float(end), y - 5, float(end), y + 5, "whisker")
    drawing.dots([float(value)], [y], 4, "present")
    if needed is not None and needed[0] == finding.role:
        at = x.at(measure.shown(needed[1]))
        drawing.line(at, y - 8, at, y + 8, "alert")
        text = f"{numbers.single(needed[1], measure, signed=True)} needed"
        # away from the line of agreement, unless there is no room on that side
        outward = at > x.at(0.0)
        wide = text_width(text) + 6
        if outward and at + wide > drawing.width:
            outward = False
        elif not outward and at - wide < plot.left:
            outward = True
        drawing.label(
            at + 6 if outward else at - 6, y - 10, text, "label halo", "start" if outward else "end"
        )


def _table(found: list[OffsetFinding], measure: numbers.Measure) -> Table:
    rows = tuple(
        (
            role_label(o.role),
            numbers.figure(o.error, measure, signed=True).text,
            numbers.figure(o.from_idle_hours, measure, signed=True).text,
            f"{o.idle_hours:,.0f}{numbers.NBSP}h",
        )
        for o in found
    )
    return Table(
        caption="Seeming error of each thermometer",
        heads=("Thermometer", "All evidence", "Idle hours alone", "Idle hours"),
        rows=rows,
    )


def profile_chart(
    latest: LatestInterval | None, tag: str, plant: Plant, *, width: float = 520.0,
    name: str = "profile",
) -> Chart | None:  # fmt: skip
    """Return the temperatures of both streams from the hot to the cold end, in the newest interval.

    In counterflow the difference between the streams falls exponentially along the plates; the
    curves follow from the four end temperatures alone. ``None`` if one of them is missing.
    """
    roles = (PRIMARY_SUPPLY, PRIMARY_RETURN, SECONDARY_SUPPLY, SECONDARY_RETURN)
    if latest is None or any(r not in latest.values for r in roles):
        return None
    hot_in, hot_out, cold_out, cold_in = (latest.values[r] for r in roles)
    if not all(isfinite(v) for v in (hot_in, hot_out, cold_out, cold_in)):
        return None
    measure = numbers.measure_of("supply_degC", plant.units)
    difference = numbers.measure_of("approach_K", plant.units)
    plot = Frame(left=84, top=22, right=width - 116, bottom=232)
    drawing = Drawing(name=name, width=width, height=268)
    low, high = (
        float(v) for v in measure.shown_array([min(hot_out, cold_in), max(hot_in, cold_out)])
    )
    y = Scale(low=low, high=max(high, low + 1.0), first=plot.bottom - 8, last=plot.top)
    along = np.linspace(0.0, 1.0, 41)
    share = _share_along(hot_in - cold_out, hot_out - cold_in, along)
    hot = hot_in + share * (hot_out - hot_in)
    cold = cold_out + share * (cold_in - cold_out)
    x = plot.left + along * (plot.right - plot.left)
    hot_y, cold_y = y(measure.shown_array(hot)), y(measure.shown_array(cold))
    drawing.band(x, cold_y, hot_y, "interval")
    drawing.curve(x, hot_y, "measured")
    drawing.curve(x, cold_y, "measured-secondary")
    drawing.line(plot.left, plot.bottom, plot.right, plot.bottom, "axis")
    drawing.label(plot.left, plot.bottom + 18, "hot end", "tick")
    drawing.label(plot.right, plot.bottom + 18, "cold end", "tick", "end")
    approach = f"approach {numbers.single(hot_out - cold_in, difference)}"
    _hot_end(drawing, plot, (float(hot_y[0]), float(cold_y[0])),
             [numbers.single(v, measure) for v in (hot_in, cold_out)])  # fmt: skip
    texts = [(numbers.single(v, measure), "label-strong") for v in (hot_out, cold_in)]
    first, second = float(hot_y[-1]), float(cold_y[-1])
    placed = spread([first, second, min(first, second) - 18], 18, plot.top - 12, plot.bottom)
    for (said, kind), at in zip([*texts, (approach, "label")], placed, strict=True):
        drawing.label(plot.right + 8, at + 4, said, kind)
    text = (
        f"{tag}, newest interval: primary {numbers.single(hot_in, measure)} to {numbers.single(hot_out, measure)},"
        f" secondary {numbers.single(cold_in, measure)} to {numbers.single(cold_out, measure)}."
    )
    return Chart(svg=drawing.to_svg("Temperatures along the plates", text), text=text)


def _hot_end(drawing: Drawing, plot: Frame, ends: tuple[float, float], figures: list[str]) -> None:
    """Set temperature and name of both streams beside the hot end, each pair kept together."""
    first = min(max(ends[0], plot.top), plot.bottom - 3 * _LINE)
    second = min(max(ends[1], first + 2 * _LINE), plot.bottom - _LINE)
    for at, figure, name in zip((first, second), figures, ("primary", "secondary"), strict=True):
        drawing.label(plot.left - 8, at + 4, figure, "label-strong", "end")
        drawing.label(plot.left - 8, at + 4 + _LINE, name, "label", "end")


def _share_along(hot_end_K: float, cold_end_K: float, along: np.ndarray) -> np.ndarray:
    """Return the share of each stream's temperature change passed at ``along``, shape (n,)."""
    if hot_end_K <= 0 or cold_end_K <= 0 or abs(hot_end_K - cold_end_K) < 1e-6 * hot_end_K:
        return along
    ratio = np.log(cold_end_K / hot_end_K)
    return np.asarray(np.expm1(ratio * along) / (exp(ratio) - 1.0))
