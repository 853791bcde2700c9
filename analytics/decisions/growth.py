"""Laws of growth of a deposit, weighed by the days and carried on into the future.

Lives here: the shapes, what a model of growth expects of the days and how well they bear it out, and
the drawing of futures. Not here: which days count, quantiles and dates (forecast.py).

Each model is linear and Gaussian in its amplitude and its unevenness, so that a model's evidence is a
regression of the whitened days on its whitened shape; one root of the days' covariance serves all
laws and onsets.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import solve_triangular
from scipy.signal import lfilter
from scipy.special import log_ndtr, ndtr, ndtri

Floats = NDArray[np.float64]

# How unevenly deposits grow: the rate departs from its law by so much (a day, one standard
# deviation), and comes back within so many days. How uneven this one is, its own days tell: all
# three are tried. Clean plates, and those with a deposit that came at one stroke, are the evenest.
RATE_SD = (0.6e-4, 2.5e-4, 8.0e-4)
RATE_PRIOR = (0.5, 0.35, 0.15)
EVENEST_RATE_SD = 5.0e-5
RATE_MEMORY_DAYS = 45.0
LEVEL_WANDER = 4.0e-4  # per root day
# How large a deposit is after half a year, before any of it was seen (half normal; judgement): slow
# ones and fast ones. One wide spread alone makes a slow growth look less likely than none.
AMPLITUDE_SD = (0.06, 0.4)
AMPLITUDE_PRIOR = (0.3, 0.7)
YARDSTICK_DAYS = 180.0
# Each estimate may be off by a share of the deposit, the same every day: it sits unevenly on the plates,
# and is carried from the flows of the day to those of the reference condition.
READING_SD = 0.08
# Two deposits in five begin with the clean exchanger; else it may begin any day, about once in ten
# months. Without this a start in the last days, which no data can deny, would look likely.
CHANCE_FROM_THE_START = 0.4
ONSETS_PER_DAY = 1.0 / 300.0
ONSETS_MOST = 50
ONSET_STEP_DAYS = 3.0
# An alarm dates the beginning to about a week (judgement), and now and then it is another's.
DATED_WITHIN_DAYS = 6.0
CHANCE_DATED = 0.85
_LEAST_VARIANCE = 1e-18


@dataclass(frozen=True, slots=True)
class Law:
    """A shape of growth over the days since onset; 1 after half a year, or at its end if that is earlier."""

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
            return np.minimum(t, self.parameter) / min(self.parameter, YARDSTICK_DAYS)
        return np.where(days > 0, 1.0 if self.kind == "step" else 0.0, 0.0)


LAWS: tuple[Law, ...] = (
    Law("no growth", "none", 0.0),
    Law("step", "step", 0.0),
    Law("linear", "power", 1.0),
    *(Law("falling rate", "power", p) for p in (0.4, 0.5, 0.6, 0.75)),
    *(Law("asymptotic", "asymptotic", tau) for tau in (25.0, 45.0, 70.0, 110.0, 180.0)),
    # A growth that has not stopped yet may stop at any time: some of these must outlast what was seen of it.
    *(Law("linear, then stops", "stops", d) for d in (30.0, 60.0, 90.0, 130.0, 180.0, 260.0)),
)
LAW_FAMILIES: tuple[str, ...] = tuple(dict.fromkeys(law.family for law in LAWS))
# Of the deposits that grow, or came at one stroke (judgement). Straight growth is the commonest; the
# others have enough that a growth which levels off stays inside the range.
FAMILY_PRIOR = {
    "step": 0.08,
    "linear": 0.44,
    "falling rate": 0.14,
    "asymptotic": 0.14,
    "linear, then stops": 0.2,
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
class Models:
    """The models of growth: one per law, onset, unevenness and size of the amplitude; (m,) each."""

    law: NDArray[np.intp]  # index into LAWS
    onset: Floats  # days since clean
    rate_sd: Floats  # how unevenly it grows
    amplitude_sd: Floats
    log_prior: Floats


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Observed:
    """The days: their age since clean (n,), estimates (n,) and their covariance (n, n).

    ``covariance`` is that of the errors; ``start_sd`` how far from clean the plates may have been.
    """

    age: Floats
    value: Floats
    covariance: Floats
    start_sd: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Posterior:
    """State of every model at the time of the forecast; level and rate given the amplitude."""

    law: NDArray[np.intp]  # (m,) index into LAWS
    onset_age_days: Floats  # (m,) days from onset to the forecast
    rate_sd: Floats  # (m,) how unevenly it grows
    weight: Floats  # (m,)
    amplitude: Floats  # (m,) mean, before it is held at or above nought
    amplitude_sd: Floats  # (m,)
    state: Floats  # (m, 2) level and rate with no amplitude
    state_per_amplitude: Floats  # (m, 2) what each unit of amplitude takes from them
    state_covariance: Floats  # (m, 2, 2)


def models_of_growth(span: float, begun: float | None = None) -> Models:
    """Return the models for a record of ``span`` days since clean.

    ``begun``: the day since clean on which something else dates the beginning of the growth.
    """
    step = max(ONSET_STEP_DAYS, span / ONSETS_MOST)
    onsets = np.arange(0.0, max(span, 1.0), step)
    begins = _chance_of_beginning(onsets, step, begun)
    rows: list[tuple[int, float, float, float, float]] = []
    for index, law in enumerate(LAWS):
        if law.kind == "none":
            rows.append((index, 0.0, EVENEST_RATE_SD, 1.0, 1.0 - float(begins.sum())))
            continue
        uneven = zip(RATE_SD, RATE_PRIOR, strict=True)
        rates = ((EVENEST_RATE_SD, 1.0),) if law.kind == "step" else tuple(uneven)
        alike = sum(other.family == law.family for other in LAWS)
        rows += [
            (index, onset, rate, size, chance * share * of_size * FAMILY_PRIOR[law.family] / alike)
            for rate, share in rates
            for size, of_size in zip(AMPLITUDE_SD, AMPLITUDE_PRIOR, strict=True)
            for onset, chance in zip(onsets, begins, strict=True)
        ]
    table = np.array(rows)
    return Models(
        law=table[:, 0].astype(np.intp), onset=table[:, 1], rate_sd=table[:, 2],
        amplitude_sd=table[:, 3], log_prior=np.log(table[:, 4]),
    )  # fmt: skip


def _chance_of_beginning(onsets: Floats, step: float, begun: float | None) -> Floats:
    """Return the prior chance of each onset; what is left to one is that of no growth."""
    later = -np.expm1(-ONSETS_PER_DAY * step) * np.exp(-ONSETS_PER_DAY * onsets)
    begins = np.where(onsets == 0.0, CHANCE_FROM_THE_START, (1.0 - CHANCE_FROM_THE_START) * later)
    if begun is None:
        return np.asarray(begins)
    near = np.exp(-np.abs(onsets - begun) / DATED_WITHIN_DAYS)
    return np.asarray((1.0 - CHANCE_DATED) * begins + CHANCE_DATED * near / near.sum())


def shapes(law: NDArray[np.intp], days: Floats) -> Floats:
    """Return each row's own law at its days since onset; same shape as ``days``."""
    out = np.empty_like(days)
    for index in np.unique(law):
        rows = law == index
        out[rows] = LAWS[index].shape(days[rows])
    return out


def weigh_models(models: Models, observed: Observed, span: float, averaged: Floats) -> Posterior:
    """Weigh all models by the days, with the amplitude held at or above nought.

    ``averaged`` (rows, n) turns the n days into the rows that are worked with: whichever model is
    tried, both sides are averaged alike. ``span`` is the age on the day of the forecast.
    """
    key, shape_of = np.unique(
        np.column_stack([models.law, models.onset]), axis=0, return_inverse=True
    )
    days = observed.age - key[:, 1:]
    shape = averaged @ shapes(key[:, 0].astype(np.intp), days).T  # (rows, shapes)
    parts = [
        _weighed(models, chosen, (shape, shape_of.ravel()[chosen]), observed, span, averaged)
        for chosen in (np.flatnonzero(models.rate_sd == r) for r in np.unique(models.rate_sd))
    ]
    log_weight = np.concatenate([log_weight for log_weight, _ in parts])
    weight = np.exp(log_weight - log_weight.max())
    weight /= weight.sum()
    joined = {
        name: np.concatenate([getattr(part, name) for _, part in parts])
        for name in Posterior.__slots__
        if name != "weight"
    }
    return Posterior(weight=weight, **joined)


def _weighed(
    models: Models,
    chosen: NDArray[np.intp],
    shape: tuple[Floats, NDArray[np.intp]],
    observed: Observed,
    span: float,
    averaged: Floats,
) -> tuple[Floats, Posterior]:
    """Return log weight (less what all share) and state of the models ``chosen``, of one rate."""
    rate_sd = float(models.rate_sd[chosen[0]])
    among, cross, now = _unevenness(observed.age, span, rate_sd, observed.start_sd)
    root = np.linalg.cholesky(averaged @ (observed.covariance + among) @ averaged.T)
    used, which = np.unique(shape[1], return_inverse=True)
    sides = np.column_stack([averaged @ observed.value, averaged @ cross, shape[0][:, used]])
    white = solve_triangular(root, sides, lower=True)
    y, x, f = white[:, 0], white[:, 1:3], white[:, 3:]
    power, product = (f**2).sum(axis=0)[which], (f.T @ y)[which]
    prior = models.amplitude_sd[chosen] ** 2
    variance = 1.0 / (1.0 / prior + power)
    amplitude = variance * product
    evidence = -0.5 * float(y @ y) - np.log(np.diag(root)).sum()
    # With the amplitude held above nought the evidence changes by the ratio of the two chances of
    # it being so, after and before the data; before, it is one half.
    held = log_ndtr(amplitude / np.sqrt(variance)) - np.log(0.5)
    gained = 0.5 * (product * amplitude - np.log1p(prior * power)) + held
    none = np.array([law.kind == "none" for law in LAWS])[models.law[chosen]]
    posterior = Posterior(
        law=models.law[chosen], onset_age_days=span - models.onset[chosen],
        rate_sd=models.rate_sd[chosen], weight=np.ones(len(chosen)),
        amplitude=np.where(none, 0.0, amplitude),
        amplitude_sd=np.where(none, np.sqrt(_LEAST_VARIANCE), np.sqrt(variance)),
        state=np.tile(x.T @ y, (len(chosen), 1)), state_per_amplitude=(f.T @ x)[which],
        state_covariance=np.tile(now - x.T @ x, (len(chosen), 1, 1)),
    )  # fmt: skip
    return models.log_prior[chosen] + evidence + np.where(none, 0.0, gained), posterior


def _unevenness(
    age: Floats, span: float, rate_sd: float, start_sd: float
) -> tuple[Floats, Floats, Floats]:
    """Return the covariance of what departs from the law.

    That of the days (n, n), of the days with level and rate at ``span`` (n, 2), and of those two (2, 2).
    The rate forgets exponentially and keeps its variance (Ornstein-Uhlenbeck); the level is its sum,
    and wanders by itself beside it.
    """

    def level(early: Floats, late: Floats) -> Floats:
        left = (np.exp(-t / RATE_MEMORY_DAYS) for t in (early, late, late - early))
        bent = next(left) + next(left) - 1.0 - next(left)
        grown = rate_sd**2 * (2.0 * RATE_MEMORY_DAYS * early + RATE_MEMORY_DAYS**2 * bent)
        return np.asarray(start_sd**2 + LEVEL_WANDER**2 * early + grown)

    def rate(at: Floats) -> Floats:
        left = np.exp(-(span - at) / RATE_MEMORY_DAYS) - np.exp(-span / RATE_MEMORY_DAYS)
        return np.asarray(rate_sd**2 * RATE_MEMORY_DAYS * left)

    end = np.array(span)
    among = level(np.minimum(age[:, None], age), np.maximum(age[:, None], age))
    cross = np.column_stack([level(age, end), rate(age)])
    both = float(rate(end))
    return among, cross, np.array([[float(level(end, end)), both], [both, rate_sd**2]])


def draw_futures(
    posterior: Posterior, count: int, horizon: int, rng: np.random.Generator
) -> FoulingDraw:
    """Draw futures: a model, an amplitude above nought, level and rate that fit it, then wander.

    What an estimate is off by as a share of the deposit is drawn once for each future.
    """
    edges = (rng.random() + np.arange(count)) / count
    cumulative = np.cumsum(posterior.weight)
    pick = np.minimum(np.searchsorted(cumulative, edges * cumulative[-1]), len(cumulative) - 1)
    mean, sd = posterior.amplitude[pick], posterior.amplitude_sd[pick]
    below = ndtr(-mean / sd)
    u = below + (1.0 - below) * rng.random(count)
    amplitude = np.maximum(mean + sd * ndtri(np.clip(u, 1e-12, 1.0 - 1e-12)), 0.0)
    root = _root(posterior.state_covariance[pick])
    start = posterior.state[pick] - amplitude[:, None] * posterior.state_per_amplitude[pick]
    start += np.einsum("nij,nj->ni", root, rng.standard_normal((count, 2)))
    ahead = np.arange(horizon + 1.0)
    law = posterior.law[pick]
    age = posterior.onset_age_days[pick]
    growth = amplitude[:, None] * shapes(law, age[:, None] + ahead)
    deposit = np.maximum(growth + _wander(start, posterior.rate_sd[pick], horizon, rng), 0.0)
    refouling = amplitude[:, None] * shapes(law, np.broadcast_to(ahead, growth.shape))
    # A deposit that came at one stroke is an event of its own; a visit does not bring it back.
    kinds = np.array([kind.kind == "step" for kind in LAWS])
    refouling[kinds[law]] = 0.0
    off = np.exp(READING_SD * rng.standard_normal((count, 1)))
    return FoulingDraw(deposit=deposit * off, refouling=refouling * off)


def _root(spread: Floats) -> Floats:
    """Return lower roots of 2 x 2 covariances that rounding may have left barely singular."""
    out = np.zeros_like(spread)
    out[:, 0, 0] = np.sqrt(np.maximum(spread[:, 0, 0], _LEAST_VARIANCE))
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
