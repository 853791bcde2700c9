"""The page of alerts: unacknowledged first, state in words beside the action."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time

from fastapi import Request
from fastapi.responses import HTMLResponse, RedirectResponse

from analytics.vocabulary.errors import PlateledgerError
from service.alerts.lifecycle import Alert, AlertState, needs_a_person
from service.charts.drawing import Chart
from service.charts.strips import alert_strip
from service.pages.rendering import ledger_of, message_page, now, page
from service.register.plant import Plant
from service.wording import dates
from service.wording.causes import role_label
from service.wording.history import history
from service.wording.numbers import count_word
from service.wording.remarks import remark_text
from service.wording.staleness import old_plant

_OPEN = (AlertState.UNACKNOWLEDGED, AlertState.RETURNED_UNACKNOWLEDGED, AlertState.ACKNOWLEDGED,
         AlertState.SHELVED, AlertState.SUPPRESSED, AlertState.OUT_OF_SERVICE)  # fmt: skip
_CHOICES: tuple[tuple[str, str, tuple[AlertState, ...]], ...] = (
    ("open", "Open", _OPEN),
    ("unacknowledged", "Not acknowledged", _OPEN[:2]),
    ("acknowledged", "Acknowledged", (AlertState.ACKNOWLEDGED,)),
    ("shelved", "Shelved", (AlertState.SHELVED,)),
    ("closed", "Closed", (AlertState.NORMAL,)),
)
_TITLES = {
    "deposit": "Drift: approach above clean",
    "thermometer": "Thermometer off",
    "flow meter": "Flow meter off",
    "building side": "Secondary return too warm",
    "controls": "Controls hunting",
    "too few plates": "Too few plates",
    "parallel flow": "Streams in parallel flow",
    "blocked strainer": "Strainer blocked",
    "data stopped": "Data stopped",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One alert in words."""

    number: int | None
    tag: str
    building: str
    title: str
    said: str
    state: str
    lasting: str
    waits: bool
    shelved: bool
    strip: Chart
    history: tuple[tuple[str, str], ...]


def show(request: Request, choice: str = "open") -> HTMLResponse:
    """Answer the list of alerts."""
    ledger = ledger_of(request)
    plant, alerts, at = ledger.plant(), ledger.alerts(), now(request)
    states = {key: kinds for key, _, kinds in _CHOICES}.get(choice, _OPEN)
    shown = [a for a in alerts if a.state(at) in states]
    ranks = list(AlertState)
    shown.sort(
        key=lambda a: (
            not needs_a_person(a, at),
            ranks.index(a.state(at)),
            -a.raised_utc.timestamp(),
        )
    )
    opening, rest = _sentence(alerts, at, plant)
    sieves = [
        (key, label, sum(a.state(at) in kinds for a in alerts)) for key, label, kinds in _CHOICES
    ]
    rates = {e.limits.false_alerts_per_year for e in plant.exchangers}
    return page(
        request, "alerts.html", title="Alerts", opening=opening, rest=rest, sieves=sieves,
        choice=choice, rows=[_row(a, at, plant) for a in shown], rate=_rate(rates),
        soonest=at.astimezone(plant.zone).date().isoformat(),
        old=old_plant(ledger.evaluations(), plant, at),
    )  # fmt: skip


def _rate(rates: set[float]) -> str:
    if len(rates) != 1:
        return "The false-alert rate of drift alerts is set for each exchanger in the register."
    rate = rates.pop()
    years = f"{1 / rate:,.0f}" if rate > 0 else "infinitely many"
    return f"Drift alerts are set to one false alert in {years} exchanger-years."


def _sentence(alerts: Sequence[Alert], at: datetime, plant: Plant) -> tuple[str, str]:
    waiting = [a for a in alerts if needs_a_person(a, at)]
    known = sum(a.state(at) is AlertState.ACKNOWLEDGED for a in alerts)
    if not waiting:
        rest = f"{count_word(known).capitalize()} still active and acknowledged." if known else ""
        return "No alert waits for your acknowledgement.", rest
    noun = "alert waits" if len(waiting) == 1 else "alerts wait"
    said = [f"{a.tag}, {_title(a)[:1].lower()}{_title(a)[1:]}" for a in waiting[:2]]
    more = f"; and {count_word(len(waiting) - 2)} more" if len(waiting) > 2 else ""
    return (
        f"{count_word(len(waiting)).capitalize()} {noun} for your acknowledgement:",
        f"{'; '.join(said)}{more}.",
    )


def _title(alert: Alert) -> str:
    title = _TITLES.get(str(alert.kind), str(alert.kind).capitalize())
    return f"{title}: {role_label(alert.subject)}" if alert.subject else title


def _row(alert: Alert, at: datetime, plant: Plant) -> Row:
    exchanger, state = plant.exchanger(alert.tag), alert.state(at)
    since = alert.ended_utc if alert.ended_utc and not alert.is_active(at) else alert.raised_utc
    lasting = f"since {dates.long_day(since, plant.zone, year=True)}"
    if state is AlertState.SHELVED and alert.shelved_until_utc is not None:
        lasting = f"until {dates.long_day(alert.shelved_until_utc, plant.zone)}"
    if alert.withdrawn_utc is not None:
        lasting = f"withdrawn on {dates.long_day(alert.withdrawn_utc, plant.zone, year=True)}"
    return Row(
        number=alert.number,
        tag=alert.tag,
        building=exchanger.building if exchanger is not None else "",
        title=_title(alert),
        said=f"{remark_text(alert.remark, plant.units)}.",
        state=f"{str(state)[:1].upper()}{str(state)[1:]}",
        lasting=lasting,
        waits=needs_a_person(alert, at),
        shelved=state is AlertState.SHELVED,
        strip=alert_strip(alert, at, plant),
        history=_history(alert, at, plant),
    )


def _history(alert: Alert, at: datetime, plant: Plant) -> tuple[tuple[str, str], ...]:
    if alert.history:
        return tuple(
            (dates.short_day(t, plant.zone, year=True), said) for t, said in history(alert, plant)
        )
    by = f", {alert.acknowledged_by}" if alert.acknowledged_by else ""
    steps = [  # of a ledger that kept no history yet
        (alert.raised_utc, "raised"),
        (alert.acknowledged_utc, f"acknowledged{by}"),
        (alert.ended_utc if not alert.is_active(at) else None, "returned to normal"),
        (alert.withdrawn_utc, "withdrawn: corrected data no longer raise it"),
    ]
    dated = sorted((t, said) for t, said in steps if t is not None)
    return tuple((dates.short_day(t, plant.zone, year=True), said) for t, said in dated)


async def acknowledge(request: Request, number: int) -> HTMLResponse | RedirectResponse:
    """Acknowledge an alert and return to the list."""
    async with request.form() as form:
        by = str(form.get("by", ""))[:80]
    try:
        ledger_of(request).acknowledge_alert(number, by=by)
    except PlateledgerError as exc:
        return _refused(request, str(exc))
    return RedirectResponse("/alerts", status_code=303)


async def shelve(request: Request, number: int) -> HTMLResponse | RedirectResponse:
    """Shelve an alert until the end of a day, or take it off the shelf when no day is given."""
    async with request.form() as form:
        text, by = str(form.get("until", "")).strip(), str(form.get("by", ""))[:80]
    until: datetime | None = None
    if text:
        try:
            day = date.fromisoformat(text)
        except ValueError:
            return _refused(request, f"{text!r} is no day. Write it as 2027-03-01.")
        zone = ledger_of(request).plant().zone
        until = datetime.combine(day, time(23, 59), tzinfo=zone).astimezone(UTC)
    try:
        ledger_of(request).shelve_alert(number, until_utc=until, by=by)
    except PlateledgerError as exc:
        return _refused(request, str(exc))
    return RedirectResponse("/alerts", status_code=303)


def _refused(request: Request, text: str) -> HTMLResponse:
    return message_page(
        request,
        "The alert was left as it was.",
        text,
        status=422,
        action=("/alerts", "Back to the alerts"),
    )
