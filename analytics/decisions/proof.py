"""What a visit achieved: the deposit just before and just after, at the reference condition.

Lives here: the comparison of the days on both sides. Not here: finding visits that nobody logged.

Deposits grow, and fastest on plates that were just cleaned: the mean of a fortnight lies a week from the
visit, on both sides. So each side is a level at the visit and a growth away from it, whose rate is
unknown and changes slowly; how fast, the days of each side tell.
"""

from collections.abc import Sequence
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import solve_triangular
from scipy.stats import t as student_t

from analytics.vocabulary.records import Estimate, MaintenanceEvent, VisitProof

Floats = NDArray[np.float64]
Outcome = Literal["worked", "worked in part", "no effect seen", "too early to tell"]

MOST_BEFORE, MOST_AFTER = 45, 28  # days with evidence
REACH_DAYS = 150
STRETCH_DAYS = 30
HISTORY_DAYS = 60  # before the visit, for how the days scatter
LEAST_DAYS = 5
LEAST_GAIN = 0.01  # of U: below, nobody would call it an effect
WORKED_SHARE = 0.7
_LEAST_SCALE = 0.75  # of the stated errors: how much less than stated days may scatter
_LEAST_ALIKE = 0.3  # days resemble the day before at least this much (weather lasts)
_LEVEL_SD = 0.5  # of the deposit at the visit, before any day was seen
_RATE_SD = (3e-4, 1.5e-3, 5e-3)  # of its growth, a day: hardly any, usual, fast
_RATE_MEMORY_DAYS = 45.0
_LEVEL_WANDER = 6e-4  # per root day
_REFERENCE_FACTOR = 0.6  # the error of the clean reference over what is stated of it
_TEMPER = 0.5  # of the evidence for a rate, as no model is the truth


def prove_visit(
    event: MaintenanceEvent,
    days: NDArray[np.datetime64],
    fouling: Floats,
    standard_error: Floats,
    *,
    common_sd: float,
    reference: Floats | None = None,
    wander: Floats | None = None,
    others: Sequence[np.datetime64] = (),
) -> VisitProof:
    """Compare the deposit that ``event`` met with the one it left.

    A visit in summer has its days in spring and autumn: days are counted that carry evidence, no
    further away than :data:`REACH_DAYS` and not beyond another visit.

    U over U clean is ``1 / (1 + fouling)``. The day of the visit itself is left out. Days count as
    they scatter, not only as they were stated, and as they resemble the day before; few days are judged
    by Student's t. The error of the clean reference is common to both sides and drops out of the gain
    as far as both sides saw the same loads, not out of the cleanliness factors.

    Parameters
    ----------
    days : ndarray of datetime64[D], shape (n,)
        Rising.
    fouling, standard_error : ndarray, shape (n,)
        Daily estimate of the deposit times U clean (dimensionless); NaN: no evidence.
    common_sd : float
        Standard deviation of the error all days share.
    reference, wander : ndarray, shape (n, n), optional
        Covariances of the errors that days share: of the clean reference as stated, and of the
        instruments' wander, counted both ways from the visit. Without: none but ``common_sd``.
    others : sequence of datetime64[D]
        The other visits to the plates.
    """
    visit = np.datetime64(event.at_utc.date(), "D")
    offset = (days - visit) / np.timedelta64(1, "D")
    known = np.isfinite(fouling) & (standard_error > 0) & (np.abs(offset) <= REACH_DAYS)
    known &= days > max((d for d in others if d < visit), default=days[0] - 1)
    known &= days < min((d for d in others if d > visit), default=days[-1] + 1)
    before = np.flatnonzero(known & (offset < 0))[-MOST_BEFORE:]
    after = np.flatnonzero(known & (offset > 0))[:MOST_AFTER]
    history = np.flatnonzero(known & (offset < 0) & (offset >= -HISTORY_DAYS))
    # stretch by stretch: over two months growth need not be straight
    stretches = np.array_split(history, max(len(history) // STRETCH_DAYS, 1))
    scale, alike = _day_scatter((*stretches, after), fouling, standard_error)
    used = np.concatenate([before, after])
    error = scale * standard_error[used]
    apart = np.abs(offset[used][:, None] - offset[used])
    covariance = np.outer(error, error) * alike**apart
    among = np.ix_(used, used)
    if reference is not None:
        covariance = covariance + _REFERENCE_FACTOR**2 * reference[among]
    if wander is not None:
        covariance = covariance + wander[among]
    (met, left), spread = _levels_at_visit(offset[used], fouling[used], covariance)
    sd_met, sd_left = np.sqrt(np.diag(spread))
    gain = recovered = None
    outcome: Outcome = "too early to tell" if len(after) < LEAST_DAYS else "no effect seen"
    if len(before) >= LEAST_DAYS and len(after) >= LEAST_DAYS:
        freedom = max((len(before) + len(after)) / 2.0 - 2.0, 3.0)
        quantile = float(student_t.ppf(0.95, freedom))
        removed = met - left
        half = quantile * float(np.sqrt(spread[0, 0] + spread[1, 1] - 2.0 * spread[0, 1]))
        gain = Estimate(
            value=removed / (1.0 + left),
            low=(removed - half) / (1.0 + left),
            high=(removed + half) / (1.0 + left),
        )
        recovered = _share(met, left, float(np.hypot(sd_met, common_sd)), half)
        if gain.low > 0 and gain.value >= LEAST_GAIN:
            full = recovered is None or recovered.value >= WORKED_SHARE
            outcome = "worked" if full else "worked in part"
    return VisitProof(
        event=event,
        before_cleanliness=_cleanliness(met, float(sd_met), common_sd, len(before)),
        after_cleanliness=_cleanliness(left, float(sd_left), common_sd, len(after)),
        gain=gain,
        recovered=recovered,
        days_before=len(before),
        days_after=len(after),
        outcome=outcome,
    )


def _day_scatter(
    groups: tuple[NDArray[np.intp], ...], fouling: Floats, standard_error: Floats
) -> tuple[float, float]:
    """Return scatter over stated error, and likeness of neighbouring days, about straight lines."""
    power = product = 0.0
    freedom = lines = 0
    for chosen in groups:
        if len(chosen) < 4:
            continue
        at = chosen.astype(float)
        line = np.polynomial.Polynomial.fit(at, fouling[chosen], 1)
        rest = (fouling[chosen] - line(at)) / standard_error[chosen]
        power += float(rest @ rest)
        product += float(rest[1:] @ rest[:-1])
        freedom += len(rest) - 2
        lines += 1
    if freedom <= 0 or power == 0.0:
        return 1.0, _LEAST_ALIKE
    # the lines take some likeness away: about (1 + 4 r)/n for each of them
    alike = product / power
    alike += lines * (1.0 + 4.0 * max(alike, 0.0)) / (freedom + 2 * lines)
    return max(_LEAST_SCALE, float(np.sqrt(power / freedom))), float(
        np.clip(alike, _LEAST_ALIKE, 0.85)
    )


def _levels_at_visit(
    offset: Floats, fouling: Floats, covariance: Floats
) -> tuple[tuple[float, float], Floats]:
    """Return the levels just before and just after the visit, and their covariance (2, 2).

    Averaged over rates of growth on either side, by what the days say of them.
    """
    away, side = np.abs(offset), (offset > 0).astype(int)
    alike = side[:, None] == side
    early, late = np.minimum(away[:, None], away), np.maximum(away[:, None], away)
    m = _RATE_MEMORY_DAYS
    # covariance of the sum of a rate that forgets exponentially (Ornstein-Uhlenbeck), of unit variance
    bent = np.exp(-early / m) + np.exp(-late / m) - 1.0 - np.exp(-(late - early) / m)
    grown = 2.0 * m * early + m**2 * bent
    cross = _LEVEL_SD**2 * (side[:, None] == np.arange(2))
    found: list[tuple[float, Floats, Floats]] = []
    for rates in ((b, a) for b in _RATE_SD for a in _RATE_SD):
        rate = np.array(rates)[side]
        own = _LEVEL_SD**2 + _LEVEL_WANDER**2 * early + rate[:, None] ** 2 * grown
        root = np.linalg.cholesky(covariance + np.where(alike, own, 0.0))
        white = solve_triangular(root, np.column_stack([fouling, cross]), lower=True)
        y, x = white[:, 0], white[:, 1:]
        evidence = -0.5 * float(y @ y) - float(np.log(np.diag(root)).sum())
        found.append((evidence, x.T @ y, _LEVEL_SD**2 * np.eye(2) - x.T @ x))
    evidences = np.array([e for e, _, _ in found])
    weight = np.exp(_TEMPER * (evidences - evidences.max()))
    weight /= weight.sum()
    level = np.array([mean for _, mean, _ in found])
    middle = weight @ level
    from_middle = level - middle
    spread = np.einsum("r,rij->ij", weight, np.array([v for _, _, v in found]))
    spread += np.einsum("r,ri,rj->ij", weight, from_middle, from_middle)
    return (float(middle[0]), float(middle[1])), spread


def _cleanliness(mean: float, sd: float, common_sd: float, count: int) -> Estimate | None:
    if count == 0:
        return None
    half = 1.645 * float(np.hypot(sd, common_sd))
    value, low, high = (1.0 / max(1.0 + f, 0.05) for f in (mean, mean + half, mean - half))
    return Estimate(value=value, low=low, high=high)


def _share(before: float, after: float, before_sd: float, half_width: float) -> Estimate | None:
    """Return the share of the deposit that went; ``None`` if there was hardly any to be seen."""
    if before < 2.0 * before_sd or before <= 0:
        return None
    removed = (before - after) / before
    half = float(np.hypot(half_width, abs(after) / before * 1.645 * before_sd)) / before
    return Estimate(value=removed, low=removed - half, high=removed + half)
