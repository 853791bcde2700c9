"""Hours after the reference period that may be held against hours inside it.

A site's habits are no fault, and neither is the weather: what is judged by how a plant behaves is
judged on like hours of its own.
"""

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analytics.trends.account import Account
from analytics.trends.evidence import LEAST_FLOW
from analytics.vocabulary.quantities import REASON_BITS

RECENT_HOURS = 336
LEAST_HOURS = 48


def reference_and_recent(
    account: Account, qualifies: NDArray[np.bool_]
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]] | None:
    """Return masks of qualifying hours: of the reference period, and the last ones after it.

    The last hours are counted, not the last days: a summer without heat hides no finding. ``None``
    where either has too few.
    """
    assert account.period is not None
    assert account.ready is not None
    day = account.table.day
    clean = qualifies & (day >= account.period.first) & (day < account.ready)
    later = np.flatnonzero(qualifies & (day >= account.ready))[-RECENT_HOURS:]
    recent = np.zeros(len(day), dtype=bool)
    recent[later] = True
    if clean.sum() < LEAST_HOURS or len(later) < LEAST_HOURS:
        return None
    return clean, recent


def on_usual_days(account: Account, qualifies: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Keep the qualifying hours of days with at least half as many as a usual day of the reference period.

    What a plant does in the few cold hours of a summer's day is starting and stopping.
    """
    assert account.period is not None
    assert account.ready is not None
    day = account.table.day
    count = pd.Series(qualifies).groupby(day).transform("sum").to_numpy()
    clean = qualifies & (day >= account.period.first) & (day < account.ready)
    if not clean.any():
        return qualifies
    return np.asarray(qualifies & (count >= np.median(count[clean]) / 2.0))


def running(account: Account) -> NDArray[np.bool_]:
    """Return the mask of hours with flow and all readings."""
    halted = REASON_BITS["stopped"] | REASON_BITS["gap"]
    return np.asarray((account.set_aside & halted) == 0)


def loaded_hours(account: Account, least_hours: int = 0) -> NDArray[np.bool_]:
    """Return the mask of hours with load, in weather and at flows as the reference period had them.

    ``least_hours``: of the day; one that heats now and then opens and shuts the valve without hunting.
    """
    with np.errstate(invalid="ignore"):
        share = np.nanmax(account.table.flow / np.array(account.nominal), axis=1, initial=0.0)
    loaded = running(account) & (share > LEAST_FLOW)
    hours = pd.Series(loaded).groupby(account.table.day).transform("sum").to_numpy()
    loaded &= hours >= least_hours
    return np.asarray(loaded & _weather_of_reference(account, share, loaded))


def _weather_of_reference(
    account: Account, share: NDArray[np.float64], loaded: NDArray[np.bool_]
) -> NDArray[np.bool_]:
    """Hours no milder than those of the reference period: hot-water draws alone move any valve far."""
    assert account.period is not None
    assert account.ready is not None
    day = account.table.day
    clean = loaded & (day >= account.period.first) & (day < account.ready)
    outdoor = account.table.outdoor_degC
    if np.isfinite(outdoor[clean]).any():
        with np.errstate(invalid="ignore"):
            cold = outdoor <= np.nanquantile(outdoor[clean], 0.8)
        if not np.isfinite(share[clean]).any():
            return np.asarray(cold)
        with np.errstate(invalid="ignore"):
            return np.asarray(cold & (share >= np.nanquantile(share[clean], 0.2)))
    usual = pd.Series(np.where(loaded, share, np.nan)).groupby(day).transform("median").to_numpy()
    if not clean.any():
        return loaded
    with np.errstate(invalid="ignore"):
        return np.asarray(usual >= np.nanquantile(usual[clean], 0.2))
