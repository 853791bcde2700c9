"""Which days the cost of waiting is of: the thirty days from the end of an exchanger's readings."""

from collections.abc import Sequence

from analytics.vocabulary.records import Evaluation
from service.register.plant import Plant
from service.wording import dates

DAYS = 30


def days_of_waiting(evaluation: Evaluation, plant: Plant) -> str:
    """Return ``30 days from 22 Nov``."""
    return f"{DAYS} days from {dates.short_day(evaluation.through_utc, plant.zone)}"


def shared_days(evaluations: Sequence[Evaluation], plant: Plant) -> str:
    """Return the days of the exchangers whose readings reach furthest; empty without any."""
    last = max(evaluations, key=lambda e: e.through_utc, default=None)
    return days_of_waiting(last, plant) if last is not None else ""


def other_days(evaluation: Evaluation, shared: str, plant: Plant) -> str:
    """Return ``from 3 Oct`` where the readings end on another day than the list's heading says."""
    own = days_of_waiting(evaluation, plant)
    return "" if own == shared else own.removeprefix(f"{DAYS} days ")
