"""Heat transfer against flow beside its clean curve, and the duties of both sides."""

from datetime import timedelta

import numpy as np
import pandas as pd

from analytics.vocabulary.records import Evaluation
from service.charts.drawing import Chart, Drawing, Table
from service.charts.frame import Frame, horizontal_axis, time_axis, value_axis
from service.charts.scales import Scale, TimeScale, day_ticks, finite_range, rounded_out, spread
from service.register.plant import Plant
from service.wording import numbers

_DAYS_SHOWN = 30
_MOST_POINTS = 700
_DUTY_DAYS = 14
LEAST_APPROACH_K = 0.5  # below it an interval says little of U
_FEWEST = 24  # intervals; with fewer above the least approach, all are shown


def transfer_chart(
    evaluation: Evaluation, plant: Plant, *, width: float = 520.0, name: str = "transfer"
) -> Chart | None:
    """Return U (or UA) against primary flow: the last 30 days, the reference weeks, the clean curve.

    Each interval stands as far from the curve as it was from clean at its own flows and
    temperatures, so that the secondary flow, which is on no axis, does not scatter the cloud.
    ``None`` where no steady interval has a flow and a conductance.
    """
    frame, reference = evaluation.intervals, evaluation.reference
    curve = reference.curve if reference is not None else None
    has_area = not frame.empty and bool(frame["U_W_m2K"].notna().any())
    column = "U_W_m2K" if has_area else "UA_W_K"
    points = _brought_to_curve(_recent(frame), column, curve)
    if points.empty:
        return None
    before = _brought_to_curve(_reference_weeks(evaluation), column, curve)
    flow, shown = (
        numbers.measure_of("primary_flow_m3_s", plant.units),
        numbers.measure_of(column, plant.units),
    )
    curve_column = None
    if curve is not None:
        curve_column = next((c for c in ("U", "UA", column) if c in curve.columns), None)
    plot = Frame(left=88, top=24, right=width - (132 if width > 420 else 14), bottom=262)
    drawing = Drawing(name=name, width=width, height=304)
    x_range = finite_range(points["primary_flow"], before["primary_flow"]) or (0.0, 1.0)
    if curve is not None and curve_column:
        x_range = finite_range(points["primary_flow"], curve["primary_flow_m3_s"]) or x_range
    y_range = finite_range(
        points[column].quantile([0.01, 0.99]),
        before[column].quantile([0.02, 0.98]),
        curve[[curve_column, "low", "high"]] if curve is not None and curve_column else None,
    ) or (0.0, 1.0)
    x_low, x_high = flow.shown_array(x_range)
    y_low, y_high = rounded_out(shown.shown_array(y_range))
    x = Scale(
        low=float(x_low), high=float(max(x_high, x_low + 1e-9)), first=plot.left, last=plot.right
    )
    y = Scale(low=y_low, high=y_high, first=plot.bottom, last=plot.top)
    value_axis(drawing, plot, y, shown.symbol)
    horizontal_axis(drawing, plot, x, f"primary flow, {flow.symbol}", most=5)
    names: list[tuple[float, str, str]] = []
    if curve is not None and curve_column:
        cx = x(flow.shown_array(curve["primary_flow_m3_s"]))
        low, high = (y(shown.shown_array(curve[c])) for c in ("low", "high"))
        drawing.band(cx, low, high, "clean-band")
        drawing.curve(cx, y(shown.shown_array(curve[curve_column])), "clean-curve")
        names.append((float(y(shown.shown_array(curve[curve_column]))[-1]), "clean curve", "label"))
    for cloud, radius, kind in ((before, 1.8, "point-clean"), (points, 1.6, "point")):
        px, py = x(flow.shown_array(cloud["primary_flow"])), y(shown.shown_array(cloud[column]))
        on_plot = (py >= plot.top) & (py <= plot.bottom) & (px >= plot.left) & (px <= plot.right)
        drawing.dots(px[on_plot], py[on_plot], radius, kind)
    for cloud, text, kind in (
        (before, "open: reference weeks", "label"), (points, "filled: last 30 days", "label-strong"),
    ):  # fmt: skip
        if len(cloud):
            right = cloud["primary_flow"] >= cloud["primary_flow"].quantile(0.8)
            at = y.at(shown.shown(float(cloud.loc[right, column].median())))
            names.append((at, text, kind))
    _name(drawing, plot, names, width)
    text = _sentence(evaluation, points, column, plant)
    svg = drawing.to_svg(f"{'U' if has_area else 'UA'} against primary flow", text)
    return Chart(svg=svg, text=text, table=_by_flow(points, column, flow, shown))


def _recent(frame: pd.DataFrame) -> pd.DataFrame:
    if frame.empty:
        return frame
    return pd.DataFrame(frame.loc[frame.index >= frame.index[-1] - pd.Timedelta(days=_DAYS_SHOWN)])


def _reference_weeks(evaluation: Evaluation) -> pd.DataFrame:
    frame, reference = evaluation.intervals, evaluation.reference
    if frame.empty or reference is None or reference.period is None:
        return frame.iloc[:0]
    start, end = pd.Timestamp(reference.period.start_utc), pd.Timestamp(reference.period.end_utc)
    return frame.loc[(frame.index >= start) & (frame.index < end)]


def _sharp(frame: pd.DataFrame) -> pd.DataFrame:
    """Return the steady intervals in which the two streams leave far enough apart.

    Where they leave all but alike, the rounding of the thermometers alone decides on U.
    """
    steady = frame.loc[frame["set_aside"] == 0]
    apart = steady.loc[steady["approach_cold_K"] >= LEAST_APPROACH_K]
    return pd.DataFrame(apart if len(apart) >= _FEWEST else steady)


def measured_share(evaluation: Evaluation) -> float | None:
    """Return the median conductance of the last 30 days over that of clean plates, as measured."""
    if evaluation.intervals.empty:
        return None
    recent = _sharp(_recent(evaluation.intervals))
    share = float((recent["UA_W_K"] / recent["UA_clean_W_K"]).median())
    return share if np.isfinite(share) else None


def _brought_to_curve(frame: pd.DataFrame, column: str, curve: pd.DataFrame | None) -> pd.DataFrame:
    """Return flow and conductance of the steady intervals, at the usual conditions of the curve."""
    if frame.empty:
        return pd.DataFrame({"primary_flow": [], column: []}, dtype=float)
    names = list(dict.fromkeys(["primary_flow", column, "UA_W_K", "UA_clean_W_K"]))
    good = _sharp(frame)[names].astype(float)
    name = next((c for c in ("U", "UA", column) if curve is not None and c in curve), None)
    if curve is not None and name is not None and good["UA_clean_W_K"].notna().any():
        clean = np.interp(good["primary_flow"], curve["primary_flow_m3_s"], curve[name],
                          left=np.nan, right=np.nan)  # fmt: skip
        good[column] = clean * good["UA_W_K"] / good["UA_clean_W_K"]
    good = good[["primary_flow", column]].dropna()
    every = max(1, len(good) // _MOST_POINTS)  # thinned evenly: more points only darken the cloud
    return pd.DataFrame(good.iloc[::every])


def _name(drawing: Drawing, plot: Frame, names: list[tuple[float, str, str]], width: float) -> None:
    placed = spread([y for y, _, _ in names], 17, plot.top, plot.bottom - 4)
    for (_, text, kind), y in zip(names, placed, strict=True):
        if width > 420:
            drawing.label(plot.right + 8, y + 4, text, kind)
        else:
            drawing.label(
                plot.right - 2, y + (-9 if kind == "label" else 22), text, f"{kind} halo", "end"
            )


def _sentence(evaluation: Evaluation, points: pd.DataFrame, column: str, plant: Plant) -> str:
    shown = numbers.measure_of(column, plant.units)
    low, high = points[column].quantile([0.05, 0.95])
    kind = "U" if column.startswith("U_") else "UA"
    return (
        f"{evaluation.tag}: {kind} of {len(points)} steady intervals of the last 30 days,"
        f" {numbers.span(low, high, shown)}, against the primary flow, beside the clean curve."
    )


def _by_flow(
    points: pd.DataFrame, column: str, flow: numbers.Measure, shown: numbers.Measure
) -> Table:
    bins = pd.qcut(points["primary_flow"], min(6, len(points)), duplicates="drop")
    groups = points.groupby(bins, observed=True)
    rows = tuple(
        (
            numbers.span(group["primary_flow"].min(), group["primary_flow"].max(), flow),
            str(len(group)),
            numbers.single(float(group[column].median()), shown),
        )
        for _, group in groups
    )
    return Table(
        caption="Median by flow, steady intervals of the last 30 days",
        heads=("Primary flow", "Intervals", "Median"),
        rows=rows,
    )


def duties_chart(
    evaluation: Evaluation, plant: Plant, *, width: float = 520.0, name: str = "duties"
) -> Chart | None:
    """Return both duties of 14 days and their difference against what the meters allow."""
    frame = evaluation.intervals
    if frame.empty or not frame[["duty_primary_W", "duty_secondary_W"]].notna().any().any():
        return None
    recent = frame.loc[frame.index >= frame.index[-1] - pd.Timedelta(days=_DUTY_DAYS)]
    hourly = recent[
        ["duty_primary_W", "duty_secondary_W", "balance_residual", "balance_residual_u"]
    ]
    hourly = hourly.resample("1h").mean()
    power = numbers.measure_of("duty_W", plant.units)
    both = bool(hourly["balance_residual"].notna().any())
    plot = Frame(
        left=72, top=24, right=width - (132 if width > 420 else 12), bottom=178 if both else 262
    )
    low = Frame(left=plot.left, top=206, right=plot.right, bottom=262)
    drawing = Drawing(name=name, width=width, height=292)
    time = TimeScale(
        start_utc=hourly.index[0].to_pydatetime(), end_utc=hourly.index[-1].to_pydatetime() + timedelta(hours=1),
        first=plot.left, last=plot.right,
    )  # fmt: skip
    x = time(pd.DatetimeIndex(hourly.index))
    found = finite_range(hourly["duty_primary_W"], hourly["duty_secondary_W"]) or (0.0, 1.0)
    top = rounded_out([0.0, power.shown(found[1])], 4)[1]
    y = Scale(low=0.0, high=top, first=plot.bottom, last=plot.top)
    value_axis(drawing, plot, y, power.symbol, most=4)
    drawing.curve(x, y(power.shown_array(hourly["duty_primary_W"])), "measured")
    drawing.curve(x, y(power.shown_array(hourly["duty_secondary_W"])), "measured-secondary")
    if both:
        _difference(drawing, low, x, hourly, width)
    marks = day_ticks(time.start_utc, time.end_utc, plant.zone, every=4 if width <= 420 else 3)
    time_axis(drawing, low if both else plot, time, marks)
    measured = [
        (side, line, kind)
        for side, line, kind in (
            ("primary", "solid", "label-strong"),
            ("secondary", "dashed", "label"),
        )
        if hourly[f"duty_{side}_W"].notna().any()
    ]
    named = [f"{side}, {line}" if len(measured) > 1 else side for side, line, _ in measured]
    for row, ((_, _, kind), text) in enumerate(zip(measured, named, strict=True)):
        if width > 420:
            drawing.label(plot.right + 8, y.at(top * 0.72) + 17 * row, text, kind)
    if width <= 420:
        drawing.label(plot.right, 12, "; ".join(named), "tick", "end")
    text = _duty_sentence(evaluation, hourly, plant)
    svg = drawing.to_svg("Duties of both sides, 14 days", text)
    return Chart(svg=svg, text=text, table=_duty_table(hourly, plant))


def _difference(
    drawing: Drawing, low: Frame, x: np.ndarray, hourly: pd.DataFrame, width: float
) -> None:
    residual = hourly["balance_residual"] * 100
    allowed = 1.645 * float(hourly["balance_residual_u"].median()) * 100
    edge = max(np.nanquantile(residual.abs(), 0.98), allowed if np.isfinite(allowed) else 0.0, 1.0)
    edge = rounded_out([0.0, edge], 2)[1]
    scale = Scale(low=-edge, high=edge, first=low.bottom, last=low.top)
    if np.isfinite(allowed):
        top, bottom = scale.at(allowed), scale.at(-allowed)
        drawing.box(low.left, top, low.right - low.left, bottom - top, "clean-band")
    for value in (-edge, 0.0, edge):
        text = numbers.number(value, 0, signed=True)
        drawing.label(
            low.left - 8, scale.at(value) + 4, f"{text} %" if value > 0 else text, "tick", "end"
        )
    drawing.line(low.left, scale.at(0.0), low.right, scale.at(0.0), "grid")
    drawing.curve(x, np.clip(scale(residual), low.top, low.bottom), "measured")
    if width > 420:
        drawing.label(low.right + 8, scale.at(0.0) - 4, "difference", "label-strong")
        if np.isfinite(allowed):
            allows = f"allowed ±{numbers.number(allowed, 1)} %"
            drawing.label(low.right + 8, scale.at(0.0) + 13, allows, "label")
    else:
        drawing.label(low.left + 4, low.top - 6, "difference", "label halo")


def _duty_sentence(evaluation: Evaluation, hourly: pd.DataFrame, plant: Plant) -> str:
    power = numbers.measure_of("duty_W", plant.units)
    sides = [
        f"{side} {numbers.single(float(hourly[f'duty_{side}_W'].mean()), power)} on average"
        for side in ("primary", "secondary")
        if hourly[f"duty_{side}_W"].notna().any()
    ]
    text = f"{evaluation.tag}, duties of the last 14 days: {', '.join(sides)}"
    residual = float(hourly["balance_residual"].mean())
    if np.isfinite(residual):
        text += f"; secondary differs from primary by {numbers.single(residual, numbers.FINE_PERCENT, signed=True)}"
    return f"{text}."


def _duty_table(hourly: pd.DataFrame, plant: Plant) -> Table:
    power = numbers.measure_of("duty_W", plant.units)
    days = hourly.tz_convert(plant.zone).resample("1D").mean()
    rows = tuple(
        (
            f"{at:%Y-%m-%d}",
            numbers.single(primary, power),
            numbers.single(secondary, power),
            numbers.single(residual, numbers.FINE_PERCENT, signed=True),
        )
        for at, primary, secondary, residual in zip(
            pd.DatetimeIndex(days.index), days["duty_primary_W"], days["duty_secondary_W"],
            days["balance_residual"], strict=True,
        )
    )  # fmt: skip
    return Table(
        caption="Daily means of both duties",
        heads=("Day", "Primary", "Secondary", "Difference"),
        rows=rows,
    )
