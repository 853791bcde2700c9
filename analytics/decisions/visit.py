"""When a visit pays: possible futures of the deposit priced untouched and after a visit.

Lives here: the plan of a visit, and the classic interval between cleanings. Not here: what an hour
costs (money.py), how the deposit grows (forecast.py).
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analytics.decisions.money import COST_LINES, LineCode
from analytics.decisions.usual_year import CostTable
from analytics.vocabulary.errors import EvaluationError
from analytics.vocabulary.records import Estimate

Floats = NDArray[np.float64]

YEAR_DAYS = 365
MONTH_DAYS = 30
WEEK_DAYS = 7


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class VisitPlan:
    """Twelve months from the forecast on, untouched and with one visit; money in the tariff's currency.

    Estimates are means over the futures, so that lines add up, with the range of nine in ten. What a
    visit still saves after the twelve months is not counted: a visit that is said to pay, pays.
    """

    next_month: Estimate
    next_year_untouched: Estimate
    next_year_lines: Mapping[LineCode, Estimate]
    next_year_after_visit: Estimate
    visit_price: float | None
    net_benefit_now: Estimate | None
    best_visit: np.datetime64 | None  # None: no visit pays within twelve months, or no price
    best_net_benefit: Estimate | None
    benefit_by_date: pd.DataFrame | None  # index visit day; q05, q50, q95, mean
    chance_visit_pays: float | None  # on the best date; on today's where none pays


def plan_visit(
    deposit: Floats,
    refouling: Floats,
    table: CostTable,
    *,
    made: np.datetime64,
    price: float | None,
    rng: np.random.Generator,
    recovery_mean: float = 0.97,
    recovery_sd: float = 0.03,
    cost_relative_sd: float = 0.10,
) -> VisitPlan:
    """Weigh a visit on every week of the next twelve months against leaving the plates alone.

    Parameters
    ----------
    deposit, refouling : ndarray, shape (n, at least 366)
        Futures from the day ``made`` on: untouched, and laid down anew since a visit. In the unit of
        ``table.levels``.
    price : float or None
        Price of a visit; ``None``: costs are still told, dates are not.
    recovery_mean, recovery_sd : float
        Share of the deposit that a visit takes off.
    cost_relative_sd : float
        Doubt about the cost of a given deposit: weather, tariff, model; one factor a future.
    """
    count, length = deposit.shape
    if length < YEAR_DAYS + 1 or refouling.shape != deposit.shape:
        raise EvaluationError(
            f"visit: futures must reach {YEAR_DAYS} days ahead and come in pairs, got shapes "
            f"{deposit.shape} and {refouling.shape}."
        )
    factor = np.maximum(1.0 + cost_relative_sd * rng.standard_normal(count), 0.2)
    left = 1.0 - np.clip(recovery_mean + recovery_sd * rng.standard_normal(count), 0.0, 1.0)
    day = np.arange(YEAR_DAYS)
    month = months_ahead(made, day)
    untouched = table.cost_rate(deposit[:, :YEAR_DAYS], month) * factor[:, None]
    cleaned = left[:, None] * deposit[:, :1] + refouling[:, :YEAR_DAYS]
    after = table.cost_rate(cleaned, month).sum(axis=0) * factor[:, None]
    by_line = untouched.sum(axis=2)
    year = by_line.sum(axis=0)
    untouched_plan = VisitPlan(
        next_month=_estimate(untouched[:, :, :MONTH_DAYS].sum(axis=(0, 2))),
        next_year_untouched=_estimate(year),
        next_year_lines={code: _estimate(by_line[i]) for i, code in enumerate(COST_LINES)},
        next_year_after_visit=_estimate(after.sum(axis=1)),
        visit_price=price,
        net_benefit_now=None,
        best_visit=None,
        best_net_benefit=None,
        benefit_by_date=None,
        chance_visit_pays=None,
    )
    if price is None:
        return untouched_plan
    net = _saved_by_week(deposit, refouling, left, table, made) * factor[:, None] - price
    net[:, 0] = year - after.sum(axis=1) - price
    mean = net.mean(axis=0)
    best = int(mean.argmax())
    pays = bool(mean[best] > 0)
    q05, q50, q95 = np.quantile(net, (0.05, 0.50, 0.95), axis=0)
    dates = made + np.arange(0, YEAR_DAYS, WEEK_DAYS).astype("timedelta64[D]")
    return replace(
        untouched_plan,
        net_benefit_now=_estimate(net[:, 0]),
        best_visit=dates[best] if pays else None,
        best_net_benefit=_estimate(net[:, best]) if pays else None,
        benefit_by_date=pd.DataFrame(
            {"q05": q05, "q50": q50, "q95": q95, "mean": mean},
            index=pd.DatetimeIndex(dates, name="day", tz="UTC"),
        ),
        chance_visit_pays=float((net[:, best if pays else 0] > 0).mean()),
    )


def _saved_by_week(
    deposit: Floats, refouling: Floats, left: Floats, table: CostTable, made: np.datetime64
) -> Floats:
    """Return what a visit saves in the rest of the year by week of the visit, shape (n, weeks).

    A week is priced by its middle day; where a month begins within it, each part by its own. Without
    that a mild November's last days cost as much as December's, and the best day falls before a month.
    """
    day = np.arange(YEAR_DAYS)
    month = months_ahead(made, day)
    begins = (day % WEEK_DAYS == 0) | np.r_[True, np.diff(month) != 0]
    start = day[begins]
    length = np.diff(np.r_[start, YEAR_DAYS])
    middle = start + length // 2
    month = month[start]
    untouched = table.cost_rate(deposit[:, middle], month).sum(axis=0) * length
    visits = np.flatnonzero(start % WEEK_DAYS == 0)
    saved = np.empty((len(deposit), len(visits)))
    for week, i in enumerate(visits):
        visit = start[i]
        again = refouling[:, middle[i:] - visit]
        cleaned = left[:, None] * deposit[:, visit, None] + again
        after = table.cost_rate(cleaned, month[i:]).sum(axis=0) * length[i:]
        saved[:, week] = (untouched[:, i:] - after).sum(axis=1)
    return saved


def months_ahead(made: np.datetime64, ahead: NDArray[np.int64]) -> NDArray[np.intp]:
    """Return the calendar months, 0 to 11, of the days ``ahead`` of the day ``made``, shape (n,)."""
    day = made.astype("datetime64[D]") + ahead.astype("timedelta64[D]")
    return np.asarray(day.astype("datetime64[M]").astype(int) % 12, dtype=np.intp)


def _estimate(draws: Floats) -> Estimate:
    low, high = np.quantile(draws, (0.05, 0.95))
    value = float(draws.mean())
    # a mean may lie beyond the range of a very skew draw; the record keeps the order
    return Estimate(value=value, low=min(float(low), value), high=max(float(high), value))


@dataclass(frozen=True, slots=True, kw_only=True)
class EconomicInterval:
    """How often cleaning costs least: days between visits and the least average cost a day."""

    days: float
    average_cost_per_day: float


def economic_interval(
    price: float, days: Floats, cost_rate: Floats, *, outage_days: float = 0.0
) -> EconomicInterval | None:
    """Return the interval between cleanings with the least average cost, or ``None``: never clean.

    The average over a cycle, ``(price + integral of the rate up to t) / (t + outage)``, is least
    where the rate has grown to equal it. With a rate that levels off before, that never happens.

    Parameters
    ----------
    price : float
        Of one cleaning.
    days, cost_rate : ndarray, shape (n,)
        Days since a cleaning, rising from 0, and the cost a day then; straight between them.
        ``None`` is returned too when the least lies beyond the last day.
    outage_days : float
        Days of a cleaning without operation.

    References
    ----------
    .. [1] The algebra of the lot-size formula: with a rate b t, t = sqrt(2 price / b). A. C. Caputo
       et al., Appl. Therm. Eng. 31 (2011) 1381-1392, on cleaning intervals of exchangers.
    """
    if not price > 0 or len(days) < 2 or days[0] != 0 or (np.diff(days) <= 0).any():
        raise EvaluationError(
            f"visit: needs a positive price and rising days from 0, got {price!r} and {days[:3]!r}."
        )
    steps = np.diff(days) * (cost_rate[1:] + cost_rate[:-1]) / 2.0
    spent = np.concatenate([[0.0], np.cumsum(steps)])
    excess = cost_rate * (days + outage_days) - spent - price
    beyond = np.flatnonzero(excess >= 0)
    if not len(beyond):
        return None
    i = max(int(beyond[0]), 1)
    share = float(-excess[i - 1] / (excess[i] - excess[i - 1]))
    return EconomicInterval(
        days=float(days[i - 1] + share * (days[i] - days[i - 1])),
        average_cost_per_day=float(cost_rate[i - 1] + share * (cost_rate[i] - cost_rate[i - 1])),
    )
