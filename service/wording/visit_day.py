"""The one visit that money is told for: the best day within twelve months, else the readings' last.

Lives here: which day that is and what a visit then brings. Every page, document and answer takes both
from here, so that none names another day.
"""

from dataclasses import dataclass
from datetime import datetime

from analytics.vocabulary.records import Estimate, Evaluation


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
