"""How far the readings reach, and what follows where that is long ago.

Lives here: when readings count as old, and the notice that says so. Every other sentence speaks of the
day through which the readings reach, whenever it is read; beside the best day of a visit (``visit_day.py``), only here the present day comes in.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from analytics.vocabulary.records import Evaluation
from service.register.plant import Plant
from service.wording import dates
from service.wording.numbers import NBSP, count_word, number

_NAMED = 4  # exchangers that are named one by one


@dataclass(frozen=True, slots=True, kw_only=True)
class DataAge:
    """How old the newest assessed readings of an exchanger are."""

    newest_utc: datetime | None  # None: there is no reading
    days: float | None
    is_old: bool


def data_age(evaluation: Evaluation, plant: Plant, now_utc: datetime) -> DataAge:
    """Return how far the readings behind ``evaluation`` reach, seen at ``now_utc``."""
    if evaluation.health.last_utc is None:
        return DataAge(newest_utc=None, days=None, is_old=False)
    age = now_utc - evaluation.through_utc
    return DataAge(
        newest_utc=evaluation.through_utc,
        days=max(age / timedelta(days=1), 0.0),
        is_old=age > timedelta(days=plant.stale_after_days),
    )


def old_readings(evaluation: Evaluation, plant: Plant, now_utc: datetime) -> str:
    """Return the notice of one exchanger whose readings are old; empty where they are not."""
    age = data_age(evaluation, plant, now_utc)
    if not age.is_old or age.newest_utc is None:
        return ""
    day = dates.long_day(age.newest_utc, plant.zone)
    said = [
        f"The readings end on {day}, {_days(age.newest_utc, now_utc, plant)} ago: all that is said here holds for that day.",
        *_dates_gone_by(evaluation, plant, now_utc),
    ]
    return " ".join(said)


def old_plant(evaluations: Sequence[Evaluation], plant: Plant, now_utc: datetime) -> str:
    """Return the notice of a whole plant: which readings are old, and what follows."""
    ages = [(e, data_age(e, plant, now_utc)) for e in evaluations]
    known = [(e, a) for e, a in ages if a.newest_utc is not None]
    old = [(e, a) for e, a in known if a.is_old]
    if not old:
        return ""
    if len(known) == 1:
        return old_readings(old[0][0], plant, now_utc)
    if len(old) == len(known):
        newest = min((a for _, a in old), key=lambda a: a.days or 0.0)
        assert newest.newest_utc is not None
        day = dates.long_day(newest.newest_utc, plant.zone)
        ago = _days(newest.newest_utc, now_utc, plant)
        said = f"The newest readings are of {day}, {ago} ago: all that is said here holds for that day."
    else:
        named = ", ".join(_named(e, a, plant) for e, a in old[:_NAMED])
        more = f" and of {len(old) - _NAMED} more" if len(old) > _NAMED else ""
        verb = "holds for that day" if len(old) == 1 else "holds for those days"
        said = f"Old readings: those of {named}{more}. What is said of them {verb}."
    gone = sum(bool(_dates_gone_by(e, plant, now_utc)) for e, _ in old)
    if gone:
        said += f" For {count_word(gone)} of them a date that was foreseen has gone by since."
    return said


def _named(evaluation: Evaluation, age: DataAge, plant: Plant) -> str:
    assert age.newest_utc is not None
    return f"{evaluation.tag} end on {dates.long_day(age.newest_utc, plant.zone)}"


def _days(newest_utc: datetime, now_utc: datetime, plant: Plant) -> str:
    """Return the days between two dates of the site's calendar: a reader counts from date to date."""
    newest, today = (t.astimezone(plant.zone).date() for t in (newest_utc, now_utc))
    days = (today - newest).days
    return f"1{NBSP}day" if days == 1 else f"{number(days, 0)}{NBSP}days"


def _dates_gone_by(evaluation: Evaluation, plant: Plant, now_utc: datetime) -> list[str]:
    """Say which dates that were foreseen lie in the past by now."""
    said = []
    forecast, made = evaluation.forecast, evaluation.through_utc
    if forecast is not None and forecast.date_5 is not None and made < forecast.date_5 < now_utc:
        first = dates.long_day(forecast.date_5, plant.zone)
        if forecast.date_95 is not None and forecast.date_95 < now_utc:
            last = dates.long_day(forecast.date_95, plant.zone)
            said.append(
                f"The forecast lies in the past: it had the limit reached between {first} and {last}."
            )
        else:
            said.append(f"By its forecast the limit may have been passed since {first}.")
    best = evaluation.money.best_visit_utc if evaluation.money is not None else None
    if best is not None and made < best < now_utc:
        day = dates.long_day(best, plant.zone)
        said.append(f"The day on which a visit would have brought most, {day}, is past.")
    return said
