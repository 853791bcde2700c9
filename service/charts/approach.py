"""The main chart: the approach at the reference condition, its clean level, limit and forecast."""

from collections.abc import Sequence
from datetime import datetime, timedelta
from itertools import pairwise

import numpy as np
import pandas as pd

from analytics.vocabulary.records import Estimate, Evaluation, MaintenanceEvent
from service.charts.approach_marks import GAP_DAYS, NAME, Sheet, absences, draw_marks
from service.charts.drawing import Chart, Drawing, Table
from service.charts.frame import PHONE_UP_TO, Frame, time_axis, value_axis
from service.charts.placing import Placing
from service.charts.scales import Scale, TimeScale, finite_range, month_ticks
from service.register.plant import Plant
from service.wording import dates, numbers
from service.wording.limits import clean_today, is_at_stake, plates_changed
from service.wording.verdicts import limit_reached

_BACK = timedelta(days=385)
_AHEAD = timedelta(days=180)
_LEAST_RUN = 3  # days; fewer by themselves are points, not a line with a band


def approach_chart(
    evaluation: Evaluation, events: Sequence[MaintenanceEvent], plant: Plant, *,
    width: float = 1128.0, height: float | None = None, name: str = "approach", style: str = "",
) -> Chart | None:  # fmt: skip
    """Return the main chart, or ``None`` where no day has an approach at the reference condition.

    Line: running mean of five days; band: each day's interval. Both run across an absence shorter
    than the mean itself and break at a longer one; a day or two by themselves are drawn as points.
    """
    daily = evaluation.daily
    if daily.empty or not daily[NAME].notna().any():
        return None
    measure = numbers.measure_of(NAME, plant.units)
    on_phone = width <= PHONE_UP_TO
    tall = height or (280.0 if on_phone else 330.0)
    end = evaluation.through_utc + (_AHEAD if evaluation.forecast is not None else timedelta(14))
    start = max(daily.index[0].to_pydatetime(), evaluation.through_utc - _BACK)
    frame = Frame(
        left=42,
        top=_room_for_visits(start, end, events, on_phone=on_phone),
        right=width - (12 if on_phone else 138),
        bottom=tall - 46,
    )
    shown = daily.loc[daily.index >= pd.Timestamp(start)]
    drawing = Drawing(name=name, width=width, height=tall)
    sheet = Sheet(
        drawing=drawing,
        placing=Placing(drawing=drawing),
        frame=frame,
        time=TimeScale(start_utc=start, end_utc=end, first=frame.left, last=frame.right),
        value=_value_scale(evaluation, shown, measure, end, frame),
        measure=measure,
        evaluation=evaluation,
        plant=plant,
        on_phone=on_phone,
        changed=plates_changed(evaluation, list(events)),
    )
    _draw(sheet, shown, events)
    text = _sentence(sheet)
    svg = sheet.drawing.to_svg("Approach temperature at the reference condition", text, style=style)
    return Chart(svg=svg, text=text, table=_table(sheet, shown), key=_key(shown))


def _room_for_visits(
    start: datetime, end: datetime, events: Sequence[MaintenanceEvent], *, on_phone: bool
) -> float:
    if not any(start <= e.at_utc <= end for e in events):
        return 20.0
    return 40.0 if on_phone else 46.0


def _value_scale(
    evaluation: Evaluation,
    shown: pd.DataFrame,
    measure: numbers.Measure,
    end: datetime,
    frame: Frame,
) -> Scale:
    state, reference = evaluation.state, evaluation.reference
    limit = state.approach_limit_K if state is not None else None
    now = state.approach_reference_K if state is not None else None
    clean = reference.approach_K if reference is not None else None
    today = clean_today(evaluation)
    fan = evaluation.forecast.fan if evaluation.forecast is not None else None
    found = finite_range(
        shown[f"{NAME}_low"].quantile([0.02]),
        shown[f"{NAME}_high"].quantile([0.98]),
        [limit] if limit is not None else None,
        [clean.low, clean.high] if clean is not None else None,
        [today.low, today.high] if today is not None else None,
        [now.low, now.high] if now is not None else None,
        fan.loc[: pd.Timestamp(end), ["q05", "q95"]] if fan is not None else None,
    ) or (0.0, 1.0)
    low, high = (float(v) for v in measure.shown_array(found))
    tall = max(high - low, 0.5)
    # room below for the blocks that say why there is no evidence
    return Scale(low=low - 0.18 * tall, high=high + 0.05 * tall, first=frame.bottom, last=frame.top)


def _draw(sheet: Sheet, shown: pd.DataFrame, events: Sequence[MaintenanceEvent]) -> None:
    drawing, frame, time = sheet.drawing, sheet.frame, sheet.time
    _clean_band(sheet)
    value_axis(drawing, frame, sheet.value, sheet.measure.symbol, baseline=False)
    months = month_ticks(
        time.start_utc, time.end_utc, sheet.plant.zone, most=6 if sheet.on_phone else 20
    )
    time_axis(drawing, frame, time, months)
    _fan(sheet)
    x = time(pd.DatetimeIndex(shown.index) + pd.Timedelta(hours=12))
    line, low, high, alone = _line(shown, events)
    drawing.band(x, sheet.y(low), sheet.y(high), "interval")
    drawing.curve(x, sheet.y(line), "measured")
    drawing.dots(x, sheet.y(alone), 1.6, "point")
    sheet.placing.take_curve(x, sheet.y(line))
    sheet.placing.take_curve(x, sheet.y(alone))
    draw_marks(sheet, shown, events, line.fillna(alone))


def _line(
    shown: pd.DataFrame, events: Sequence[MaintenanceEvent]
) -> tuple[pd.Series, pd.Series, pd.Series, pd.Series]:
    """Return the line, the two edges of its band, and the days that stand alone."""
    columns = [NAME, f"{NAME}_low", f"{NAME}_high"]
    parts = []
    for part in _between_visits(shown, events):
        own = shown[columns].iloc[part]
        mean = own[NAME].rolling(5, center=True, min_periods=1).mean().where(own[NAME].notna())
        parts.append(_bridged(own.assign(**{NAME: mean})))
    joined = pd.concat(parts)
    known = joined[NAME].notna()
    run = (known != known.shift()).cumsum()
    short = known & (known.groupby(run).transform("size") < _LEAST_RUN)
    kept = joined.mask(short)
    return kept[NAME], kept[columns[1]], kept[columns[2]], joined[NAME].where(short)


def _bridged(frame: pd.DataFrame) -> pd.DataFrame:
    """Return ``frame`` with absences shorter than GAP_DAYS bridged by straight lines."""
    gone = frame[NAME].isna()
    run = (gone != gone.shift()).cumsum()
    long = gone & (gone.groupby(run).transform("size") >= GAP_DAYS)
    return frame.interpolate(limit_area="inside").mask(long)


def _between_visits(shown: pd.DataFrame, events: Sequence[MaintenanceEvent]) -> list[slice]:
    """Return the stretches between visits, so that no mean runs across one."""
    at = pd.DatetimeIndex([e.at_utc for e in events], tz="UTC").floor("D")
    edges = [0, *np.unique(shown.index.searchsorted(at)).tolist(), len(shown)]
    return [slice(a, b) for a, b in pairwise(edges) if b > a]


def _clean_band(sheet: Sheet) -> None:
    for level, left, right in sheet.clean_levels():
        high, low = sheet.value(sheet.measure.shown_array([level.high, level.low]))
        sheet.drawing.box(left, float(high), right - left, float(low - high), "clean-band")


def _fan(sheet: Sheet) -> None:
    forecast = sheet.evaluation.forecast
    if forecast is None or forecast.fan.empty:
        return
    fan = forecast.fan.loc[: pd.Timestamp(sheet.time.end_utc)]
    x = sheet.time(pd.DatetimeIndex(fan.index))
    columns = {c: sheet.y(fan[c]) for c in ("q05", "q25", "q50", "q75", "q95")}
    kinds = ("fan-wide", "fan-half", "fan-middle")
    if not is_at_stake(sheet.evaluation):  # then the forecast is no cost, and stays grey
        kinds = ("interval", "interval", "clean")
    sheet.drawing.band(x, columns["q05"], columns["q95"], kinds[0])
    sheet.drawing.band(x, columns["q25"], columns["q75"], kinds[1])
    sheet.drawing.curve(x, columns["q50"], kinds[2])
    sheet.placing.take_curve(x[::3], columns["q50"][::3])


def _sentence(sheet: Sheet) -> str:
    state, clean = sheet.evaluation.state, clean_today(sheet.evaluation)
    now = state.approach_reference_K if state is not None else None
    said = [f"approach {numbers.figure(now, sheet.measure).text}"]
    if clean is not None:
        said.append(f"clean {numbers.figure(clean, sheet.measure).text}")
    if state is not None and state.approach_limit_K is not None:
        said.append(f"limit {numbers.single(state.approach_limit_K, sheet.measure)}")
    said.append(f"limit reached: {limit_reached(sheet.evaluation, sheet.plant).text}")
    return f"{sheet.evaluation.tag} at the reference condition: {', '.join(said)}."


def _key(shown: pd.DataFrame) -> str:
    """Return what the signs of the drawing mean; hatching only where there is any."""
    said = ["Line: mean of five days", "grey: the range of each day", "points: single days"]
    if len(absences(shown)):
        days = numbers.count_word(GAP_DAYS)
        said.append(f"hatched: {days} days or more without evidence on the plates")
    return f"{'; '.join(said)}."


def _table(sheet: Sheet, shown: pd.DataFrame) -> Table:
    names = [NAME, f"{NAME}_low", f"{NAME}_high", "cleanliness_factor"]
    weeks = shown[names].resample("7D").mean()
    days = shown[NAME].resample("7D").count()
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
