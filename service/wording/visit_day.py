"""The one visit that money is told for: the best day within twelve months, else the readings' last.

Lives here: which day that is, what a visit then brings, and how the day is told. Every page, document
and answer takes them from here, so that none names another day. A best day that is today, or went by,
is no day to keep any more: the visit is then due as soon as it can be arranged.
"""

from dataclasses import dataclass
from datetime import datetime

from analytics.vocabulary.records import Estimate, Evaluation
from service.register.plant import Plant
from service.wording import dates

SOON = "as soon as it can be arranged"


@dataclass(frozen=True, slots=True, kw_only=True)
class VisitDay:
    """A day of a visit and its net benefit over the twelve months from the readings' end."""

    at_utc: datetime
    net_benefit: Estimate  # in the tariff's currency


def visit_day(evaluation: Evaluation) -> VisitDay | None:
    """Return the visit that is spoken of; ``None`` without a price of a visit, or any known cost."""
    money = evaluation.money
    if money is None or money.net_benefit_now is None:
        return None
    if money.best_visit_utc is None or money.best_net_benefit is None:
        return VisitDay(at_utc=evaluation.through_utc, net_benefit=money.net_benefit_now)
    return VisitDay(at_utc=money.best_visit_utc, net_benefit=money.best_net_benefit)


def is_due(evaluation: Evaluation, plant: Plant, now_utc: datetime) -> bool:
    """Tell whether the best day of a visit is today or went by, in the site's calendar."""
    best = evaluation.money.best_visit_utc if evaluation.money is not None else None
    if best is None:
        return False
    return best.astimezone(plant.zone).date() <= now_utc.astimezone(plant.zone).date()


def best_when(evaluation: Evaluation, plant: Plant, now_utc: datetime) -> str:
    """Return ``about 7 December 2026``, or ``as soon as it can be arranged``; empty where no visit pays."""
    best = evaluation.money.best_visit_utc if evaluation.money is not None else None
    if best is None:
        return ""
    if is_due(evaluation, plant, now_utc):
        return SOON
    return f"about {dates.long_day(best, plant.zone)}"


def reckoned_for(evaluation: Evaluation, plant: Plant, now_utc: datetime) -> str:
    """Return as a sentence for which day a visit that is due was reckoned; empty where it has a day."""
    spoken_of = visit_day(evaluation)
    if spoken_of is None or not is_due(evaluation, plant, now_utc):
        return ""
    day = dates.long_day(spoken_of.at_utc, plant.zone)
    return (
        f"What a visit brings is reckoned for {day}; each day since takes off what waiting costs."
    )
