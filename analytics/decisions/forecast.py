"""How the deposit will grow: laws of growth weighed against each other by what the days show.

Lives here: the mixture of laws over dates of onset, its weights, its future. Not here: the daily
account it reads (trends), what the deposit costs (money.py).

The deposit is dimensionless here: the fouling resistance times U clean, so that 0.25 costs a fifth
of U. A day's estimate is modelled as

    estimate = amplitude * law(days since onset) + wander + common error + noise of the day

where the wander is a random walk with a wandering rate: no real deposit follows a law to the letter,
and an interval without it is far too narrow. The common error is that of the clean reference, the
same every day. What is foreseen is the deposit itself, without the common error and never negative.
A growth that has not begun when the forecast is made is not foreseen.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter
from scipy.special import log_ndtr, ndtr, ndtri

from analytics.vocabulary.errors import EvaluationError

Floats = NDArray[np.float64]
Days = NDArray[np.datetime64]

QUANTILES = (0.05, 0.25, 0.50, 0.75, 0.95)

# How unevenly deposits grow: the rate departs from its law by so much (a day, one standard
# deviation), and comes back within so many days. How uneven this one is, its own days tell: all
# three are tried. Clean plates, and those with a deposit that came at one stroke, are the evenest.
RATE_SD = (5.0e-5, 2.5e-4, 1.0e-3)
RATE_MEMORY_DAYS = 45.0
LEVEL_WANDER = 6.0e-4  # a day
# How large a deposit is after half a year, before any of it was seen (half normal).
AMPLITUDE_SD = 0.15
YARDSTICK_DAYS = 180.0
# One deposit in two begins with the clean exchanger; else it may begin any day, about once in four
# years. Without this a start in the last days, which no data can deny, would look likely.
CHANCE_FROM_THE_START = 0.5
ONSETS_PER_DAY = 1.0 / 1500.0
LARGEST_SQUARED_INNOVATION = 16.0  # a wild day counts no more than four standard deviations
ONSETS_MOST = 25
ONSET_STEP_DAYS = 6.0
_FAN_PATHS = 3000
_SMOOTHING_DAYS = 21


@dataclass(frozen=True, slots=True)
class _Law:
    """A shape of growth over the days since onset; 1 after half a year, or at its end."""

    family: str
    kind: str
    parameter: float

    def shape(self, days: Floats) -> Floats:
        """Return the law at ``days`` since onset, any shape; nought before it."""
        t = np.maximum(days, 0.0)
        if self.kind == "power":
            powered: Floats = (t / YARDSTICK_DAYS) ** self.parameter
            return powered
        if self.kind == "asymptotic":
            whole = -np.expm1(-YARDSTICK_DAYS / self.parameter)
            levelling: Floats = -np.expm1(-t / self.parameter) / whole
            return levelling
        if self.kind == "stops":
            return np.minimum(t, self.parameter) / self.parameter
        return np.where(days > 0, 1.0 if self.kind == "step" else 0.0, 0.0)


_LAWS: tuple[_Law, ...] = (
    _Law("no growth", "none", 0.0),
    _Law("step", "step", 0.0),
    _Law("linear", "power", 1.0),
    *(_Law("falling rate", "power", p) for p in (0.4, 0.5, 0.6, 0.75)),
    *(_Law("asymptotic", "asymptotic", tau) for tau in (25.0, 45.0, 70.0, 110.0, 180.0)),
    *(_Law("linear, then stops", "stops", d) for d in (20.0, 40.0, 60.0, 90.0)),
)
LAW_FAMILIES: tuple[str, ...] = tuple(dict.fromkeys(law.family for law in _LAWS))
# Of the deposits that grow, or came at one stroke. Straight growth counts double: the three that
# flatten stand against it together, and would pull the middle of the forecast late.
FAMILY_PRIOR = {
    "step": 1 / 6,
    "linear": 2 / 6,
    "falling rate": 1 / 6,
    "asymptotic": 1 / 6,
    "linear, then stops": 1 / 6,
}


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
class FoulingDraw:
    """Possible futures, one per row; columns are the days from the forecast on, 0 to the horizon.

    ``deposit`` is what an untouched exchanger would carry; ``refouling`` what the same law would lay
    down again, counted from a visit that left the plates clean. Both dimensionless, (n, 1 + horizon).
    """

    deposit: Floats
    refouling: Floats


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Posterior:
    """State of every model at the time of the forecast: (amplitude, common, level, rate)."""

    law: NDArray[np.intp]  # (m,) index into _LAWS
    onset_age_days: Floats  # (m,) days from onset to the forecast
    rate_sd: Floats  # (m,) how unevenly it grows
    weight: Floats  # (m,)
    mean: Floats  # (m, 4)
    covariance: Floats  # (m, 4, 4)


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
    posterior: _Posterior
    fan: Floats  # the futures the quantiles are read from, (n, 1 + horizon), from the day itself on

    def draw(self, count: int, rng: np.random.Generator) -> FoulingDraw:
        """Draw ``count`` futures that follow the mixture."""
        return _draw(self.posterior, count, len(self.days_ahead), rng)

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
    common_sd: float,
    made: np.datetime64,
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
        Daily estimate of the deposit (dimensionless) and its standard error without the common
        one. NaN: no evidence that day.
    unit_fouling : float
        Fouling resistance of one unit of ``fouling``; carried along. [m2 K/W]
    clean_since : datetime64[D]
        The day it was last known clean: end of a visit, or begin of the clean period.
    common_sd : float
        Standard deviation of the error all days share, that of the clean reference.
    made : datetime64[D]
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
    if not len(days) == len(fouling) == len(standard_error):
        raise EvaluationError(
            f"forecast: {len(days)} days, {len(fouling)} estimates and {len(standard_error)} "
            "standard errors. Give one of each a day."
        )
    age, value, variance = _usable(days, fouling, standard_error, clean_since, made)
    if not len(age):
        raise EvaluationError(
            f"forecast: no estimate of the deposit between {clean_since} and {made}."
        )
    span = float((made - clean_since) / np.timedelta64(1, "D"))
    law, onset, rate_sd, log_prior = _models(span)
    mean, covariance, log_evidence = _filter(
        _shapes(law, age - onset[:, None]), rate_sd, (age, value, variance), span,
        (AMPLITUDE_SD, common_sd, start_sd),
    )  # fmt: skip
    log_weight = log_prior + log_evidence
    weight = np.exp(log_weight - log_weight.max())
    weight /= weight.sum()
    posterior = _Posterior(
        law=law, onset_age_days=span - onset, rate_sd=rate_sd,
        weight=weight, mean=mean, covariance=covariance,
    )  # fmt: skip
    fan = _draw(posterior, _FAN_PATHS, horizon_days, np.random.default_rng(seed)).deposit
    quantiles = np.quantile(fan, QUANTILES, axis=0)
    return FoulingForecast(
        made=made,
        unit_fouling=unit_fouling,
        days_ahead=np.arange(1, horizon_days + 1),
        quantiles=quantiles[:, 1:],
        now=quantiles[:, 0],
        laws=_by_family(law, weight),
        posterior=posterior,
        fan=fan,
    )


def _usable(
    days: Days,
    fouling: Floats,
    standard_error: Floats,
    clean_since: np.datetime64,
    made: np.datetime64,
) -> tuple[Floats, Floats, Floats]:
    """Return age since clean in days, estimate and variance of the days that count."""
    use = (days >= clean_since) & (days <= made) & np.isfinite(fouling) & (standard_error > 0)
    age = (days[use] - clean_since) / np.timedelta64(1, "D")
    value, error = fouling[use].astype(float), standard_error[use].astype(float)
    return age.astype(float), value, (error * _understatement(value, error)) ** 2


def _understatement(value: Floats, error: Floats) -> float:
    """Return by how much the stated errors must grow to explain how the days scatter.

    Errors that resemble those of the days before count for fewer days: the variance of a mean grows
    by (1 + r)/(1 - r). Both are read from what is left beside a mean over three weeks.
    """
    if len(value) < 2 * _SMOOTHING_DAYS:
        return 1.0
    kernel = np.full(_SMOOTHING_DAYS, 1.0 / _SMOOTHING_DAYS)
    inside = slice(_SMOOTHING_DAYS // 2, len(value) - _SMOOTHING_DAYS // 2)
    rest = (value[inside] - np.convolve(value, kernel, mode="valid")) / error[inside]
    scatter = 1.4826 * float(np.median(np.abs(rest - np.median(rest))))
    rest = np.clip(rest, -4.0 * scatter, 4.0 * scatter)
    power = float(np.dot(rest, rest))
    alike = float(np.dot(rest[1:], rest[:-1])) / power if power > 0 else 0.0
    alike = min(max(alike, 0.0), 0.8)
    return max(1.0, scatter) * float(np.sqrt((1.0 + alike) / (1.0 - alike)))


def _models(span: float) -> tuple[NDArray[np.intp], Floats, Floats, Floats]:
    """Return law (index), day of onset since clean, rate's sd and log prior of every model."""
    step = max(ONSET_STEP_DAYS, span / ONSETS_MOST)
    onsets = np.arange(0.0, max(span, 1.0), step)
    later = -np.expm1(-ONSETS_PER_DAY * step) * np.exp(-ONSETS_PER_DAY * onsets)
    begins = np.where(onsets == 0.0, CHANCE_FROM_THE_START, (1.0 - CHANCE_FROM_THE_START) * later)
    rows: list[tuple[int, float, float, float]] = []
    for index, law in enumerate(_LAWS):
        if law.kind == "none":
            rows.append((index, 0.0, RATE_SD[0], 1.0 - float(begins.sum())))
            continue
        rates = RATE_SD[:1] if law.kind == "step" else RATE_SD
        alike = len(rates) * sum(other.family == law.family for other in _LAWS)
        rows += [
            (index, onset, rate, chance * FAMILY_PRIOR[law.family] / alike)
            for rate in rates
            for onset, chance in zip(onsets, begins, strict=True)
        ]
    table = np.array(rows)
    return table[:, 0].astype(np.intp), table[:, 1], table[:, 2], np.log(table[:, 3])


def _shapes(law: NDArray[np.intp], days: Floats) -> Floats:
    """Return each row's own law at its days since onset; same shape as ``days``."""
    out = np.empty_like(days)
    for index in np.unique(law):
        rows = law == index
        out[rows] = _LAWS[index].shape(days[rows])
    return out


def _filter(
    shape: Floats,
    rate_sd: Floats,
    observed: tuple[Floats, Floats, Floats],
    span: float,
    prior_sd: tuple[float, float, float],
) -> tuple[Floats, Floats, Floats]:
    """Filter all models through the days at once, then on to the day of the forecast.

    The state is (amplitude, common error, level, rate); ``shape`` is (models, days), ``observed``
    age, value and variance of the days, ``prior_sd`` those of the first three. Returns mean,
    covariance and log evidence with the amplitude held at or above nought.
    """
    age, value, variance = observed
    models = len(shape)
    mean = np.zeros((models, 4))
    covariance = np.zeros((models, 4, 4))
    covariance[:, [0, 1, 2], [0, 1, 2]] = np.square(prior_sd)
    covariance[:, 3, 3] = rate_sd**2
    log_evidence = np.zeros(models)
    for i, days in enumerate(np.diff(age, prepend=0.0)):
        _advance(mean, covariance, rate_sd, days)
        f = shape[:, i]
        gain = covariance[:, :, 0] * f[:, None] + covariance[:, :, 1] + covariance[:, :, 2]
        explained = gain[:, 0] * f + gain[:, 1] + gain[:, 2]
        innovation = value[i] - (mean[:, 0] * f + mean[:, 1] + mean[:, 2])
        # A day beyond the cap gets the variance that puts it on the cap: it pulls less.
        total = np.maximum(explained + variance[i], innovation**2 / LARGEST_SQUARED_INNOVATION)
        log_evidence -= 0.5 * (innovation**2 / total + np.log(total))
        mean += gain * (innovation / total)[:, None]
        covariance -= gain[:, :, None] * gain[:, None, :] / total[:, None, None]
    _advance(mean, covariance, rate_sd, span - age[-1])
    # With the amplitude held above nought the evidence changes by the ratio of the two chances of
    # it being so, after and before the data; before, it is one half.
    z = mean[:, 0] / np.sqrt(np.maximum(covariance[:, 0, 0], 1e-18))
    return mean, covariance, log_evidence + log_ndtr(z) - np.log(0.5)


def _advance(mean: Floats, covariance: Floats, rate_sd: Floats, days: float) -> None:
    """Let level and rate wander for so many days, in place.

    The rate forgets exponentially and keeps its variance (Ornstein-Uhlenbeck); the level is its sum.
    """
    memory = RATE_MEMORY_DAYS
    kept = np.exp(-days / memory)
    reach = memory * (1.0 - kept)
    mean[:, 2] += reach * mean[:, 3]
    mean[:, 3] *= kept
    covariance[:, 2, :] += reach * covariance[:, 3, :]
    covariance[:, :, 2] += reach * covariance[:, :, 3]
    covariance[:, 3, :] *= kept
    covariance[:, :, 3] *= kept
    rate = rate_sd**2
    added = memory**2 * (2.0 * days / memory - 3.0 + 4.0 * kept - kept**2)
    covariance[:, 2, 2] += LEVEL_WANDER**2 * days + rate * added
    covariance[:, 2, 3] += rate * memory * (1.0 - kept) ** 2
    covariance[:, 3, 2] += rate * memory * (1.0 - kept) ** 2
    covariance[:, 3, 3] += rate * (1.0 - kept**2)


def _draw(posterior: _Posterior, count: int, horizon: int, rng: np.random.Generator) -> FoulingDraw:
    """Draw futures: a model, an amplitude above nought, level and rate that fit it, then wander."""
    edges = (rng.random() + np.arange(count)) / count
    cumulative = np.cumsum(posterior.weight)
    pick = np.minimum(np.searchsorted(cumulative, edges * cumulative[-1]), len(cumulative) - 1)
    mean, covariance = posterior.mean[pick], posterior.covariance[pick]
    sd = np.sqrt(np.maximum(covariance[:, 0, 0], 1e-18))
    below = ndtr(-mean[:, 0] / sd)
    u = below + (1.0 - below) * rng.random(count)
    amplitude = np.maximum(mean[:, 0] + sd * ndtri(np.clip(u, 1e-12, 1.0 - 1e-12)), 0.0)
    slope = covariance[:, 2:, 0] / (sd**2)[:, None]
    centre = mean[:, 2:] + slope * (amplitude - mean[:, 0])[:, None]
    spread = covariance[:, 2:, 2:] - slope[:, :, None] * covariance[:, 0, 2:][:, None, :]
    root = _root(spread)
    start = centre + np.einsum("nij,nj->ni", root, rng.standard_normal((count, 2)))
    ahead = np.arange(horizon + 1.0)
    law = posterior.law[pick]
    age = posterior.onset_age_days[pick]
    growth = amplitude[:, None] * _shapes(law, age[:, None] + ahead)
    deposit = np.maximum(growth + _wander(start, posterior.rate_sd[pick], horizon, rng), 0.0)
    refouling = amplitude[:, None] * _shapes(law, np.broadcast_to(ahead, growth.shape))
    # A deposit that came at one stroke is an event of its own; a visit does not bring it back.
    kinds = np.array([kind.kind == "step" for kind in _LAWS])
    refouling[kinds[law]] = 0.0
    return FoulingDraw(deposit=deposit, refouling=refouling)


def _root(spread: Floats) -> Floats:
    """Return lower roots of 2 x 2 covariances that rounding may have left barely singular."""
    out = np.zeros_like(spread)
    out[:, 0, 0] = np.sqrt(np.maximum(spread[:, 0, 0], 1e-18))
    out[:, 1, 0] = spread[:, 1, 0] / out[:, 0, 0]
    out[:, 1, 1] = np.sqrt(np.maximum(spread[:, 1, 1] - out[:, 1, 0] ** 2, 0.0))
    return out


def _wander(start: Floats, rate_sd: Floats, horizon: int, rng: np.random.Generator) -> Floats:
    """Return level by day from ``start`` (level, rate), shape (n, 1 + horizon)."""
    count = len(start)
    kept = np.exp(-1.0 / RATE_MEMORY_DAYS)
    push = rng.standard_normal((count, horizon)) * (rate_sd * np.sqrt(1.0 - kept**2))[:, None]
    rate = np.concatenate([start[:, 1:], push], axis=1)
    rate = lfilter([1.0], [1.0, -kept], rate, axis=1)
    level = np.empty_like(rate)
    level[:, 0] = start[:, 0]
    level[:, 1:] = rate[:, :-1] + LEVEL_WANDER * rng.standard_normal((count, horizon))
    return np.cumsum(level, axis=1, out=level)


def _by_family(law: NDArray[np.intp], weight: Floats) -> dict[str, float]:
    family = np.array([LAW_FAMILIES.index(kind.family) for kind in _LAWS])[law]
    total = np.bincount(family, weights=weight, minlength=len(LAW_FAMILIES))
    return {name: float(total[i]) for i, name in enumerate(LAW_FAMILIES)}
