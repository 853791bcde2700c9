"""Laws of growth of a deposit, filtered through the days and carried on into the future.

Lives here: the shapes, the batch of small Kalman filters over law, onset and unevenness, and the
drawing of futures. Not here: which days count, quantiles and dates (forecast.py).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter
from scipy.special import log_ndtr, ndtr, ndtri

Floats = NDArray[np.float64]

# How unevenly deposits grow: the rate departs from its law by so much (a day, one standard
# deviation), and comes back within so many days. How uneven this one is, its own days tell: all
# three are tried. Clean plates, and those with a deposit that came at one stroke, are the evenest.
RATE_SD = (1.0e-4, 3.5e-4, 1.2e-3)
EVENEST_RATE_SD = 5.0e-5
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


@dataclass(frozen=True, slots=True)
class Law:
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


LAWS: tuple[Law, ...] = (
    Law("no growth", "none", 0.0),
    Law("step", "step", 0.0),
    Law("linear", "power", 1.0),
    *(Law("falling rate", "power", p) for p in (0.4, 0.5, 0.6, 0.75)),
    *(Law("asymptotic", "asymptotic", tau) for tau in (25.0, 45.0, 70.0, 110.0, 180.0)),
    *(Law("linear, then stops", "stops", d) for d in (20.0, 40.0, 60.0, 90.0)),
)
LAW_FAMILIES: tuple[str, ...] = tuple(dict.fromkeys(law.family for law in LAWS))
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
class FoulingDraw:
    """Possible futures, one per row; columns are the days from the forecast on, 0 to the horizon.

    ``deposit`` is what an untouched exchanger would carry; ``refouling`` what the same law would lay
    down again, counted from a visit that left the plates clean. Both dimensionless, (n, 1 + horizon).
    """

    deposit: Floats
    refouling: Floats


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Posterior:
    """State of every model at the time of the forecast: (amplitude, common, level, rate)."""

    law: NDArray[np.intp]  # (m,) index into LAWS
    onset_age_days: Floats  # (m,) days from onset to the forecast
    rate_sd: Floats  # (m,) how unevenly it grows
    weight: Floats  # (m,)
    mean: Floats  # (m, 4)
    covariance: Floats  # (m, 4, 4)


def models_of_growth(span: float) -> tuple[NDArray[np.intp], Floats, Floats, Floats]:
    """Return law (index), day of onset since clean, rate's sd and log prior of every model."""
    step = max(ONSET_STEP_DAYS, span / ONSETS_MOST)
    onsets = np.arange(0.0, max(span, 1.0), step)
    later = -np.expm1(-ONSETS_PER_DAY * step) * np.exp(-ONSETS_PER_DAY * onsets)
    begins = np.where(onsets == 0.0, CHANCE_FROM_THE_START, (1.0 - CHANCE_FROM_THE_START) * later)
    rows: list[tuple[int, float, float, float]] = []
    for index, law in enumerate(LAWS):
        if law.kind == "none":
            rows.append((index, 0.0, EVENEST_RATE_SD, 1.0 - float(begins.sum())))
            continue
        rates = (EVENEST_RATE_SD,) if law.kind == "step" else RATE_SD
        alike = len(rates) * sum(other.family == law.family for other in LAWS)
        rows += [
            (index, onset, rate, chance * FAMILY_PRIOR[law.family] / alike)
            for rate in rates
            for onset, chance in zip(onsets, begins, strict=True)
        ]
    table = np.array(rows)
    return table[:, 0].astype(np.intp), table[:, 1], table[:, 2], np.log(table[:, 3])


def shapes(law: NDArray[np.intp], days: Floats) -> Floats:
    """Return each row's own law at its days since onset; same shape as ``days``."""
    out = np.empty_like(days)
    for index in np.unique(law):
        rows = law == index
        out[rows] = LAWS[index].shape(days[rows])
    return out


def filter_days(
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


def draw_futures(
    posterior: Posterior, count: int, horizon: int, rng: np.random.Generator
) -> FoulingDraw:
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
    growth = amplitude[:, None] * shapes(law, age[:, None] + ahead)
    deposit = np.maximum(growth + _wander(start, posterior.rate_sd[pick], horizon, rng), 0.0)
    refouling = amplitude[:, None] * shapes(law, np.broadcast_to(ahead, growth.shape))
    # A deposit that came at one stroke is an event of its own; a visit does not bring it back.
    kinds = np.array([kind.kind == "step" for kind in LAWS])
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


def weight_by_family(law: NDArray[np.intp], weight: Floats) -> dict[str, float]:
    family = np.array([LAW_FAMILIES.index(kind.family) for kind in LAWS])[law]
    total = np.bincount(family, weights=weight, minlength=len(LAW_FAMILIES))
    return {name: float(total[i]) for i, name in enumerate(LAW_FAMILIES)}
