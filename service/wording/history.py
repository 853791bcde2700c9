"""The history of an alert in words: what was raised, what was withdrawn, and after which readings."""

from datetime import datetime

from service.alerts.lifecycle import Alert, AlertStep, StepKind
from service.register.plant import Plant
from service.wording import dates
from service.wording.remarks import remark_text

_OF_THE_DATA = (StepKind.RAISED, StepKind.RETURNED)


def history(alert: Alert, plant: Plant) -> tuple[tuple[datetime, str], ...]:
    """Return each step with its day, in the order in which the ledger learnt of it.

    What the data did stands at its own day; what changed a conclusion, at the day it was changed.
    """
    return tuple(_line(step, plant) for step in alert.history)


def changes(alert: Alert, plant: Plant) -> tuple[tuple[datetime, str], ...]:
    """Return the steps that changed a conclusion which stood."""
    return tuple(_line(step, plant) for step in alert.history if step.reason is not None)


def changed_lines(alert: Alert, plant: Plant) -> tuple[str, ...]:
    """Return the steps that changed a conclusion which stood, each as a line with its day."""
    found = changes(alert, plant)
    return tuple(f"{dates.short_day(at, plant.zone, year=True)}: {text}" for at, text in found)


def _line(step: AlertStep, plant: Plant) -> tuple[datetime, str]:
    day = _day_of(step)
    if step.reason is None:
        by = f", {step.by}" if step.by else ""
        return (day if step.what in _OF_THE_DATA and day else step.at_utc), f"{step.what}{by}"
    why = remark_text(step.reason, plant.units)
    to = ""
    if step.what not in (StepKind.WITHDRAWN, StepKind.ACTIVE_AGAIN) and day is not None:
        word = "to" if step.what in (StepKind.DATED_ANEW, StepKind.END_DATED_ANEW) else "for"
        to = f" {word} {dates.short_day(day, plant.zone, year=True)}"
    return step.at_utc, f"{step.what}{to} {why[:1].lower()}{why[1:]}"


def _day_of(step: AlertStep) -> datetime | None:
    ended = (StepKind.RETURNED, StepKind.END_DATED_ANEW)
    return step.ended_utc if step.what in ended else step.raised_utc
