"""What a visit achieved, at the reference condition: a fortnight against a fortnight, and at the visit.

Lives here: the comparison of the days on both sides, and what is concluded of it. Not here: how a deposit
grows away from a visit (visit_growth.py), finding visits that nobody logged (unlogged.py).

Two figures are told. The fortnights are measured: the plates as they were, on average, on the last days
with evidence before the visit and the first after it. But deposits grow, and fastest on plates that were
just cleaned, so that a visit that took off a third may be gone from the fortnights' difference. What it
achieved is the difference between the day after and the day before it, whither both sides are carried
along their growth; that is less sure. An effect that either
shows is one; how much came back is told at the visit.
"""

from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.stats import t as student_t

from analytics.decisions.visit_growth import Around, averages_around
from analytics.vocabulary.records import Comparison, Estimate, MaintenanceEvent, VisitProof

Floats = NDArray[np.float64]
Indices = NDArray[np.intp]
Outcome = Literal["worked", "worked in part", "no effect seen", "too early to tell"]

MOST_BEFORE, MOST_AFTER = 45, 28  # days with evidence, for how the deposit grows
FORTNIGHT = 14  # days with evidence, on either side
REACH_DAYS = 150
STRETCH_DAYS = 30
HISTORY_DAYS = 60  # before the visit, for how the days scatter
LEAST_DAYS = 5
LEAST_GAIN = 0.01  # of U: below, nobody would call it an effect
WORKED_SHARE = 0.7
_LEAST_SCALE = 0.75  # of the stated errors: how much less than stated days may scatter
_MOST_ALIKE = 0.85


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
        instruments' wander. Without: none but ``common_sd``.
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
    if min(len(before), len(after)) < LEAST_DAYS:
        outcome: Outcome = "too early to tell" if len(after) < LEAST_DAYS else "no effect seen"
        return VisitProof(
            event=event, measured=None, at_visit=None, recovered=None, days_before=len(before),
            days_after=len(after), outcome=outcome,
        )  # fmt: skip
    history = np.flatnonzero(known & (offset < 0) & (offset >= -HISTORY_DAYS))
    # stretch by stretch: over two months growth need not be straight
    stretches = np.array_split(history, max(len(history) // STRETCH_DAYS, 1))
    scale, alike = _day_scatter((*stretches, after), offset, fouling, standard_error)
    used = np.concatenate([before, after])
    error = scale * standard_error[used]
    apart = np.abs(offset[used][:, None] - offset[used])
    covariance = np.outer(error, error) * alike**apart
    for shared in (reference, wander):
        if shared is not None:
            covariance = covariance + shared[np.ix_(used, used)]
    # days are told by their middles; the day before and the day after the visit are asked for beside them
    middle = 0.5 - _share_of_day(event.at_utc)
    around = Around(clock=offset[used] + middle, value=fouling[used], covariance=covariance)
    mean, spread = averages_around(
        around, np.array([-1.0, 1.0]) + middle, _asked(len(before), len(after))
    )
    freedom = max(len(used) / 2.0 - 2.0, 3.0)
    measured, at_visit = (
        _compared(mean[two], spread[two, two], common_sd, freedom, days[chosen])
        for two, chosen in (
            (slice(0, 2), np.concatenate([before[-FORTNIGHT:], after[:FORTNIGHT]])),
            (slice(2, 4), used),
        )
    )
    recovered = _share(mean[2:], spread[2:, 2:], common_sd, freedom)
    return VisitProof(
        event=event, measured=measured, at_visit=at_visit, recovered=recovered,
        days_before=len(before), days_after=len(after),
        outcome=_outcome(at_visit.gain, measured.gain, recovered),
    )  # fmt: skip


def _share_of_day(at_utc: datetime) -> float:
    midnight = datetime(at_utc.year, at_utc.month, at_utc.day, tzinfo=UTC)
    return (at_utc.astimezone(UTC) - midnight).total_seconds() / 86400.0


def _asked(before: int, after: int) -> Floats:
    """Return weights of the days and of two more: fortnight before, after, day before, after; (4, n + 2)."""
    weights = np.zeros((4, before + after + 2))
    near = (min(before, FORTNIGHT), min(after, FORTNIGHT))
    weights[0, before - near[0] : before] = 1.0 / near[0]
    weights[1, before : before + near[1]] = 1.0 / near[1]
    weights[[2, 3], [-2, -1]] = 1.0
    return weights


def _day_scatter(
    groups: tuple[Indices, ...], offset: Floats, fouling: Floats, standard_error: Floats
) -> tuple[float, float]:
    """Return scatter over stated error, and likeness of neighbouring days, about straight lines.

    A day pulls its line by its weight: one that knows next to nothing may lie anywhere, and would make
    all others look restless.
    """
    power = product = 0.0
    freedom = lines = 0
    for chosen in groups:
        if len(chosen) < 4:
            continue
        at = offset[chosen] - offset[chosen].mean()
        line = np.column_stack([np.ones(len(chosen)), at]) / standard_error[chosen, None]
        value = fouling[chosen] / standard_error[chosen]
        rest = value - line @ np.linalg.lstsq(line, value, rcond=None)[0]
        power += float(rest @ rest)
        product += float(rest[1:] @ rest[:-1])
        freedom += len(rest) - 2
        lines += 1
    if freedom <= 0 or power == 0.0:
        return 1.0, 0.0
    # the lines take some likeness away: about (1 + 4 r)/n for each of them
    alike = product / power
    alike += lines * (1.0 + 4.0 * max(alike, 0.0)) / (freedom + 2 * lines)
    scale = max(_LEAST_SCALE, float(np.sqrt(power / freedom)))
    return scale, float(np.clip(alike, 0.0, _MOST_ALIKE))


def _compared(
    mean: Floats, spread: Floats, common_sd: float, freedom: float, days: NDArray[np.datetime64]
) -> Comparison:
    """Compare two levels of the deposit, before and after, with covariance ``spread`` (2, 2)."""
    quantile = float(student_t.ppf(0.95, freedom))
    removed, left = float(mean[0] - mean[1]), float(mean[1])
    half = quantile * float(np.sqrt(spread[0, 0] + spread[1, 1] - 2.0 * spread[0, 1]))
    doubt = quantile * np.sqrt(np.diag(spread) + common_sd**2)
    before, after = (_cleanliness(float(m), float(d)) for m, d in zip(mean, doubt, strict=True))
    first, last = (datetime.fromisoformat(str(d)).replace(tzinfo=UTC) for d in (days[0], days[-1]))
    gain = Estimate(
        value=removed / (1.0 + left),
        low=(removed - half) / (1.0 + left),
        high=(removed + half) / (1.0 + left),
    )
    return Comparison(before=before, after=after, gain=gain, first_utc=first, last_utc=last)


def _cleanliness(deposit: float, half: float) -> Estimate:
    value, low, high = (1.0 / max(1.0 + f, 0.05) for f in (deposit, deposit + half, deposit - half))
    return Estimate(value=value, low=low, high=high)


def _share(mean: Floats, spread: Floats, common_sd: float, freedom: float) -> Estimate | None:
    """Return the share of the deposit that went; ``None`` if there was hardly any to be seen."""
    met, left = float(mean[0]), float(mean[1])
    whole = spread + common_sd**2
    if met < 2.0 * float(np.sqrt(whole[0, 0])):
        return None
    slope = np.array([left / met, -1.0]) / met
    half = float(student_t.ppf(0.95, freedom)) * float(np.sqrt(slope @ whole @ slope))
    share = (met - left) / met
    return Estimate(value=share, low=share - half, high=share + half)


def _outcome(at_visit: Estimate, measured: Estimate, recovered: Estimate | None) -> Outcome:
    """Tell what a visit achieved; an effect that either figure shows is one."""
    if not (_shows(at_visit) or _shows(measured)):
        return "no effect seen"
    full = _shows(at_visit) if recovered is None else recovered.value >= WORKED_SHARE
    return "worked" if full else "worked in part"


def _shows(gain: Estimate) -> bool:
    return gain.low > 0 and gain.value >= LEAST_GAIN
