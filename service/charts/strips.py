"""The history of one alert over twelve months as a strip; it repeats the words beside it."""

from datetime import datetime, timedelta

from service.alerts.lifecycle import Alert, AlertState
from service.charts.drawing import Chart, Drawing
from service.charts.scales import TimeScale
from service.register.plant import Plant
from service.wording import dates

_BACK = timedelta(days=365)
_SOLID = "strip-open"  # waits for a person
_OUTLINED = "strip-known"  # acknowledged


def alert_strip(alert: Alert, now_utc: datetime, plant: Plant, *, width: float = 290.0) -> Chart:
    """Return the strip: solid not acknowledged, outlined acknowledged, hatched returned, dotted shelved."""
    drawing = Drawing(name=f"strip-{alert.number}", width=width, height=24)
    scale = TimeScale(start_utc=now_utc - _BACK, end_utc=now_utc, first=0, last=width)
    drawing.line(0, 12, width, 12, "grid")
    state = alert.state(now_utc)
    start = max(scale.start_utc, alert.raised_utc)
    end = min(now_utc, alert.withdrawn_utc or alert.ended_utc or now_utc)
    known = alert.acknowledged_utc or now_utc
    if end > scale.start_utc:
        _part(drawing, scale, start, min(known, end), _SOLID)
        if known < end:
            _part(drawing, scale, max(known, start), end, _OUTLINED)
    if state is AlertState.RETURNED_UNACKNOWLEDGED:
        x1, x2 = scale.at(max(end, scale.start_utc)), scale.at(now_utc)
        drawing.hatched(x1, 6, max(x2 - x1, 6), 12)
    if state is AlertState.SHELVED:
        drawing.line(scale.at(start), 21, width, 21, "strip-shelved")
    text = f"{alert.tag}: raised {dates.long_day(alert.raised_utc, plant.zone)}, now {state}."
    return Chart(svg=drawing.to_svg(f"History of alert {alert.number}", text), text=text)


def _part(drawing: Drawing, scale: TimeScale, start: datetime, end: datetime, kind: str) -> None:
    x1, x2 = scale.at(max(start, scale.start_utc)), scale.at(end)
    if x2 > x1:
        drawing.box(x1, 6, max(x2 - x1, 5), 12, kind)
