"""The small charts of the list: one year of the approach from clean to limit, a row each.

Clean level and limit stand at the same two heights in every row, so that height reads "how much is
used up" and rows compare. With very many rows one bar from clean to limit replaces the chart.
"""

from collections.abc import Sequence
from datetime import datetime, timedelta, tzinfo
from math import isfinite

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from analytics.vocabulary.records import Evaluation, MaintenanceEvent
from service.charts.drawing import Chart, Drawing, text_width
from service.charts.scales import Scale, TimeScale, month_ticks
from service.register.plant import Plant
from service.wording import dates, numbers
from service.wording.limits import clean_today, is_at_stake, passed_utc
from service.wording.verdicts import limit_reached

_BACK = timedelta(days=366)
_AHEAD = timedelta(days=150)
_HEIGHT = 66.0
_LIMIT_Y, _CLEAN_Y = 16.0, 50.0
_LEFT = 30.0
_LEAST_RUN = 3  # means of four days
_BELOW = 10.0  # how far a line may run on below the drawing, into the room of its row


def _time_scale(through_utc: datetime, width: float) -> TimeScale:
    return TimeScale(
        start_utc=through_utc - _BACK, end_utc=through_utc + _AHEAD, first=_LEFT, last=width - 2
    )


def spark_axis(through_utc: datetime, zone: tzinfo, *, width: float = 252.0) -> str:
    """Return the time axis that stands once above all small charts."""
    drawing = Drawing(name="list-axis", width=width, height=16)
    scale = _time_scale(through_utc, width)
    end, name = scale.at(through_utc), dates.short_day(through_utc, zone)
    drawing.label(end, 12, name, "tick", "middle")
    room = text_width(name, 12) / 2 + 8
    free_from = 0.0
    for number, (at, text) in enumerate(month_ticks(scale.start_utc, scale.end_utc, zone, most=6)):
        x = scale.at(at)
        shown = text if number else dates.month(at, zone, year=True)
        half = text_width(shown, 12) / 2
        if abs(x - end) < half + room or x - half < free_from or x + half > width:
            continue
        drawing.label(x, 12, shown, "tick", "middle")
        free_from = x + half + 8
    return drawing.to_svg(
        "Time axis",
        "The small charts run from a year before the readings' end to five months after it.",
    )


def spark(
    evaluation: Evaluation, events: Sequence[MaintenanceEvent], plant: Plant, *,
    through_utc: datetime | None = None, width: float = 252.0, name: str = "spark",
) -> Chart:  # fmt: skip
    """Return the small chart of one exchanger; an empty one says that nothing can be told.

    ``through_utc`` is where the readings of the whole list end, on whose time axis all rows stand.
    """
    drawing = Drawing(name=f"{name}-{evaluation.tag}", width=width, height=_HEIGHT)
    levels = _levels(evaluation)
    frame = evaluation.daily
    if levels is None or frame.empty or not frame["approach_reference_K"].notna().any():
        drawing.line(_LEFT, _CLEAN_Y, width - 2, _CLEAN_Y, "grid")
        drawing.label(_LEFT, _CLEAN_Y - 8, "no approach can be told", "tick")
        text = f"{evaluation.tag}: no approach at the reference condition can be told."
        return Chart(svg=drawing.to_svg(evaluation.tag, text), text=text)
    clean, limit = levels
    through = through_utc or evaluation.through_utc
    time = _time_scale(through, width)
    value = Scale(low=clean, high=limit, first=_CLEAN_Y, last=_LIMIT_Y)
    measure = numbers.measure_of("approach_K", plant.units)
    _levels_drawn(drawing, measure, clean, limit, width)
    _measured(drawing, evaluation, time, value)
    _forecast(drawing, evaluation, time, value)
    for event in events:
        if time.holds(event.at_utc):
            x = time.at(event.at_utc)
            drawing.line(x, 4, x, _HEIGHT - 6, "visit")
    _end(drawing, evaluation, time, value, plant.zone, through)
    text = _sentence(evaluation, measure, clean, limit, plant)
    return Chart(svg=drawing.to_svg(evaluation.tag, text), text=text)


def _levels(evaluation: Evaluation) -> tuple[float, float] | None:
    """Return the clean approach and the limit; without a limit twice the clean level stands in."""
    today = clean_today(evaluation)
    if today is None:
        return None
    clean = today.value
    limit = evaluation.state.approach_limit_K if evaluation.state is not None else None
    if limit is None or not limit > clean:
        limit = clean * 2 if clean > 0 else clean + 3.0
    return (clean, limit) if isfinite(clean) else None


def _levels_drawn(
    drawing: Drawing, measure: numbers.Measure, clean: float, limit: float, width: float
) -> None:
    drawing.line(_LEFT, _CLEAN_Y, width - 2, _CLEAN_Y, "clean")
    drawing.line(_LEFT, _LIMIT_Y, width - 2, _LIMIT_Y, "limit")
    for level, y in ((clean, _CLEAN_Y), (limit, _LIMIT_Y)):
        drawing.label(_LEFT - 5, y + 4, numbers.number(measure.shown(level), 1), "tick", "end")


def _on_sheet(pixels: ArrayLike) -> NDArray[np.float64]:
    return np.asarray(np.clip(pixels, 2.0, _HEIGHT + _BELOW), dtype=np.float64)


def _measured(drawing: Drawing, evaluation: Evaluation, time: TimeScale, value: Scale) -> None:
    # the shape is all that a small chart can show: means of four days draw it
    means = (
        evaluation.daily[
            ["approach_reference_K", "approach_reference_K_low", "approach_reference_K_high"]
        ]
        .resample("4D")
        .mean()
    )
    means = means.loc[means.index >= pd.Timestamp(time.start_utc)]
    x = time(pd.DatetimeIndex(means.index) + pd.Timedelta(days=2))
    x = np.minimum(x, time.at(evaluation.through_utc))
    low, high = (_on_sheet(value(means[f"approach_reference_K_{e}"])) for e in ("low", "high"))
    drawing.band(x, np.where(_lasting(low), low, np.nan), high, "interval")
    drawing.curve(x, _on_sheet(value(means["approach_reference_K"])), "measured")


def _lasting(values: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Tell which values stand in a run long enough for a band; shorter ones would look like spikes."""
    known = pd.Series(np.isfinite(values))
    run = (known != known.shift()).cumsum()
    return np.asarray(known & (known.groupby(run).transform("size") >= _LEAST_RUN), dtype=np.bool_)


def _forecast(drawing: Drawing, evaluation: Evaluation, time: TimeScale, value: Scale) -> None:
    forecast = evaluation.forecast
    since = passed_utc(evaluation)
    if since is not None:
        drawing.box(max(time.at(since), _LEFT) - 2, _LIMIT_Y - 4, 4, 8, "reached")
    if forecast is None or forecast.date_5 is None or forecast.fan.empty:
        return
    stakes = is_at_stake(evaluation)
    fan = forecast.fan.loc[: pd.Timestamp(time.end_utc)]
    x = time(pd.DatetimeIndex(fan.index))
    drawing.band(x, _on_sheet(value(fan["q05"])), _on_sheet(value(fan["q95"])),
                 "fan-wide" if stakes else "interval")  # fmt: skip
    if stakes and since is None and forecast.date_5 < time.end_utc:
        last = min(forecast.date_95 or time.end_utc, time.end_utc)
        first = max(forecast.date_5, forecast.made_utc)
        x1, x2 = time.at(first), time.at(max(first, last))
        drawing.box(x1, _LIMIT_Y - 2.5, max(x2 - x1, 3), 5, "reached")


def _end(
    drawing: Drawing, evaluation: Evaluation, time: TimeScale, value: Scale, zone: tzinfo,
    through_utc: datetime,
) -> None:  # fmt: skip
    """Mark where the line ends; named where that is well before the end of the list's readings."""
    last = evaluation.daily["approach_reference_K"].dropna()
    day = last.index[-1].to_pydatetime()
    y = float(_on_sheet(value(last.iloc[-5:].mean())))
    if through_utc - day > timedelta(days=7):
        if not time.holds(day):
            drawing.label(
                _LEFT, _CLEAN_Y - 8, f"stops {dates.short_day(day, zone, year=True)}", "tick"
            )
            return
        drawing.dots([time.at(day)], [y], 3.5, "stopped")
        drawing.label(time.at(day) + 8, y - 6, f"stops {dates.short_day(day, zone)}", "tick halo")
        return
    drawing.dots([time.at(evaluation.through_utc)], [y], 4, "present")


def _sentence(
    evaluation: Evaluation, measure: numbers.Measure, clean: float, limit: float, plant: Plant
) -> str:
    now = evaluation.state.approach_reference_K if evaluation.state is not None else None
    return (
        f"{evaluation.tag}: approach at the reference condition {numbers.figure(now, measure).text},"
        f" clean {numbers.single(clean, measure)}, limit {numbers.single(limit, measure)},"
        f" limit reached: {limit_reached(evaluation, plant).main}."
    )


def used_up_bar(evaluation: Evaluation, plant: Plant, *, width: float = 190.0) -> Chart:
    """Return one bar from clean to limit with the present interval, for lists of very many rows."""
    drawing = Drawing(name=f"bar-{evaluation.tag}", width=width, height=26)
    levels = _levels(evaluation)
    now = evaluation.state.approach_reference_K if evaluation.state is not None else None
    if levels is None or now is None:
        drawing.label(0, 17, "cannot tell", "tick")
        text = f"{evaluation.tag}: no approach can be told."
        return Chart(svg=drawing.to_svg(evaluation.tag, text), text=text)
    measure = numbers.measure_of("approach_K", plant.units)
    scale = Scale(low=levels[0], high=levels[1], first=4, last=width * 0.68)
    drawing.line(4, 13, width * 0.68, 13, "grid")
    drawing.line(4, 7, 4, 19, "clean")
    drawing.line(width * 0.68, 5, width * 0.68, 21, "limit")
    low, high = np.clip(scale([now.low, now.high]), 1, width * 0.8)
    drawing.box(float(low), 9, float(high - low), 8, "interval")
    at = float(np.clip(scale.at(now.value), 2, width * 0.8))
    drawing.dots([at], [13], 4, "present")
    drawing.label(
        max(width * 0.68, at, float(high)) + 8, 17, numbers.figure(now, measure).main, "tick"
    )
    text = _sentence(evaluation, measure, levels[0], levels[1], plant)
    return Chart(svg=drawing.to_svg(evaluation.tag, text), text=text)
