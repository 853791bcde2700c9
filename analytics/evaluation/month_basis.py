"""What the cost of the thirty days to come is reckoned with, beside the thirty days before.

Lives here: load and weather of both. Not here: what an hour costs (``outlook``), the usual year itself
(``decisions.usual_year``).
"""

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analytics.decisions.money import RunningHours
from analytics.decisions.usual_year import TypicalYear, typical_year
from analytics.decisions.visit import MONTH_DAYS, YEAR_DAYS, months_ahead
from analytics.trends.account import Account
from analytics.vocabulary.records import Estimate, MonthBasis

Days = NDArray[np.datetime64]


def days_of(account: Account) -> Days:
    """Return the UTC day of each row of the account's table, shape (n,)."""
    start = np.asarray(account.table.start.tz_localize(None).as_unit("s"))
    return start.astype("datetime64[D]")


def usual_year(account: Account, hours: RunningHours) -> TypicalYear:
    """Return the usual year with which costs to come are reckoned, of hours that ran."""
    return typical_year(hours, np.unique(days_of(account)))


def month_basis(
    account: Account,
    hours: RunningHours,
    year: TypicalYear,
    by_hour: pd.DataFrame,
    made: np.datetime64,
) -> MonthBasis | None:
    """Return the load of the thirty days from ``made`` on, and load and cost of the thirty before.

    Parameters
    ----------
    hours : RunningHours
        All hours that ran since the reference was ready.
    by_hour : DataFrame
        Cost by hour of the same, as ``money.avoidable`` gives it.

    Returns
    -------
    basis : MonthBasis or None
        ``None`` where a day of the thirty before was not logged, or is older than the reference.
    """
    day, end = days_of(account), made.astype("datetime64[D]")
    begin = end - np.timedelta64(MONTH_DAYS, "D")
    before = (day >= begin) & (day < end)
    whole = len(np.unique(day[before])) == MONTH_DAYS
    if not whole or account.ready is None or begin < np.datetime64(account.ready, "D"):
        return None
    ran = hours.time_utc.astype("datetime64[D]")
    stamps = pd.DatetimeIndex(by_hour.index).tz_localize(None)
    spent = by_hour[(stamps >= begin) & (stamps < end)].sum()
    value = float(spent["avoidable_cost"])
    month = months_ahead(end, np.arange(MONTH_DAYS))
    last_year = day > end - np.timedelta64(YEAR_DAYS, "D")
    seen = bool(year.seen[month].all())
    return MonthBasis(
        cost_before=Estimate(
            value=value,
            low=min(float(spent["avoidable_cost_low"]), value),
            high=max(float(spent["avoidable_cost_high"]), value),
        ),
        load_before_W=float(hours.heat_W[(ran >= begin) & (ran < end)].sum()) / (24.0 * MONTH_DAYS),
        load_W=year.load_W(month),
        outdoor_before_degC=_mean_outdoor(account, before),
        outdoor_degC=_mean_outdoor_of(account, last_year, month) if seen else None,
        months_seen=seen,
    )


def _mean_outdoor(account: Account, chosen: NDArray[np.bool_]) -> float | None:
    outdoor = account.table.outdoor_degC[chosen]
    known = outdoor[np.isfinite(outdoor)]
    return float(known.mean()) if len(known) else None


def _mean_outdoor_of(
    account: Account, chosen: NDArray[np.bool_], month: NDArray[np.intp]
) -> float | None:
    """Return the mean over the chosen rows of these months, each as often as ``month`` has it."""
    of = days_of(account).astype("datetime64[M]").astype(int) % 12
    means = {m: _mean_outdoor(account, chosen & (of == m)) for m in np.unique(month)}
    found = [means[m] for m in month]
    known = [f for f in found if f is not None]
    return float(np.mean(known)) if len(known) == len(found) else None
