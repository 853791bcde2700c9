"""The deposit of each day with all else frozen at the clean reference, and the errors the days share.

The account as it is kept (``tracking``) goes on learning about films and instruments from the days
after the reference period, and there reads a deposit some per cent low: part of what the deposit does
is laid at their door. A forecast and a proof live on differences between days, so they use each
day's own deposit, with everything else as the reference period left it. What those figures then share
is not hidden: the error of the reference, as each day's load lets it through, and the slow wander of
the instruments since.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analytics.trends.daily import DailyInformation
from analytics.trends.model import DEPOSIT, SIZE, Array
from analytics.trends.wander import (
    AGEING_K,
    AGEING_METER,
    MEMORY_DAYS,
    WANDERING,
    wander_variance,
)

# What an instrument's error may change by since the reference, per root day: K, then ln.
WALK_K, WALK_METER = 0.006, 0.0003
# A filtered level resembles that of the days before; what is left is the day's own.
ALIKE_DAYS = 25.0
OWN_SHARE = 0.2
WIDEN_TRACKED = 1.6  # its steps of a day's error are not as independent as a regression takes them


@dataclass(frozen=True, slots=True, kw_only=True)
class DepositDays:
    """Daily estimates of the deposit and what their errors have in common.

    Attributes
    ----------
    day : (n,) days since 1970, rising
    deposit, standard_error : (n,) times U0; the error is the day's own
    reference : (n, n) covariance of what the clean reference adds to it
    wander : (n, n) covariance of what the instruments' wander adds to it
    """

    day: NDArray[np.int64]
    deposit: Array
    standard_error: Array
    reference: Array
    wander: Array


def frozen_days(
    info: DailyInformation, ready: int, since: int, about: int | None = None
) -> DepositDays:
    """Return the days from ``since`` on, about the reference as the days before ``ready`` left it.

    What the instruments may have strayed by is counted from ``since``. Where days on both sides of the day
    ``about`` are compared, it is their wander as all else knows it (``wander``), and what they aged by
    from that day, either way: what they were off by then is common to all days and drops out.
    """
    own = [i for i, r in enumerate(info.renewals) if r.index == DEPOSIT]
    others = np.setdiff1d(np.arange(info.size), [DEPOSIT, *(SIZE + i for i in own)])
    early = info.day < ready
    L = info.matrix / info.scale[:, None, None]
    E = info.vector / info.scale[:, None]
    # no deposit in the reference period: all it says is said of the others
    A = info.prior_matrix + L[early].sum(axis=0)
    b = info.prior_vector + E[early].sum(axis=0)
    covariance = np.linalg.inv(A[np.ix_(others, others)])
    kept = info.day >= since
    information = np.maximum(L[kept, DEPOSIT, DEPOSIT], 1e-12)
    through = L[kept, DEPOSIT][:, others] / information[:, None]
    day = info.day[kept]
    wander = _strayed(through, day, since) if about is None else _wandered(through, day, about)
    return DepositDays(
        day=day,
        deposit=E[kept, DEPOSIT] / information - through @ covariance @ b[others],
        standard_error=information**-0.5,
        reference=through @ covariance @ through.T,
        wander=wander,
    )


def _strayed(through: Array, day: NDArray[np.int64], since: int) -> Array:
    """Return the covariance of a random walk of every instrument from a day on, (n, n)."""
    step = np.array([WALK_K] * 4 + [WALK_METER] * 2)
    return np.asarray(_each(through, step**2) * _walked(day, since))


def _wandered(through: Array, day: NDArray[np.int64], about: int) -> Array:
    """Return the covariance of every instrument's wander and ageing, (n, n)."""
    still = np.exp(-np.abs(day[:, None] - day) / MEMORY_DAYS)
    aged = np.array([AGEING_K] * 4 + [AGEING_METER] * 2)
    wander = _each(through, wander_variance()) * still
    return np.asarray(wander + _each(through, aged**2) * _walked(day, about))


def _each(through: Array, variance: Array) -> Array:
    """Return what variances of the instruments' errors (6,) do to the days, (n, n)."""
    return np.asarray((through[:, WANDERING] * variance) @ through[:, WANDERING].T)


def _walked(day: NDArray[np.int64], origin: int) -> Array:
    """Return the days that two random walks have in common, counted both ways from a day, (n, n)."""
    away = (day - origin).astype(float)
    common = np.minimum(np.abs(away[:, None]), np.abs(away))
    return np.where(away[:, None] * away > 0, common, 0.0)


def tracked_days(day: NDArray[np.int64], deposit: Array, sd: Array, since: int) -> DepositDays:
    """Return the days of the account as it is kept, for when an instrument has a say in it.

    Its error then is that of the filter: alike from day to day, and larger than it states.
    """
    kept = day >= since
    day, deposit, sd = day[kept], deposit[kept], WIDEN_TRACKED * sd[kept]
    apart = np.abs(day[:, None] - day).astype(float)
    return DepositDays(
        day=day,
        deposit=deposit,
        standard_error=np.sqrt(OWN_SHARE) * sd,
        reference=np.zeros((len(day), len(day))),
        wander=np.outer(sd, sd) * np.exp(-apart / ALIKE_DAYS),
    )
