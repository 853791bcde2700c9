"""The main chart: the approach at the reference condition, its clean level, limit and forecast."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import pairwise
from math import isfinite

import numpy as np
import pandas as pd

from analytics.vocabulary.records import Estimate, Evaluation, MaintenanceEvent
from service.charts.drawing import Chart, Drawing, Table, text_width
from service.charts.frame import PHONE_UP_TO, Frame, time_axis, value_axis
from service.charts.scales import (
    Scale,
    TimeScale,
    finite_range,
    month_ticks,
    rounded_out,
    spread,
)
from service.register.plant import Plant
from service.wording import dates, numbers
from service.wording.causes import deed_text
from service.wording.verdicts import limit_reached

_BACK = timedelta(days=385)
_AHEAD = timedelta(days=180)
_GAP_DAYS = 5  # a shorter absence is a blank in the line and needs no block
_NAME = "approach_reference_K"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Sheet:
    """One drawing under way, with what its parts need."""

    drawing: Drawing
    frame: Frame
    time: TimeScale
    value: Scale
    measure: numbers.Measure
    evaluation: Evaluation
    plant: Plant
    on_phone: bool


def approach_chart(
    evaluation: Evaluation, events: Sequence[MaintenanceEvent], plant: Plant, *,
    width: float = 1128.0, height: float | None = None, name: str = "approach", style: str = "",
) -> Chart | None:  # fmt: skip
    """Return the main chart, or ``None`` where no day has an approach at the reference condition.

    Line: running mean of five days; band: each day's interval; both break where there is no evidence.
    """
    daily = evaluation.daily
    if daily.empty or not daily[_NAME].notna().any():
        return None
    measure = numbers.measure_of(_NAME, plant.units)
    on_phone = width <= PHONE_UP_TO
    tall = height or (280.0 if on_phone else 330.0)
    end = evaluation.through_utc + (_AHEAD if evaluation.forecast is not None else timedelta(14))
    start = max(daily.index[0].to_pydatetime(), evaluation.through_utc - _BACK)
    frame = Frame(
        left=42,
        top=46 if not on_phone else 40,
        right=width - (12 if on_phone else 138),
        bottom=tall - 46,
    )
    shown = daily.loc[daily.index >= pd.Timestamp(start)]
    sheet = _Sheet(
        drawing=Drawing(name=name, width=width, height=tall),
        frame=frame,
        time=TimeScale(start_utc=start, end_utc=end, first=frame.left, last=frame.right),
        value=_value_scale(evaluation, shown, measure, end, frame),
        measure=measure,
        evaluation=evaluation,
        plant=plant,
        on_phone=on_phone,
    )
    _draw(sheet, shown, events)
    text = _sentence(sheet)
    svg = sheet.drawing.to_svg("Approach temperature at the reference condition", text, style=style)
    return Chart(svg=svg, text=text, table=_table(sheet, shown))


def _value_scale(
    evaluation: Evaluation,
    shown: pd.DataFrame,
    measure: numbers.Measure,
    end: datetime,
    frame: Frame,
) -> Scale:
    limit = evaluation.state.approach_limit_K if evaluation.state is not None else None
    fan = evaluation.forecast.fan if evaluation.forecast is not None else None
    clean = evaluation.reference.approach_K if evaluation.reference is not None else None
    found = finite_range(
        shown[f"{_NAME}_low"].quantile([0.01]),
        shown[f"{_NAME}_high"].quantile([0.99]),
        [limit] if limit is not None else None,
        [clean.low, clean.high] if clean is not None else None,
        fan.loc[: pd.Timestamp(end), ["q05", "q95"]] if fan is not None else None,
    ) or (0.0, 1.0)
    low, high = measure.shown_array(found)
    # room below for the blocks that say why there is no evidence
    low, high = rounded_out([low - 0.18 * (high - low), high])
    return Scale(low=low, high=high, first=frame.bottom, last=frame.top)


def _draw(sheet: _Sheet, shown: pd.DataFrame, events: Sequence[MaintenanceEvent]) -> None:
    drawing, frame, time = sheet.drawing, sheet.frame, sheet.time
    _clean_band(sheet)
    value_axis(drawing, frame, sheet.value, sheet.measure.symbol, baseline=False)
    months = month_ticks(
        time.start_utc, time.end_utc, sheet.plant.zone, most=6 if sheet.on_phone else 20
    )
    time_axis(drawing, frame, time, months)
    _fan(sheet)
    x = time(pd.DatetimeIndex(shown.index) + pd.Timedelta(hours=12))
    low, high = (_y(sheet, shown[f"{_NAME}_{e}"]) for e in ("low", "high"))
    drawing.band(x, low, high, "interval")
    smooth = shown[_NAME].rolling(5, center=True, min_periods=1).mean().where(shown[_NAME].notna())
    for part in _between_visits(shown, events):
        own = shown[_NAME][part].rolling(5, center=True, min_periods=1).mean()
        smooth[part] = own.where(shown[_NAME][part].notna())
    drawing.curve(x, _y(sheet, smooth), "measured")
    _absences(sheet, shown)
    _levels(sheet)
    _visits(sheet, events)
    _alerts(sheet, smooth)
    _reached(sheet)
    _today(sheet, shown)


def _y(sheet: _Sheet, values_K: pd.Series) -> np.ndarray:
    pixels = sheet.value(sheet.measure.shown_array(values_K))
    return np.clip(pixels, sheet.frame.top - 4, sheet.frame.bottom)


def _between_visits(shown: pd.DataFrame, events: Sequence[MaintenanceEvent]) -> list[slice]:
    """Return the stretches between visits, so that no mean runs across one."""
    at = pd.DatetimeIndex([e.at_utc for e in events], tz="UTC").floor("D")
    edges = [0, *np.unique(shown.index.searchsorted(at)).tolist(), len(shown)]
    return [slice(a, b) for a, b in pairwise(edges) if b > a]


def _clean_band(sheet: _Sheet) -> None:
    reference = sheet.evaluation.reference
    if reference is None or not isfinite(reference.approach_K.value):
        return
    high, low = sheet.value(
        sheet.measure.shown_array([reference.approach_K.high, reference.approach_K.low])
    )
    sheet.drawing.box(
        sheet.frame.left,
        float(high),
        sheet.frame.right - sheet.frame.left,
        float(low - high),
        "clean-band",
    )


def _level_y(sheet: _Sheet, value_K: float) -> float:
    return sheet.value.at(sheet.measure.shown(value_K))


def _levels(sheet: _Sheet) -> None:
    """Draw clean level and limit, and name them where they end: at the right, kept apart."""
    frame, drawing = sheet.frame, sheet.drawing
    names: list[tuple[float, str, str]] = []
    reference, state = sheet.evaluation.reference, sheet.evaluation.state
    if reference is not None and isfinite(reference.approach_K.value):
        y = _level_y(sheet, reference.approach_K.value)
        drawing.line(frame.left, y, frame.right, y, "clean")
        names.append(
            (y, f"clean {numbers.figure(reference.approach_K, sheet.measure).main}", "label")
        )
    if state is not None and state.approach_limit_K is not None:
        y = _level_y(sheet, state.approach_limit_K)
        drawing.line(frame.left, y, frame.right, y, "limit")
        names.append(
            (y, f"limit {numbers.single(state.approach_limit_K, sheet.measure)}", "label-strong")
        )
    forecast = sheet.evaluation.forecast
    if forecast is not None and forecast.date_5 is not None and not forecast.fan.empty:
        end = float(forecast.fan["q50"].loc[: pd.Timestamp(sheet.time.end_utc)].iloc[-1])
        names.append((_level_y(sheet, end), "if nothing is done", "label-cost"))
    if sheet.on_phone:
        _names_on_the_lines(sheet, names)
        return
    placed = spread([y for y, _, _ in names], 17, frame.top + 6, frame.bottom)
    for (_, text, kind), y in zip(names, placed, strict=True):
        drawing.label(frame.right + 10, y + 4, text, kind)


def _names_on_the_lines(sheet: _Sheet, names: Sequence[tuple[float, str, str]]) -> None:
    for y, text, kind in names:
        if kind == "label-cost":
            sheet.drawing.label(sheet.frame.right, sheet.frame.top - 24, text, kind, "end")
        elif kind == "label":
            sheet.drawing.label(sheet.frame.right, y + 16, text, f"{kind} halo", "end")
        else:
            sheet.drawing.label(sheet.frame.left + 4, y - 6, text, f"{kind} halo")


def _fan(sheet: _Sheet) -> None:
    forecast = sheet.evaluation.forecast
    if forecast is None or forecast.fan.empty:
        return
    fan = forecast.fan.loc[: pd.Timestamp(sheet.time.end_utc)]
    x = sheet.time(pd.DatetimeIndex(fan.index))
    columns = {c: _y(sheet, fan[c]) for c in ("q05", "q25", "q50", "q75", "q95")}
    kinds = ("fan-wide", "fan-half", "fan-middle")
    if forecast.date_5 is None:  # nothing will be lost: the forecast is no cost, and stays grey
        kinds = ("interval", "interval", "clean")
    sheet.drawing.band(x, columns["q05"], columns["q95"], kinds[0])
    sheet.drawing.band(x, columns["q25"], columns["q75"], kinds[1])
    sheet.drawing.curve(x, columns["q50"], kinds[2])


def _absences(sheet: _Sheet, shown: pd.DataFrame) -> None:
    """Draw a hatched block wherever there was no evidence for several days, and say why."""
    gone = shown[_NAME].isna().to_numpy()
    edges = np.flatnonzero(np.diff(np.r_[False, gone, False].astype(int))).reshape(-1, 2)
    y = sheet.frame.bottom - 13
    for first, last in edges:
        if last - first < _GAP_DAYS:
            continue
        x1, x2 = sheet.time(pd.DatetimeIndex([shown.index[first], shown.index[last - 1]]))
        sheet.drawing.hatched(float(x1), y, float(x2 - x1) + 2, 9)
        off = float(shown["hours_running"].iloc[first:last].fillna(0).mean()) < 1
        # the longest wording that fits beside the block, else the block speaks for itself
        wordings = ("no evidence: not running", "not running") if off else ("no evidence",)
        text = next((w for w in wordings if text_width(w, 12) < x2 - x1 - 12), "")
        if text:
            sheet.drawing.label(float(x1 + x2) / 2, y - 5, text, "tick halo", "middle")


def _visits(sheet: _Sheet, events: Sequence[MaintenanceEvent]) -> None:
    """Draw a full upright for each visit; names that would meet go to a second row."""
    free_from = [float("-inf"), float("-inf")]
    for event in events:
        if not sheet.time.holds(event.at_utc):
            continue
        x = sheet.time.at(event.at_utc)
        day = dates.short_day(event.at_utc, sheet.plant.zone)
        text = day if sheet.on_phone else f"{day}: {deed_text(event)}"
        row = 0 if x > free_from[0] else 1
        y = 12.0 + 15 * row
        if x <= free_from[row]:
            text = ""
        long = text_width(text)
        at_right = x + 6 + long > sheet.drawing.width
        sheet.drawing.line(x, y - 9 if text else sheet.frame.top, x, sheet.frame.bottom, "visit")
        sheet.drawing.label(
            x - 6 if at_right else x + 6, y, text, "label", "end" if at_right else "start"
        )
        free_from[row] = max(free_from[row], x + 6 + (0 if at_right else long) + 8)


def _alerts(sheet: _Sheet, smooth: pd.Series) -> None:
    for alert in sheet.evaluation.alerts:
        if not sheet.time.holds(alert.raised_utc):
            continue
        x = sheet.time.at(alert.raised_utc)
        known = smooth.loc[: pd.Timestamp(alert.raised_utc)].dropna()
        level = float(known.iloc[-1]) if len(known) else float("nan")
        if not isfinite(level):
            continue
        top = _level_y(sheet, level) - 44
        sheet.drawing.line(x, top + 4, x, _level_y(sheet, level) - 4, "alert")
        if sheet.on_phone:
            continue
        text = (
            f"{dates.short_day(alert.raised_utc, sheet.plant.zone)}: {_alert_name(str(alert.kind))}"
        )
        anchor = "middle" if x - text_width(text) / 2 > sheet.frame.left else "start"
        sheet.drawing.label(x, top, text, "label halo", anchor)


def _alert_name(kind: str) -> str:
    return {"deposit": "drift alert", "data stopped": "data stopped"}.get(kind, f"{kind} alert")


def _reached(sheet: _Sheet) -> None:
    forecast, state = sheet.evaluation.forecast, sheet.evaluation.state
    if (
        forecast is None
        or state is None
        or state.approach_limit_K is None
        or forecast.date_5 is None
    ):
        return
    first = max(forecast.date_5, forecast.made_utc)
    if first >= sheet.time.end_utc:
        return
    last = max(first, min(forecast.date_95 or sheet.time.end_utc, sheet.time.end_utc))
    y = _level_y(sheet, state.approach_limit_K)
    x1, x2 = sheet.time.at(first), sheet.time.at(last)
    sheet.drawing.box(x1, y - 3, max(x2 - x1, 4), 6, "reached")
    shown = limit_reached(sheet.evaluation, sheet.plant).main
    text = shown if sheet.on_phone else f"limit reached {shown}"
    sheet.drawing.label(x1 - 6, y - 9, text, "label-cost halo", "end")


def _today(sheet: _Sheet, shown: pd.DataFrame) -> None:
    last = shown[_NAME].dropna()
    day: datetime = last.index[-1].to_pydatetime()
    x = sheet.time.at(day)
    if sheet.evaluation.through_utc - day > timedelta(days=7):
        y = _level_y(sheet, float(last.iloc[-5:].mean()))
        sheet.drawing.dots([x], [y], 4.5, "stopped")
        text = f"stops {dates.short_day(day, sheet.plant.zone)}"
        sheet.drawing.label(x + 9, y + 18, text, "label-strong halo")
        return
    state = sheet.evaluation.state
    now: Estimate | None = state.approach_reference_K if state is not None else None
    value = now.value if now is not None else float(last.iloc[-5:].mean())
    y = _level_y(sheet, value)
    x = sheet.time.at(sheet.evaluation.through_utc)
    needs = sheet.evaluation.forecast is not None and sheet.evaluation.forecast.date_5 is not None
    sheet.drawing.line(x, sheet.frame.top, x, sheet.frame.bottom, "today-line")
    sheet.drawing.dots([x], [y], 5, "today-cost" if needs else "today")
    figure = numbers.figure(now, sheet.measure)
    text = f"today {figure.main if sheet.on_phone else figure.text}" if now is not None else "today"
    fits = x + 9 + text_width(text) < sheet.drawing.width
    kind = "label-cost halo" if needs else "label-strong halo"
    sheet.drawing.label(x + 9 if fits else x - 9, y + 24, text, kind, "start" if fits else "end")


def _sentence(sheet: _Sheet) -> str:
    state, reference = sheet.evaluation.state, sheet.evaluation.reference
    now = state.approach_reference_K if state is not None else None
    said = [f"approach {numbers.figure(now, sheet.measure).text}"]
    if reference is not None:
        said.append(f"clean {numbers.figure(reference.approach_K, sheet.measure).text}")
    if state is not None and state.approach_limit_K is not None:
        said.append(f"limit {numbers.single(state.approach_limit_K, sheet.measure)}")
    said.append(f"limit reached: {limit_reached(sheet.evaluation, sheet.plant).text}")
    return f"{sheet.evaluation.tag} at the reference condition: {', '.join(said)}."


def _table(sheet: _Sheet, shown: pd.DataFrame) -> Table:
    names = [_NAME, f"{_NAME}_low", f"{_NAME}_high", "cleanliness_factor"]
    weeks = shown[names].resample("7D").mean()
    days = shown[_NAME].resample("7D").count()
    rows = tuple(
        (
            dates.short_day(at.to_pydatetime(), sheet.plant.zone, year=True),
            str(int(count)),
            numbers.figure(Estimate(value=v, low=low, high=high), sheet.measure).text,
            numbers.number(factor, 2),
        )
        for at, count, v, low, high, factor in zip(
            pd.DatetimeIndex(weeks.index), days, *(weeks[n] for n in names), strict=True
        )
    )
    return Table(
        caption="Approach at the reference condition, means of seven days",
        heads=("Week from", "Days with evidence", "Approach", "Cleanliness factor"),
        rows=rows,
    )
