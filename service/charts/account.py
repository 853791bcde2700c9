"""What a visit brings by its date, and the heat load against what the plates deliver."""

from datetime import datetime

import numpy as np
import pandas as pd

from analytics.vocabulary.records import Capacity, Estimate, Evaluation, MoneyAccount
from service.charts.drawing import Chart, Drawing, Table
from service.charts.frame import Frame, horizontal_axis, time_axis, value_axis
from service.charts.scales import Scale, TimeScale, finite_range, month_ticks, rounded_out, spread
from service.register.plant import Plant
from service.wording import dates, numbers
from service.wording.visit_day import best_when, is_due

_BEST_WITHIN = 0.97  # dates that bring at least this share of the best are as good


def benefit_chart(
    evaluation: Evaluation, plant: Plant, now_utc: datetime, *, width: float = 520.0,
    name: str = "benefit",
) -> Chart | None:  # fmt: skip
    """Return the net benefit over twelve months by date of the visit, with nine tenths around it."""
    money = evaluation.money
    table = money.benefit_by_date if money is not None else None
    if money is None or table is None or table.empty or not table["q50"].notna().any():
        return None
    found = finite_range(table, [0.0]) or (0.0, 1.0)
    low, high = rounded_out(found, 4)
    plot = Frame(left=72, top=36, right=width - (30 if width > 420 else 12), bottom=238)
    drawing = Drawing(name=name, width=width, height=270)
    y = Scale(low=low, high=high, first=plot.bottom, last=plot.top)
    index = pd.DatetimeIndex(table.index)
    time = TimeScale(
        start_utc=index[0].to_pydatetime(), end_utc=index[-1].to_pydatetime(),
        first=plot.left, last=plot.right,
    )  # fmt: skip
    x = time(index)
    drawing.band(x, y(table["q05"]), y(table["q95"]), "interval")
    value_axis(
        drawing, plot, y, numbers.currency_sign(money.currency).strip(), most=4, baseline=False
    )
    drawing.line(plot.left, y.at(0.0), plot.right, y.at(0.0), "axis")
    drawing.curve(x, y(table["q50"]), "measured")
    time_axis(drawing, plot, time, month_ticks(time.start_utc, time.end_utc, plant.zone, most=8))
    best = table["mean"].max()  # by which the best day is chosen
    if best > 0:
        good = index[(table["mean"] >= best * _BEST_WITHIN).to_numpy()]
        x1, x2 = time.at(good[0].to_pydatetime()), time.at(good[-1].to_pydatetime())
        drawing.box(x1, y.at(0.0) - 3, max(x2 - x1, 5), 6, "best")
        days = dates.day_span(
            good[0].to_pydatetime(), good[-1].to_pydatetime(), plant.zone, index[0].to_pydatetime()
        )
        days = "at once" if is_due(evaluation, plant, now_utc) else days
        drawing.label(x1 + 2, y.at(0.0) + 19, f"best {days}", "label-strong halo")
    drawing.label(plot.right, 16, "net benefit after the visit's price", "label", "end")
    text = _benefit_sentence(evaluation, money, plant, now_utc)
    rows = tuple(
        (
            dates.short_day(at.to_pydatetime(), plant.zone, year=True),
            numbers.money(Estimate(value=mid, low=lo, high=hi), money.currency).text,
        )
        for at, lo, mid, hi in zip(index, table["q05"], table["q50"], table["q95"], strict=True)
    )
    figures = Table(
        caption="Net benefit by date of the visit", heads=("Visit on", "Net benefit"), rows=rows
    )
    return Chart(
        svg=drawing.to_svg("Net benefit by date of the visit", text), text=text, table=figures
    )


def _benefit_sentence(
    evaluation: Evaluation, money: MoneyAccount, plant: Plant, now_utc: datetime
) -> str:
    when = best_when(evaluation, plant, now_utc)
    if not when:
        return f"{evaluation.tag}: no date of a visit within twelve months pays for itself."
    best = numbers.money(money.best_net_benefit, money.currency).text
    return f"{evaluation.tag}: a visit {when} brings the most, {best} net over twelve months."


def capacity_chart(
    capacity: Capacity | None, tag: str, plant: Plant, *, width: float = 520.0,
    name: str = "capacity",
) -> Chart | None:  # fmt: skip
    """Return the heat load against outdoor temperature, with what the plates deliver."""
    if capacity is None:
        return None
    line = capacity.line
    load = line["load_W"] if not line.empty else None
    power = numbers.measure_of("load_W", plant.units)
    outdoor = numbers.measure_of("outdoor_degC", plant.units)
    xs = finite_range(
        line["outdoor_degC"] if not line.empty else None, [capacity.design_outdoor_degC]
    )
    ys = finite_range(load, [0.0, capacity.load_at_design_W.high, capacity.delivers_clean_W.high])
    if xs is None or ys is None:
        return None
    plot = Frame(left=64, top=28, right=width - (110 if width > 420 else 12), bottom=238)
    drawing = Drawing(name=name, width=width, height=282)
    x_low, x_high = (float(v) for v in outdoor.shown_array(xs))
    margin = (x_high - x_low) * 0.05 + 0.5
    x = Scale(low=x_low - margin, high=x_high + margin, first=plot.left, last=plot.right)
    # a load is never below nothing; the few daily means that are stem from the meters
    low, high = rounded_out([0.0, power.shown(ys[1])], 4)
    y = Scale(low=low, high=high, first=plot.bottom, last=plot.top)
    value_axis(drawing, plot, y, power.symbol, most=4)
    horizontal_axis(drawing, plot, x, f"outdoor temperature, daily mean, {outdoor.symbol}", most=6)
    if load is not None:
        px = x(outdoor.shown_array(line["outdoor_degC"]))
        drawing.dots(px, np.minimum(y(power.shown_array(load)), plot.bottom), 1.8, "load")
        order = np.argsort(px)
        fitted = np.minimum(y(power.shown_array(line["fitted_W"])), plot.bottom)
        drawing.curve(px[order], fitted[order], "measured")
    _capacities(drawing, plot, capacity, power, y, width)
    _design_load(drawing, capacity, power, outdoor, x, y)
    text = _capacity_sentence(capacity, tag, power, outdoor)
    return Chart(svg=drawing.to_svg("Heat load and capacity", text), text=text)


def _capacities(
    drawing: Drawing,
    plot: Frame,
    capacity: Capacity,
    power: numbers.Measure,
    y: Scale,
    width: float,
) -> None:
    levels = [
        ("clean", capacity.delivers_clean_W, "clean"),
        ("as it is", capacity.delivers_now_W, "limit"),
    ]
    if capacity.delivers_with_more_W is not None and capacity.plates_to_add:
        levels.append((f"+{capacity.plates_to_add} plates", capacity.delivers_with_more_W, "clean"))
    pixels = [y.at(power.shown(e.value)) for _, e, _ in levels]
    for (_, _, kind), at in zip(levels, pixels, strict=True):
        drawing.line(plot.left, at, plot.right, at, kind)
    placed = spread(pixels, 17, 12, plot.bottom)
    for (text, estimate, _), at in zip(levels, placed, strict=True):
        figure = f"{text} {numbers.figure(estimate, power).main}"
        if width > 420:
            drawing.label(
                plot.right + 8, at + 4, figure, "label-strong" if text == "as it is" else "label"
            )
    if width <= 420:
        joined = ", ".join(f"{t} {numbers.figure(e, power).main}" for t, e, _ in levels)
        drawing.label(plot.right, 14, joined, "label", "end")


def _design_load(
    drawing: Drawing, capacity: Capacity, power: numbers.Measure, outdoor: numbers.Measure,
    x: Scale, y: Scale,
) -> None:  # fmt: skip
    at_x = x.at(outdoor.shown(capacity.design_outdoor_degC))
    low, value, high = y(power.shown_array([
        capacity.load_at_design_W.low, capacity.load_at_design_W.value, capacity.load_at_design_W.high,
    ]))  # fmt: skip
    drawing.line(at_x, float(low), at_x, float(high), "whisker")
    drawing.dots([at_x], [float(value)], 4.5, "present")
    need = f"needs {numbers.figure(capacity.load_at_design_W, power).main}"
    drawing.line(at_x, float(low) + 6, at_x, y.first - 44, "present-line")
    drawing.label(at_x - 4, y.first - 28, need, "label-strong halo")
    at = f"at {numbers.plain(capacity.design_outdoor_degC, outdoor)}"
    drawing.label(at_x - 4, y.first - 12, at, "label halo")


def _capacity_sentence(
    capacity: Capacity, tag: str, power: numbers.Measure, outdoor: numbers.Measure
) -> str:
    return (
        f"{tag} at {numbers.plain(capacity.design_outdoor_degC, outdoor)} outdoors: the building needs"
        f" {numbers.figure(capacity.load_at_design_W, power).text}; the plates deliver"
        f" {numbers.figure(capacity.delivers_clean_W, power).text} clean and"
        f" {numbers.figure(capacity.delivers_now_W, power).text} as they are."
    )
