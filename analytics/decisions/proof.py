"""What a visit achieved: the deposit before and after, at the reference condition.

Lives here: the comparison of two fortnights. Not here: finding visits that nobody logged.
"""

from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.stats import t as student_t

from analytics.vocabulary.records import Estimate, MaintenanceEvent, VisitProof

Floats = NDArray[np.float64]
Outcome = Literal["worked", "worked in part", "no effect seen", "too early to tell"]

WINDOW_DAYS = 14  # with evidence, each side
REACH_DAYS = 150
STRETCH_DAYS = 30
HISTORY_DAYS = 60  # before the visit, for how the days scatter
LEAST_DAYS = 5
LEAST_FOR_LINE = 8
CLEAR_SLOPE = 3.0  # standard deviations
CARRIED_DAYS = 3.0
LEAST_GAIN = 0.01  # of U: below, nobody would call it an effect
WORKED_SHARE = 0.7
_LEAST_ALIKE = 0.3  # days resemble the day before at least this much (weather lasts)


def prove_visit(
    event: MaintenanceEvent,
    days: NDArray[np.datetime64],
    fouling: Floats,
    standard_error: Floats,
    *,
    common_sd: float,
) -> VisitProof:
    """Compare the first fortnight with evidence after ``event`` with the last one before.

    A visit in summer has its fortnights in spring and autumn: days are counted that carry evidence,
    no further away than :data:`REACH_DAYS`.

    U over U clean is ``1 / (1 + fouling)``. The day of the visit itself is left out. The variance of
    a mean is that of its days as they scatter, not only as they were stated, and allows for days that
    resemble the day before; few days are judged by Student's t. The error of the clean reference is
    common to both sides and drops out of the gain, not out of the cleanliness factors.

    Parameters
    ----------
    days : ndarray of datetime64[D], shape (n,)
        Rising.
    fouling, standard_error : ndarray, shape (n,)
        Daily estimate of the deposit times U clean (dimensionless); NaN: no evidence.
    common_sd : float
        Standard deviation of the error all days share.
    """
    visit = np.datetime64(event.at_utc.date(), "D")
    offset = (days - visit) / np.timedelta64(1, "D")
    known = np.isfinite(fouling) & (standard_error > 0)
    before, after = np.zeros(len(days), dtype=bool), np.zeros(len(days), dtype=bool)
    before[np.flatnonzero(known & (offset < 0) & (offset >= -REACH_DAYS))[-WINDOW_DAYS:]] = True
    after[np.flatnonzero(known & (offset > 0) & (offset <= REACH_DAYS))[:WINDOW_DAYS]] = True
    n_before, n_after = int(before.sum()), int(after.sum())
    history = np.flatnonzero(known & (offset < 0) & (offset >= -HISTORY_DAYS))
    # stretch by stretch: over two months growth need not be straight
    stretches = np.array_split(history, max(len(history) // STRETCH_DAYS, 1))
    groups = (*stretches, np.flatnonzero(after))
    scale, alike = _day_scatter(groups, fouling, standard_error)
    mean_before, sd_before = _level(before, offset, fouling, standard_error, scale, alike)
    mean_after, sd_after = _level(after, offset, fouling, standard_error, scale, alike)
    told = n_before >= LEAST_DAYS and n_after >= LEAST_DAYS
    gain = recovered = None
    outcome: Outcome = "too early to tell" if n_after < LEAST_DAYS else "no effect seen"
    if told:
        quantile = float(student_t.ppf(0.95, max((n_before + n_after) / 2.0 - 2.0, 3.0)))
        removed, sd = mean_before - mean_after, float(np.hypot(sd_before, sd_after))
        gain = Estimate(
            value=removed / (1.0 + mean_after),
            low=(removed - quantile * sd) / (1.0 + mean_after),
            high=(removed + quantile * sd) / (1.0 + mean_after),
        )
        recovered = _share(
            mean_before, mean_after, float(np.hypot(sd_before, common_sd)), quantile * sd
        )
        if gain.low > 0 and gain.value >= LEAST_GAIN:
            full = recovered is None or recovered.value >= WORKED_SHARE
            outcome = "worked" if full else "worked in part"
    return VisitProof(
        event=event,
        before_cleanliness=_cleanliness(mean_before, sd_before, common_sd, n_before),
        after_cleanliness=_cleanliness(mean_after, sd_after, common_sd, n_after),
        gain=gain,
        recovered=recovered,
        days_before=n_before,
        days_after=n_after,
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
    return max(1.0, float(np.sqrt(power / freedom))), float(np.clip(alike, _LEAST_ALIKE, 0.85))


def _level(
    chosen: NDArray[np.bool_],
    offset: Floats,
    fouling: Floats,
    error: Floats,
    scale: float,
    alike: float,
) -> tuple[float, float]:
    """Return the level of a side at the visit and its standard deviation; NaN without days.

    The mean of its days, or, where they clearly rise or fall, their line carried to the visit: the mean
    of a fortnight of fast growth lies a week behind what the visit met. Over a gap it is carried
    :data:`CARRIED_DAYS` at the most.
    """
    if not chosen.any():
        return float("nan"), float("nan")
    weight, t, n = error[chosen] ** -2.0, offset[chosen], int(chosen.sum())
    like = min((1.0 + alike) / (1.0 - alike), n)
    mean = float(weight @ fouling[chosen] / weight.sum())
    sd = scale * float(np.sqrt(like / weight.sum()))
    middle = float(weight @ t / weight.sum())
    spread = float(weight @ (t - middle) ** 2)
    if n < LEAST_FOR_LINE or spread <= 0:
        return mean, sd
    slope = float(weight @ ((t - middle) * fouling[chosen])) / spread
    slope_sd = scale * float(np.sqrt(like / spread))
    if abs(slope) < CLEAR_SLOPE * slope_sd:
        return mean, sd
    away = float(np.clip(0.0, t.min() - CARRIED_DAYS, t.max() + CARRIED_DAYS)) - middle
    return mean + slope * away, float(np.hypot(sd, slope_sd * away))


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
