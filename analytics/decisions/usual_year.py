"""A usual year of running hours, and what each level of deposit costs in it.

Lives here: filling months that were not seen, and the table of costs by level and month. Not here:
what a single hour costs (money.py), when a visit pays (visit.py).
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from analytics.decisions.money import ConductanceModel, Hydraulics, RunningHours, costs_of_hours
from analytics.vocabulary.errors import EvaluationError
from analytics.vocabulary.records import Tariff

Floats = NDArray[np.float64]

_DAYS_IN_MONTH = np.array([31, 28.25, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31])
# How cold the months are, January 1, July -1: what a month that was not seen is taken to be like.
_COLDNESS = np.cos(2.0 * np.pi * np.arange(12) / 12.0)
_COLDNESS_OF_NO_HEATING = -0.6
_LEVELS = 7
_ROWS_MOST = 1500


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TypicalYear:
    """Rows whose ``hours`` add up to a usual year's running hours, with their calendar month."""

    rows: RunningHours
    month: NDArray[np.intp]  # 0 to 11, the month each row stands for
    share_observed: float  # of the year's days whose months were seen; the rest stands in
    seen: NDArray[np.bool_]  # (12,) months that were seen

    def load_W(self, month: NDArray[np.intp]) -> float:
        """Return the mean load over days of these months (0 to 11), shape (days,), at rest or not. [W]"""
        taken = self.rows.heat_W * self.rows.hours
        by_month = np.bincount(self.month, weights=taken, minlength=12) / (24.0 * _DAYS_IN_MONTH)
        return float(by_month[month].mean())


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CostTable:
    """Cost of a deposit a day, by line, level of deposit and calendar month."""

    levels: Floats  # (k,), evenly spaced from nought, in the unit of the conductance model
    per_day: Floats  # (lines, k, 12)
    share_observed: float

    def cost_rate(self, fouling: Floats, month: NDArray[np.intp]) -> Floats:
        """Return cost a day by line, shape (lines, *shape); beyond the last level on the last slope.

        ``month`` 0 to 11, broadcasts with ``fouling``. A negative deposit costs nothing.
        """
        fouling, month = np.broadcast_arrays(np.maximum(fouling, 0.0), month)
        position = fouling / self.levels[1]
        at = np.minimum(position.astype(int), len(self.levels) - 2)
        lower, upper = self.per_day[:, at, month], self.per_day[:, at + 1, month]
        return np.asarray(lower + (position - at) * (upper - lower))


def typical_year(
    hours: RunningHours, logged_days: NDArray[np.datetime64] | None = None
) -> TypicalYear:
    """Make a usual year of the last twelve months of ``hours``, filling months that were not seen.

    A month seen for some days stands for all of them. A month not seen is given the rows of the seen
    one whose cold is nearest (November for March), fewer of them as the difference grows, and none
    in a summer whose like was not seen.

    Parameters
    ----------
    logged_days : ndarray of datetime64[D], optional
        Days with trends, running or not. Without: every day from the first hour to the last.
    """
    hours = hours.usable()
    if not len(hours):
        raise EvaluationError("money: no running hour to make a usual year of.")
    day = hours.time_utc.astype("datetime64[D]")
    last = day.max() if logged_days is None else logged_days.max()
    first = last - np.timedelta64(364, "D")
    hours = hours.subset(day >= first)
    if logged_days is None:
        logged_days = np.arange(max(first, day.min()), last + np.timedelta64(1, "D"))
    logged_days = np.unique(logged_days[logged_days >= first].astype("datetime64[D]"))
    seen_days = np.bincount(_month(logged_days), minlength=12).astype(float)
    seen = seen_days >= 3
    if not seen.any():
        seen = seen_days > 0
    month = _month(hours.time_utc)
    pieces, months = [], []
    for target in range(12):
        source, load = _stand_in(target, seen)
        rows = np.flatnonzero(month == source)
        piece = hours.subset(rows)
        scale = load * _DAYS_IN_MONTH[target] / seen_days[source]
        pieces.append(replace(piece, hours=piece.hours * scale))
        months.append(np.full(len(rows), target))
    joined = {
        name: np.concatenate([getattr(piece, name) for piece in pieces])
        for name in RunningHours.__slots__
    }
    return TypicalYear(
        rows=RunningHours(**joined),
        month=np.concatenate(months).astype(np.intp),
        share_observed=float(_DAYS_IN_MONTH[seen].sum() / _DAYS_IN_MONTH.sum()),
        seen=seen,
    )


def _month(time: NDArray[np.datetime64]) -> NDArray[np.intp]:
    return np.asarray(time.astype("datetime64[M]").astype(int) % 12, dtype=np.intp)


def _stand_in(target: int, seen: NDArray[np.bool_]) -> tuple[int, float]:
    """Return the month whose rows stand for ``target``, and the share of them."""
    if seen[target]:
        return target, 1.0
    apart = np.where(seen, np.abs(_COLDNESS - _COLDNESS[target]), np.inf)
    source = int(apart.argmin())
    load = (_COLDNESS[[target, source]] - _COLDNESS_OF_NO_HEATING).clip(min=0.0)
    if apart[source] < 0.3 or load[1] == 0.0:
        return source, 1.0
    return source, float(min(load[0] / load[1], 1.5))


def cost_table(
    year: TypicalYear,
    model: ConductanceModel,
    tariff: Tariff,
    hydraulics: Hydraulics,
    *,
    fouling_most: float,
) -> CostTable:
    """Work the usual year out at evenly spaced levels of deposit up to ``fouling_most``."""
    if not fouling_most > 0:
        raise EvaluationError(
            f"money: the largest deposit of a cost table must be positive, got {fouling_most!r}."
        )
    every = max(1, -(-len(year.rows) // _ROWS_MOST))
    chosen = np.arange(every // 2, len(year.rows), every)
    month = year.month[chosen]
    rows = year.rows.subset(chosen)
    whole = np.bincount(year.month, weights=year.rows.hours, minlength=12)
    part = np.bincount(month, weights=rows.hours, minlength=12)
    thinned = np.divide(whole, part, out=np.zeros(12), where=part > 0)
    rows = replace(rows, hours=rows.hours * thinned[month])
    levels = np.linspace(0.0, fouling_most, _LEVELS)
    cost = [
        costs_of_hours(rows, np.full(len(rows), level), model, tariff, hydraulics)
        for level in levels
    ]
    into_months = (month[:, None] == np.arange(12)).astype(float) / _DAYS_IN_MONTH
    extra = (np.array(cost) - cost[0]) @ into_months
    return CostTable(
        levels=levels,
        per_day=np.ascontiguousarray(extra.transpose(1, 0, 2)),
        share_observed=year.share_observed,
    )
