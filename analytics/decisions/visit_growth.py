"""The deposit around a visit: a level on either side, and the growth that leads away from it.

Lives here: what laws of growth expect of the days on both sides, how well these bear them out, and what
that says of any average over the days. Not here: which days count, and what is concluded (proof.py).

Deposits grow, and fastest on plates that were just cleaned: what a visit achieved is not the difference
of two means. Each side is therefore a level at the visit and a growth from there, by one law on both
sides, as water, plates and temperatures are the same. After the visit it either begins anew, as on
clean plates, or goes on as before it. How much it grows may differ somewhat between the sides. Beside
the law the rate wanders, as no deposit follows a law to the letter. All is linear and Gaussian but the
laws, which are weighed by their evidence.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import solve_triangular
from scipy.special import log_ndtr

from analytics.decisions.growth import LAWS, Law

Floats = NDArray[np.float64]
Indices = NDArray[np.intp]

# Judgement, all of it; widths rather than values, as the days decide.
LEVEL_SD = 0.5  # of the deposit at the visit, before any day was seen
LEVEL_WANDER = 6e-4  # per root day
RATE_SD = (3e-4, 1.5e-3)  # how unevenly it grows, a day: evenly, unevenly
RATE_MEMORY_DAYS = 45.0
FAMILIES = ("linear", "falling rate", "asymptotic")
ONSETS_DAYS = (15.0, 25.0, 35.0, 50.0, 80.0, 150.0)  # before the visit
YARDSTICK_DAYS = 45.0
AMPLITUDE_SD = (0.04, 0.2)  # of the growth in so many days: slow, fast
CHANCE_OF_NO_LAW = 0.2
CHANCE_AS_BEFORE = 0.3  # that the growth goes on as if there had been no visit
# How far the amounts of growth resemble each other on both sides: begun anew, gone on.
ALIKE_ANEW, ALIKE_AS_BEFORE = 0.8, 0.98


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Around:
    """The days around a visit, counted from its hour to the middle of each day (n,), not nought.

    ``value`` are their estimates of the deposit (n,), ``covariance`` that of all their errors (n, n).
    """

    clock: Floats
    value: Floats
    covariance: Floats


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Growths:
    """The laws tried: columns of the shapes before and after, and what is expected of the amounts."""

    before: Indices
    after: Indices
    alike: Floats
    size: Floats
    log_prior: Floats


def averages_around(days: Around, clock: Floats, weights: Floats) -> tuple[Floats, Floats]:
    """Return averages of the deposit itself, and their covariance.

    Parameters
    ----------
    clock : (m,) further instants, counted as those of the days
    weights : (k, n + m) of the days and the further instants in each average

    Returns
    -------
    mean : (k,)
    covariance : (k, k)
    """
    when = np.concatenate([days.clock, clock])
    laws = tuple(law for law in LAWS if law.family in FAMILIES)
    growths, shapes = _growths(laws), _shapes(laws, when)
    parts = [_weighed(days, when, weights, growths, shapes, rate) for rate in RATE_SD]
    evidence, means, covariances = (np.concatenate(part) for part in zip(*parts, strict=True))
    weight = np.exp(evidence - evidence.max())
    weight /= weight.sum()
    mean = weight @ means
    apart = means - mean
    covariance = np.einsum("h,hij->ij", weight, covariances)
    return mean, covariance + np.einsum("h,hi,hj->ij", weight, apart, apart)


def _growths(laws: tuple[Law, ...]) -> _Growths:
    each = len(laws) * len(ONSETS_DAYS)
    rows = []
    for number, law in enumerate(laws):
        alike = sum(other.family == law.family for other in laws) * len(FAMILIES)
        chance = (1.0 - CHANCE_OF_NO_LAW) / alike / len(ONSETS_DAYS) / len(AMPLITUDE_SD)
        for onset in range(len(ONSETS_DAYS)):
            before = number * len(ONSETS_DAYS) + onset
            for size in AMPLITUDE_SD:
                rows += [
                    (before, 2 * each + number, ALIKE_ANEW, size, chance * (1.0 - CHANCE_AS_BEFORE)),
                    (before, each + before, ALIKE_AS_BEFORE, size, chance * CHANCE_AS_BEFORE),
                ]  # fmt: skip
    table = np.array(rows)
    return _Growths(
        before=table[:, 0].astype(np.intp), after=table[:, 1].astype(np.intp),
        alike=table[:, 2], size=table[:, 3], log_prior=np.log(table[:, 4]),
    )  # fmt: skip


def _shapes(laws: tuple[Law, ...], when: Floats) -> Floats:
    """Return the growth away from the visit by column: before it, on as before, anew; (n, columns)."""
    onset = np.array(ONSETS_DAYS)[:, None]
    later = when > 0
    on, anew = [], []
    for law in laws:
        yardstick = float(law.shape(np.array(YARDSTICK_DAYS)))
        on.append((law.shape(onset + when) - law.shape(onset)) / yardstick)
        anew.append(law.shape(when) / yardstick)
    along = np.concatenate(on)
    return np.concatenate([np.where(later, 0.0, along), np.where(later, along, 0.0), anew]).T


def _weighed(
    days: Around, when: Floats, weights: Floats, growths: _Growths, shapes: Floats, rate_sd: float
) -> tuple[Floats, Floats, Floats]:
    """Return log evidence, averages and covariances: without a law, then of each; of one unevenness."""
    n, k = len(days.clock), len(weights)
    own = _own_wander(when, rate_sd)
    root = np.linalg.cholesky(own[:n, :n] + days.covariance)
    sides = np.column_stack([days.value, (weights @ own[:, :n]).T, shapes[:n]])
    white = solve_triangular(root, sides, lower=True)
    y, x, f = white[:, 0], white[:, 1 : 1 + k], white[:, 1 + k :]
    mean, spread = x.T @ y, weights @ own @ weights.T - x.T @ x
    evidence = -0.5 * float(y @ y) - float(np.log(np.diag(root)).sum())

    pair = np.column_stack([growths.before, growths.after])
    amount, doubt, gained = _amounts(
        growths, (f.T @ f)[pair[:, :, None], pair[:, None]], (f.T @ y)[pair]
    )
    through = (weights @ shapes - x.T @ f)[:, pair].transpose(1, 0, 2)  # (laws, k, 2)
    means = mean + np.einsum("hkj,hj->hk", through, amount)
    covariances = spread + np.einsum("hki,hij,hlj->hkl", through, doubt, through)
    return (
        evidence + np.concatenate([[np.log(CHANCE_OF_NO_LAW)], growths.log_prior + gained]),
        np.concatenate([mean[None], means]),
        np.concatenate([spread[None], covariances]),
    )


def _amounts(growths: _Growths, power: Floats, product: Floats) -> tuple[Floats, Floats, Floats]:
    """Return the amounts of growth before and after (h, 2), their covariance, and evidence gained.

    Growth is not negative: a law that needs it to be loses evidence, by the side that fits worse.
    """
    prior = np.empty_like(power)
    prior[:, [0, 1], [0, 1]] = growths.size[:, None] ** 2
    prior[:, 0, 1] = prior[:, 1, 0] = growths.alike * growths.size**2
    doubt = np.asarray(np.linalg.inv(np.linalg.inv(prior) + power))
    amount = np.einsum("hij,hj->hi", doubt, product)
    gained = 0.5 * np.einsum("hi,hi->h", product, amount)
    gained += 0.5 * np.log(np.linalg.det(doubt) / np.linalg.det(prior))
    least = (amount / np.sqrt(doubt[:, [0, 1], [0, 1]])).min(axis=1)
    return amount, doubt, np.asarray(gained + log_ndtr(least) - np.log(0.5))


def _own_wander(when: Floats, rate_sd: float) -> Floats:
    """Return the covariance of level and uneven growth on either side, counted from the visit (n, n)."""
    away, side = np.abs(when), when > 0
    early, late = np.minimum(away[:, None], away), np.maximum(away[:, None], away)
    m = RATE_MEMORY_DAYS
    # of the sum of a rate that forgets exponentially (Ornstein-Uhlenbeck), of unit variance
    bent = np.exp(-early / m) + np.exp(-late / m) - 1.0 - np.exp(-(late - early) / m)
    grown = rate_sd**2 * (2.0 * m * early + m**2 * bent)
    return np.where(side[:, None] == side, LEVEL_SD**2 + LEVEL_WANDER**2 * early + grown, 0.0)
