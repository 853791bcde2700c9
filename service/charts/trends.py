"""A week of raw trends with the rows of what was set aside and why.

The drawing stands on the page without scripts; ``explorer_figure`` gives the same week to the
charting library that the service delivers itself, for a closer look.
"""

from datetime import timedelta
from math import isnan
from typing import Any

import numpy as np
import pandas as pd

from analytics.vocabulary.gaps import empty_gaps
from analytics.vocabulary.quantities import REASON_BITS, SET_ASIDE_REASONS, TEMPERATURES
from service.charts.drawing import Chart, Drawing, Table
from service.charts.frame import Frame, time_axis, value_axis
from service.charts.scales import Scale, TimeScale, day_ticks, finite_range, rounded_out, spread
from service.register.plant import Plant
from service.wording import numbers
from service.wording.causes import role_label

_LINES = ("measured", "measured-strong", "measured-secondary", "measured-secondary-strong")
_ROW = 17.0
TOLD = "told by logger"


def set_aside_hours(week: pd.DataFrame) -> dict[str, float]:
    """Return the hours set aside by reason; one hour may have several reasons."""
    if week.empty:
        return {}
    mask = week["set_aside"].fillna(0).to_numpy().astype(np.int64)
    hours = _interval_hours(week)
    found = {
        q.name: float(np.count_nonzero(mask & REASON_BITS[q.name])) * hours
        for q in SET_ASIDE_REASONS
    }
    return {name: value for name, value in found.items() if value > 0}


def _interval_hours(week: pd.DataFrame) -> float:
    if len(week) < 2:
        return 0.25
    steps = np.diff(pd.DatetimeIndex(week.index).as_unit("ns").asi8)
    return float(np.median(steps)) / 3.6e12


def trends_chart(
    week: pd.DataFrame, tag: str, plant: Plant, *, told: pd.DataFrame | None = None,
    width: float = 1128.0, name: str = "trends",
) -> Chart | None:  # fmt: skip
    """Return the four temperatures of a week and, below, what was set aside by reason.

    ``told`` has the gaps of that week that loggers told of, a row below the others; ``None`` where the
    week holds no temperature.
    """
    shown_roles = [r for r in TEMPERATURES if not week.empty and week[r].notna().any()]
    if not shown_roles:
        return None
    reasons = set_aside_hours(week)
    measure = numbers.measure_of("supply_degC", plant.units)
    low, high = finite_range(week[shown_roles]) or (0.0, 1.0)
    low, high = rounded_out(measure.shown_array([low, high]), 4)
    on_phone = width <= 420
    plot = Frame(
        left=104 if on_phone else 52, top=16, right=width - (12 if on_phone else 136), bottom=216
    )
    told = empty_gaps() if told is None else told
    rows = len(reasons) + (0 if told.empty else 1)
    bottom = plot.bottom + 12 + _ROW * rows
    drawing = Drawing(name=name, width=width, height=bottom + 30)
    step = timedelta(hours=_interval_hours(week))
    time = TimeScale(
        start_utc=week.index[0].to_pydatetime(), end_utc=week.index[-1].to_pydatetime() + step,
        first=plot.left, last=plot.right,
    )  # fmt: skip
    y = Scale(low=low, high=high, first=plot.bottom, last=plot.top)
    value_axis(drawing, plot, y, measure.symbol, most=4, baseline=False)
    x = time(pd.DatetimeIndex(week.index))
    names = []
    for role in shown_roles:
        values = y(measure.shown_array(week[role]))
        drawing.curve(
            x, values, "measured-secondary" if role.startswith("secondary") else "measured"
        )
        names.append((float(values[np.isfinite(values)][-1]), role_label(role)))
    if on_phone:
        drawing.label(plot.left + 4, 11, "primary solid, secondary dashed", "tick")
    else:
        for (_, text), at in zip(
            names, spread([n[0] for n in names], 16, plot.top, plot.bottom), strict=True
        ):
            drawing.label(plot.right + 10, at + 4, text, "label")
    _reason_rows(drawing, plot, time, week, reasons, on_phone)
    if not told.empty:
        _told_row(drawing, plot, time, told, rows - 1, on_phone)
    lower = Frame(left=plot.left, top=plot.top, right=plot.right, bottom=bottom)
    time_axis(drawing, lower, time, day_ticks(time.start_utc, time.end_utc, plant.zone))
    text = f"{_sentence(week, tag, reasons)} {told_text(told)}".strip()
    svg = drawing.to_svg("Raw trends of a week", text)
    return Chart(svg=svg, text=text, table=_table(reasons, told))


def _reason_rows(
    drawing: Drawing, plot: Frame, time: TimeScale, week: pd.DataFrame,
    reasons: dict[str, float], on_phone: bool,
) -> None:  # fmt: skip
    mask = week["set_aside"].fillna(0).to_numpy().astype(np.int64)
    labels = {q.name: q.label for q in SET_ASIDE_REASONS}
    step = pd.Timedelta(hours=_interval_hours(week))
    for number, name in enumerate(reasons):
        y = plot.bottom + 10 + _ROW * number
        hit = (mask & REASON_BITS[name]) > 0
        edges = np.flatnonzero(np.diff(np.r_[False, hit, False].astype(int))).reshape(-1, 2)
        for first, last in edges:
            x1, x2 = time(pd.DatetimeIndex([week.index[first], week.index[last - 1] + step]))
            drawing.hatched(float(x1), y, max(float(x2 - x1), 2.0), 10)
        _row_name(drawing, plot, y, labels[name], on_phone)


def _row_name(drawing: Drawing, plot: Frame, y: float, name: str, on_phone: bool) -> None:
    if not on_phone:
        drawing.label(plot.right + 10, y + 9, name, "tick")
    else:
        drawing.label(plot.left - 4, y + 9, name, "tick", "end")


def _told_row(
    drawing: Drawing, plot: Frame, time: TimeScale, told: pd.DataFrame, number: int, on_phone: bool
) -> None:
    y = plot.bottom + 10 + _ROW * number
    for begin, end in zip(told["begin_utc"], told["end_utc"], strict=True):
        x1 = time.at(max(begin.to_pydatetime(), time.start_utc))
        x2 = time.at(min(end.to_pydatetime(), time.end_utc))
        drawing.hatched(x1, y, max(x2 - x1, 2.0), 10)
    _row_name(drawing, plot, y, TOLD, on_phone)


def told_text(told: pd.DataFrame) -> str:
    """Return the gaps that loggers told of, each instrument with hours and reasons; "" for none."""
    if told.empty:
        return ""
    said = []
    for role, own in told.groupby("role", sort=True):
        why = ", ".join(dict.fromkeys(own["reason"]))
        said.append(f"{role_label(str(role))} {_hours(_lasting(own))} ({why})")
    return f"Told by the logger: {'; '.join(said)}."


def _lasting(own: pd.DataFrame) -> float:
    return float((own["end_utc"] - own["begin_utc"]).dt.total_seconds().sum()) / 3600.0


def aside_text(week: pd.DataFrame) -> str:
    """Return what was set aside, in hours by reason, as sentences."""
    labels = {q.name: q.label for q in SET_ASIDE_REASONS}
    said = [f"{labels[n]} {_hours(h)}" for n, h in set_aside_hours(week).items()]
    return f"Set aside: {', '.join(said)}. Nothing is deleted." if said else "Nothing is set aside."


def _hours(hours: float) -> str:
    return f"{numbers.number(hours, 0 if hours >= 10 else 1 if hours >= 1 else 2)}{numbers.NBSP}h"


def _sentence(week: pd.DataFrame, tag: str, reasons: dict[str, float]) -> str:
    carrying = int((week["set_aside"] == 0).sum())
    labels = {q.name: q.label for q in SET_ASIDE_REASONS}
    aside = ", ".join(f"{labels[n]} {_hours(h)}" for n, h in reasons.items())
    text = f"{tag}: {carrying:,} of {len(week):,} intervals carry evidence"
    return f"{text}; set aside: {aside}." if aside else f"{text}."


def _table(reasons: dict[str, float], told: pd.DataFrame) -> Table:
    meanings = {q.name: (q.label, q.meaning) for q in SET_ASIDE_REASONS}
    rows = tuple((*meanings[n], _hours(h)) for n, h in reasons.items())
    rows += tuple(
        (f"{TOLD}, {role_label(str(role))}", str(why), _hours(_lasting(own)))
        for (role, why), own in told.groupby(["role", "reason"], sort=True)
    )
    return Table(
        caption="Hours set aside, by reason; one hour may have several",
        heads=("Reason", "Meaning", "Hours"),
        rows=rows,
    )


def explorer_figure(
    week: pd.DataFrame, plant: Plant, told: pd.DataFrame | None = None
) -> dict[str, Any]:
    """Return the week as a figure for the charting library: data and layout, plain JSON."""
    zone = plant.zone
    measure = numbers.measure_of("supply_degC", plant.units)
    at = [t.isoformat() for t in pd.DatetimeIndex(week.index).tz_convert(zone).tz_localize(None)]
    lines = [
        {
            "type": "scatter", "mode": "lines", "name": role_label(role), "x": at,
            "y": _plain(measure.shown_array(week[role])), "connectgaps": False,
            "line": {"width": 1.6, "dash": "dash" if role.startswith("secondary") else "solid"},
        }
        for role in TEMPERATURES
        if role in week and week[role].notna().any()
    ]  # fmt: skip
    reasons = list(set_aside_hours(week))
    labels = {q.name: q.label for q in SET_ASIDE_REASONS}
    mask = (
        week["set_aside"].fillna(0).to_numpy().astype(np.int64)
        if not week.empty
        else np.array([], int)
    )
    rows = [
        {
            "type": "scatter", "mode": "markers", "name": labels[name], "yaxis": "y2",
            "x": [t for t, hit in zip(at, (mask & REASON_BITS[name]) > 0, strict=True) if hit],
            "y": [labels[name]] * int(np.count_nonzero(mask & REASON_BITS[name])),
            "marker": {"symbol": "line-ns-open", "size": 8}, "showlegend": False,
        }
        for name in reasons
    ]  # fmt: skip
    rows += _told_lines(empty_gaps() if told is None else told, plant)
    layout = {
        "xaxis": {"anchor": "y2"},
        "yaxis": {"title": {"text": measure.symbol}, "domain": [0.28, 1.0]},
        "yaxis2": {"domain": [0.0, 0.22], "automargin": True},
        "hovermode": "x unified", "legend": {"orientation": "h"},
        "margin": {"l": 60, "r": 20, "t": 20, "b": 40},
    }  # fmt: skip
    return {"data": [*lines, *rows], "layout": layout}


def _told_lines(told: pd.DataFrame, plant: Plant) -> list[dict[str, Any]]:
    """Return a bar for each gap that a logger told of, its instrument and reason beside the pointer."""
    ends = [
        [t.tz_convert(plant.zone).tz_localize(None).isoformat() for t in pair]
        for pair in zip(told["begin_utc"], told["end_utc"], strict=True)
    ]
    return [
        {
            "type": "scatter", "mode": "lines", "name": f"{role_label(role)}: {why}", "yaxis": "y2",
            "x": at, "y": [TOLD, TOLD], "line": {"width": 8}, "showlegend": False,
        }
        for at, role, why in zip(ends, told["role"], told["reason"], strict=True)
    ]  # fmt: skip


def _plain(values: np.ndarray) -> list[float | None]:
    """Return values rounded for transfer; a gap becomes null and stays a gap."""
    rounded = np.round(values, 2)
    return [None if isnan(v) else v for v in rounded.tolist()]
