"""How the deposit will grow: laws of growth weighed against each other by what the days show.

Lives here: which days count, quantiles and dates. Not here: the laws and their filter (growth.py), the
daily account it reads (trends), what the deposit costs (money.py).

The deposit is dimensionless here: the fouling resistance times U clean at the reference condition, so
that 0.25 costs a fifth of U there. What is held of deposits before any was seen (how large, how uneven)
is meant in that unit. A day's estimate is modelled as

    estimate = amplitude * law(days since onset) + wander + shared errors + noise of the day

where the wander is a random walk with a wandering rate: no real deposit follows a law to the letter,
and an interval without it is far too narrow. The shared errors are those of the clean reference, of
the instruments' wander since, and of the reading as a share of the deposit. What is foreseen is the deposit itself, without them and never negative.
A growth that has not begun when the forecast is made is not foreseen.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analytics.decisions.growth import (
    FoulingDraw,
    Observed,
    Posterior,
    draw_futures,
    models_of_growth,
    weigh_models,
    weight_by_family,
)
from analytics.vocabulary.errors import EvaluationError

Floats = NDArray[np.float64]
Days = NDArray[np.datetime64]

QUANTILES = (0.05, 0.25, 0.50, 0.75, 0.95)

_FAN_PATHS = 1200
_SMOOTHING_DAYS = 21
_LEAST_LEFT = 0.05
_WILD_DAYS = 15  # about the middle of so many a day is called wild
_WILD = 4.0  # standard deviations; beyond, a day gets the error that puts it there: it pulls less
_ROWS_MOST = 150  # more days than that are averaged in groups: the law's shape does not need them


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Crossing:
    """When a limit is reached, in days after the forecast was made.

    ``None``: that quantile does not lie within the horizon. 0: it is reached already.
    """

    day_5: float | None
    day_50: float | None
    day_95: float | None
    chance_within_horizon: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FoulingForecast:
    """The future of the deposit as foreseen on day ``made``, from data up to that day.

    ``quantiles`` is (5, horizon) for :data:`QUANTILES`; ``now`` the same five for the day itself.
    ``laws`` tells the weight of each family of growth. ``unit_fouling`` times a deposit here is a
    fouling resistance. [m2 K/W]
    """

    made: np.datetime64
    unit_fouling: float
    days_ahead: NDArray[np.int64]
    quantiles: Floats
    now: Floats
    laws: Mapping[str, float]
    posterior: Posterior
    fan: Floats  # the futures the quantiles are read from, (n, 1 + horizon), from the day itself on

    def draw(self, count: int, rng: np.random.Generator) -> FoulingDraw:
        """Draw ``count`` futures that follow the mixture."""
        return draw_futures(self.posterior, count, len(self.days_ahead), rng)

    def samples(self, count: int, rng: np.random.Generator) -> Floats:
        """Draw ``count`` futures of the untouched exchanger, shape (count, horizon)."""
        return self.draw(count, rng).deposit[:, 1:]

    def crossing(self, limit: float) -> Crossing:
        """Tell when the deposit first reaches ``limit`` (dimensionless, as the estimates)."""
        reached = self.fan >= limit
        day = np.sort(np.where(reached.any(axis=1), reached.argmax(axis=1), np.inf))
        at = (float(day[int(q * len(day))]) for q in (0.05, 0.50, 0.95))
        day_5, day_50, day_95 = (None if np.isinf(d) else d for d in at)
        return Crossing(
            day_5=day_5,
            day_50=day_50,
            day_95=day_95,
            chance_within_horizon=float(np.isfinite(day).mean()),
        )


def forecast_fouling(
    days: Days,
    fouling: Floats,
    standard_error: Floats,
    *,
    unit_fouling: float,
    clean_since: np.datetime64,
    reference: Floats,
    wander: Floats,
    made: np.datetime64,
    begun: float | None = None,
    horizon_days: int = 730,
    start_sd: float = 0.002,
    seed: int = 0,
) -> FoulingForecast:
    """Foresee the deposit from its daily estimates up to and including the day ``made``.

    Parameters
    ----------
    days : ndarray of datetime64[D], shape (n,)
        Rising. Days after ``made`` and before ``clean_since`` are not used.
    fouling, standard_error : ndarray, shape (n,)
        Daily estimate of the deposit (dimensionless) and its standard error without what the days
        share. NaN: no evidence that day.
    unit_fouling : float
        Fouling resistance of one unit of ``fouling``; carried along. [m2 K/W]
    clean_since : datetime64[D]
        The day it was last known clean: end of a visit, or begin of the clean period.
    reference, wander : ndarray, shape (n, n)
        Covariances of the errors the days share: of the clean reference as stated, and of the wander
        of the instruments since.
    made : datetime64[D]
    begun : float, optional
        Days from ``clean_since`` to the day an alarm dates the beginning of the growth to.
    horizon_days : int
    start_sd : float
        How far from clean it may have been on ``clean_since``.
    seed : int
        Seeds the drawing of the futures that the quantiles are read from.

    Raises
    ------
    EvaluationError
        If there is no estimate to go on, or the arrays differ in length.

    References
    ----------
    .. [1] D. Q. Kern and R. E. Seaton, Brit. Chem. Eng. 4 (1959), 258-262: asymptotic growth.
    .. [2] A. C. Harvey, Forecasting, Structural Time Series Models and the Kalman Filter,
       Cambridge, 1989: the filter and its likelihood.
    """
    n = len(days)
    if not n == len(fouling) == len(standard_error) == len(reference) == len(wander):
        raise EvaluationError(
            f"forecast: {n} days, {len(fouling)} estimates, {len(standard_error)} standard errors "
            f"and shared errors of {len(reference)} and {len(wander)} days. Give one of each a day."
        )
    use = (days >= clean_since) & (days <= made) & np.isfinite(fouling) & (standard_error > 0)
    if not use.any():
        raise EvaluationError(
            f"forecast: no estimate of the deposit between {clean_since} and {made}."
        )
    age = ((days[use] - clean_since) / np.timedelta64(1, "D")).astype(float)
    value, error = fouling[use].astype(float), standard_error[use].astype(float)
    among = np.ix_(use, use)
    observed = Observed(
        age=age, value=value, start_sd=start_sd,
        covariance=np.diag(_own_variance(value, error)) + wander[among] + reference[among],
    )  # fmt: skip
    span = float((made - clean_since) / np.timedelta64(1, "D"))
    posterior = weigh_models(models_of_growth(span, begun), observed, span, _averaged(observed))
    fan = draw_futures(posterior, _FAN_PATHS, horizon_days, np.random.default_rng(seed)).deposit
    quantiles = np.quantile(fan, QUANTILES, axis=0)
    return FoulingForecast(
        made=made,
        unit_fouling=unit_fouling,
        days_ahead=np.arange(1, horizon_days + 1),
        quantiles=quantiles[:, 1:],
        now=quantiles[:, 0],
        laws=weight_by_family(posterior.law, posterior.weight),
        posterior=posterior,
        fan=fan,
    )


def _own_variance(value: Floats, error: Floats) -> Floats:
    """Return the variance of each day's own error: as the days scatter, and more for wild days."""
    error = error * _understatement(value, error)
    middle = pd.Series(value).rolling(_WILD_DAYS, center=True, min_periods=1).median().to_numpy()
    return np.asarray(np.maximum(error, np.abs(value - middle) / _WILD) ** 2)


def _averaged(observed: Observed) -> Floats:
    """Return what averages neighbouring days into at most :data:`_ROWS_MOST` rows, (rows, n)."""
    n = len(observed.age)
    group = np.arange(n) // -(-n // _ROWS_MOST)
    weight = 1.0 / np.diag(observed.covariance)
    into = (group == np.arange(group[-1] + 1)[:, None]) * weight
    return np.asarray(into / into.sum(axis=1, keepdims=True))


def _understatement(value: Floats, error: Floats) -> float:
    """Return by how much the stated errors must grow to explain how the days scatter.

    Errors that resemble those of the days before count for fewer days: the variance of a mean grows
    by (1 + r)/(1 - r). Both are read from what is left beside a mean over three weeks, in which a day
    counts by what it knows: a day of hardly any load would else speak for its neighbours.
    """
    if len(value) < 2 * _SMOOTHING_DAYS:
        return 1.0
    inside = slice(_SMOOTHING_DAYS // 2, len(value) - _SMOOTHING_DAYS // 2)
    window = np.ones(_SMOOTHING_DAYS)
    weight = error**-2.0
    total = np.convolve(weight, window, mode="valid")
    mean = np.convolve(weight * value, window, mode="valid") / total
    # a day that knows more than all beside it is its own mean, and tells nothing
    left = np.sqrt(np.maximum(1.0 - weight[inside] / total, _LEAST_LEFT))
    rest = (value[inside] - mean) / (error[inside] * left)
    scatter = 1.4826 * float(np.median(np.abs(rest - np.median(rest))))
    rest = np.clip(rest, -4.0 * scatter, 4.0 * scatter)
    power = float(np.dot(rest, rest))
    alike = float(np.dot(rest[1:], rest[:-1])) / power if power > 0 else 0.0
    alike = min(max(alike, 0.0), 0.8)
    return max(1.0, scatter * float(np.sqrt((1.0 + alike) / (1.0 - alike))))
