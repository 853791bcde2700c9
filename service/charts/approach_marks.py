"""What stands on the main chart beside its line: levels, visits, alerts, the present, and their names.

Every label takes the first free place, so that none lies on another or on a line it does not name.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from math import isfinite

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analytics.vocabulary.records import Estimate, Evaluation, MaintenanceEvent
from service.charts.drawing import Drawing, text_width
from service.charts.frame import Frame
from service.charts.placing import Placing, text_box
from service.charts.scales import Scale, TimeScale, spread
from service.register.plant import Plant
from service.wording import dates, numbers
from service.wording.causes import deed_text
from service.wording.limits import clean_today, is_at_stake, passed_utc
from service.wording.verdicts import limit_reached

NAME = "approach_reference_K"
GAP_DAYS = 5  # a shorter absence is bridged and needs no block


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """One drawing under way, with what its parts need."""

    drawing: Drawing
    placing: Placing
    frame: Frame
    time: TimeScale
    value: Scale
    measure: numbers.Measure
    evaluation: Evaluation
    plant: Plant
    on_phone: bool
    changed: MaintenanceEvent | None  # the visit since when the clean level is of former plates

    def y(self, values_K: pd.Series) -> NDArray[np.float64]:
        """Return pixels of temperature differences, shape (n,), kept inside the plot."""
        pixels = self.value(self.measure.shown_array(values_K))
        return np.asarray(np.clip(pixels, self.frame.top - 4, self.frame.bottom), dtype=np.float64)

    def level(self, value_K: float) -> float:
        """Return the pixel of one temperature difference."""
        return self.value.at(self.measure.shown(value_K))

    def clean_levels(self) -> list[tuple[Estimate, float, float]]:
        """Return the clean levels in the order of time, each with its left and right end.

        A change of plates ends the level of the former ones and begins that of today's.
        """
        reference, today = self.evaluation.reference, clean_today(self.evaluation)
        first, last = self.frame.left, self.frame.right
        if reference is None or today is None or not isfinite(today.value):
            return []
        if self.changed is None or not self.time.holds(self.changed.at_utc):
            return [(today, first, last)]
        x = self.time.at(self.changed.at_utc)
        return [(reference.approach_K, first, x), (today, x, last)]


def draw_marks(
    sheet: Sheet, shown: pd.DataFrame, events: Sequence[MaintenanceEvent], line: pd.Series
) -> None:
    """Draw everything that stands beside the line; ``line`` is what is drawn, in kelvin."""
    names = _levels(sheet)
    stays = [e for e in events if sheet.time.holds(e.at_utc)]
    for event in stays:
        x = sheet.time.at(event.at_utc)
        sheet.placing.take(
            x - 2, 3.0, x + 2, sheet.frame.bottom
        )  # its name may stand in either row
    if not _ends_early(sheet, _last_day(shown)):
        x = sheet.time.at(sheet.evaluation.through_utc)
        sheet.placing.take(x - 1, sheet.frame.top - 1, x + 1, sheet.frame.bottom)
    _names(sheet, names)
    _visits(sheet, stays)
    _present(sheet, shown, line)
    _reached(sheet)
    _alerts(sheet, line)
    _absences(sheet, shown)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Named:
    """A level that wants its name: where it lies, where its line ends, and how it is written."""

    y: float
    right: float
    text: str
    kind: str


def _levels(sheet: Sheet) -> list[_Named]:
    """Draw clean levels and limit; return what is to be named."""
    frame, drawing = sheet.frame, sheet.drawing
    names: list[_Named] = []
    state = sheet.evaluation.state
    for level, left, right in sheet.clean_levels():
        y = sheet.level(level.value)
        drawing.line(left, y, right, y, "clean")
        sheet.placing.take(left, y - 2, right, y + 2)
        name = f"clean {numbers.figure(level, sheet.measure).main}"
        if right < frame.right:
            name += " before" if sheet.on_phone else ", former plates"
        names.append(_Named(y=y, right=right, text=name, kind="label"))
    if state is not None and state.approach_limit_K is not None:
        y = sheet.level(state.approach_limit_K)
        drawing.line(frame.left, y, frame.right, y, "limit")
        sheet.placing.take(frame.left, y - 2, frame.right, y + 2)
        name = f"limit {numbers.single(state.approach_limit_K, sheet.measure)}"
        names.append(_Named(y=y, right=frame.right, text=name, kind="label-strong"))
    forecast = sheet.evaluation.forecast
    if forecast is not None and is_at_stake(sheet.evaluation) and not forecast.fan.empty:
        end = float(forecast.fan["q50"].loc[: pd.Timestamp(sheet.time.end_utc)].iloc[-1])
        text = "if left alone" if sheet.on_phone else "if nothing is done"
        names.append(_Named(y=sheet.level(end), right=frame.right, text=text, kind="label-cost"))
    return names


def _names(sheet: Sheet, names: list[_Named]) -> None:
    """Name the levels where they end: at the right, kept apart; on a phone on the lines."""
    frame, left = sheet.frame, []
    for name in names:
        if sheet.on_phone or name.right < frame.right:
            _name_on_its_line(sheet, name)
        else:
            left.append(name)
    placed = spread([name.y for name in left], 17, frame.top + 6, frame.bottom)
    for name, y in zip(left, placed, strict=True):
        sheet.drawing.label(frame.right + 10, y + 4, name.text, name.kind)
        sheet.placing.taken.append(text_box(frame.right + 10, y + 4, name.text))


def _name_on_its_line(sheet: Sheet, name: _Named) -> None:
    ends = [
        (name.right - 6, "end"),
        (sheet.frame.left + 4, "start"),
        ((name.right + sheet.frame.left) / 2, "middle"),
    ]
    steps = (-6, 16, -20, 30, -34)
    sheet.placing.put(
        name.text, f"{name.kind} halo", [(x, name.y + dy, a) for dy in steps for x, a in ends]
    )


def _visits(sheet: Sheet, events: Sequence[MaintenanceEvent]) -> None:
    """Draw a full upright for each visit; names that would meet go to a second row."""
    for event in events:
        x = sheet.time.at(event.at_utc)
        day = dates.short_day(event.at_utc, sheet.plant.zone)
        text = day if sheet.on_phone else f"{day}: {deed_text(event)}"
        places = [(x + at, y, a) for y in (12.0, 27.0) for at, a in ((6.0, "start"), (-6.0, "end"))]
        found = sheet.placing.put(text, "label", places)
        top = found[1] - 9 if found is not None else sheet.frame.top
        sheet.drawing.line(x, top, x, sheet.frame.bottom, "visit")


def _present(sheet: Sheet, shown: pd.DataFrame, line: pd.Series) -> None:
    """Mark the last day of the readings, by its date: a chart is read on other days, too."""
    day = _last_day(shown)
    if _ends_early(sheet, day):
        x, y = sheet.time.at(day), sheet.level(float(line.dropna().iloc[-1]))
        sheet.drawing.dots([x], [y], 4.5, "stopped")
        sheet.placing.take(x - 5, y - 5, x + 5, y + 5)
        text = f"stops {dates.short_day(day, sheet.plant.zone)}"
        sheet.placing.put(text, "label-strong halo", _around(x, y))
        return
    state = sheet.evaluation.state
    now: Estimate | None = state.approach_reference_K if state is not None else None
    value = now.value if now is not None else float(line.dropna().iloc[-1])
    x, y = sheet.time.at(sheet.evaluation.through_utc), sheet.level(value)
    costs = is_at_stake(sheet.evaluation)
    sheet.drawing.line(x, sheet.frame.top, x, sheet.frame.bottom, "present-line")
    sheet.drawing.dots([x], [y], 5, "present-cost" if costs else "present")
    sheet.placing.take(x - 6, y - 6, x + 6, y + 6)
    figure = numbers.figure(now, sheet.measure)
    text = day_name = dates.short_day(sheet.evaluation.through_utc, sheet.plant.zone)
    if now is not None:
        text = f"{day_name}: {figure.main if sheet.on_phone else figure.text}"
    kind = "label-cost halo" if costs else "label-strong halo"
    sheet.placing.put(text, kind, _around(x, y))


def _ends_early(sheet: Sheet, last_day: datetime) -> bool:
    """Tell whether what the chart shows ends so long before the readings do that it counts as old."""
    return sheet.evaluation.through_utc - last_day > timedelta(days=sheet.plant.stale_after_days)


def _last_day(shown: pd.DataFrame) -> datetime:
    day: datetime = shown[NAME].dropna().index[-1].to_pydatetime()
    return day


def _around(x: float, y: float) -> list[tuple[float, float, str]]:
    """Return places around a point, the nearest below right first."""
    steps = (22, 36, -16, -30, 50, -44, 64, -58, 80, -74)
    return [(x + at, y + dy, a) for dy in steps for at, a in ((9.0, "start"), (-9.0, "end"))]


def _reached(sheet: Sheet) -> None:
    """Draw the bar on the limit line and say when; once passed, mark where it was crossed."""
    state, since = sheet.evaluation.state, passed_utc(sheet.evaluation)
    if state is None or state.approach_limit_K is None:
        return
    y = sheet.level(state.approach_limit_K)
    if since is not None:
        if sheet.time.holds(since):
            x = sheet.time.at(since)
            sheet.drawing.box(x - 2, y - 5, 4, 10, "reached")
            day = dates.short_day(since, sheet.plant.zone)
            text = f"passed {day}" if sheet.on_phone else f"limit passed {day}"
            _say_reached(sheet, x, x, y, text)
        return
    forecast = sheet.evaluation.forecast
    if forecast is None or forecast.date_5 is None or not is_at_stake(sheet.evaluation):
        return
    first = max(forecast.date_5, forecast.made_utc)
    if first >= sheet.time.end_utc:
        return
    last = max(first, min(forecast.date_95 or sheet.time.end_utc, sheet.time.end_utc))
    x1, x2 = sheet.time.at(first), sheet.time.at(last)
    sheet.drawing.box(x1, y - 3, max(x2 - x1, 4), 6, "reached")
    shown = limit_reached(sheet.evaluation, sheet.plant).main
    _say_reached(sheet, x1, x2, y, shown if sheet.on_phone else f"limit reached {shown}")


def _say_reached(sheet: Sheet, x1: float, x2: float, y: float, text: str) -> None:
    steps = (-9, 19, -24, 34, -39, 49, -54, 64, -69, 79)
    ends = ((x1 - 6, "end"), (x1 + 6, "start"), (x2, "end"))
    sheet.placing.put(text, "label-cost halo", [(x, y + dy, a) for dy in steps for x, a in ends])


def _alerts(sheet: Sheet, line: pd.Series) -> None:
    """Draw a short dotted tick at each alert, named where there is room."""
    for alert in sheet.evaluation.alerts:
        known = line.loc[: pd.Timestamp(alert.raised_utc)].dropna()
        if not sheet.time.holds(alert.raised_utc) or known.empty:
            continue
        x, y = sheet.time.at(alert.raised_utc), sheet.level(float(known.iloc[-1]))
        named = None
        if not sheet.on_phone:
            day = dates.short_day(alert.raised_utc, sheet.plant.zone)
            text = f"{day}: {_alert_name(str(alert.kind))}"
            half = text_width(text) / 2
            steps = (-36, -50, -64, -78, -92, 40, 54)
            places = [(x + at, y + dy, "middle") for dy in steps for at in (0, half - 8, 8 - half)]
            named = sheet.placing.put(text, "label halo", places)
        end = named[1] if named is not None else y - 30
        start, end = (y - 4, end + 4) if end < y else (y + 4, end - 11)
        sheet.drawing.line(x, min(start, end), x, max(start, end), "alert")


def _alert_name(kind: str) -> str:
    return {"deposit": "drift alert", "data stopped": "data stopped"}.get(kind, f"{kind} alert")


def absences(shown: pd.DataFrame) -> NDArray[np.intp]:
    """Return the stretches of days without evidence that are hatched, shape (n, 2): first, and one past the last."""
    gone = shown[NAME].isna().to_numpy()
    edges = np.flatnonzero(np.diff(np.r_[False, gone, False].astype(int))).reshape(-1, 2)
    return edges[edges[:, 1] - edges[:, 0] >= GAP_DAYS]


def _absences(sheet: Sheet, shown: pd.DataFrame) -> None:
    """Draw a hatched block wherever there was no evidence for several days, and say why."""
    y = sheet.frame.bottom - 13
    for first, last in absences(shown):
        x1, x2 = sheet.time(pd.DatetimeIndex([shown.index[first], shown.index[last - 1]]))
        sheet.drawing.hatched(float(x1), y, float(x2 - x1) + 2, 9)
        off = float(shown["hours_running"].iloc[first:last].fillna(0).mean()) < 1
        # the longest wording that fits beside the block, else the block speaks for itself
        wordings = ("no evidence: not running", "not running") if off else ("no evidence",)
        text = next((w for w in wordings if text_width(w, 12) < x2 - x1 - 12), "")
        if text:
            sheet.placing.put(text, "tick halo", [(float(x1 + x2) / 2, y - 5, "middle")])
