"""Sequential detection: has an unknown begun to move, and since when?

A generalised likelihood ratio over the onset and the shape (ramp, step) of a change in one unknown,
computed exactly from the daily matrices by cumulative sums. The uncertainty of the clean reference,
extrapolated to today's flows and temperatures, reduces the information by itself: a cold week whose
film exponents are not known well enough carries little. Causal: day d uses no later day.
"""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from analytics.trends.daily import DailyInformation
from analytics.trends.model import DEPOSIT, Array

ONSETS_BACK = np.array([0, 1, 2, 4, 7, 11, 17, 26, 40, 60, 90, 140, 200])
BEFORE_READY = 21  # days before the end of the reference period an onset may lie
RAMP, STEP = 0, 1
LEAST_DEPOSIT = (
    0.02  # times U0, about the share of U at usual flows: less is no matter for an alert
)
# How far instruments go astray, as standard deviations: an error of tens of kelvin is no rival to a
# deposit, however well it would fit.
ASTRAY_K, ASTRAY_METER = 3.0, 0.1
MET_DAYS = 14  # with evidence before a visit: an alarm there is one the visit met
SETTLING_DAYS = 7  # after a visit, before what it left is judged


@dataclass(frozen=True, slots=True, kw_only=True)
class DriftScores:
    """Log likelihood ratios by day and unknown, each the best over onset and shape.

    Attributes
    ----------
    index : the unknowns tested, deposit first
    ratio : (d, k) log likelihood ratio, divided by the plant's restlessness
    onset : (d, k) day of the best onset
    size : (d, k) change since the onset, in the unknown's own unit
    rival : (d,) largest ratio of an instrument that may be named, over the onsets open to a deposit
    """

    index: tuple[int, ...]
    ratio: Array
    onset: NDArray[np.int64]
    size: Array
    rival: Array


def drift_scores(
    info: DailyInformation,
    index: tuple[int, ...],
    ready: int,
    surface_days: tuple[int, ...],
    accusable: tuple[int, ...],
) -> DriftScores:
    """Score every day from ``ready`` on; earlier days score zero.

    Parameters
    ----------
    index : tuple of int
        Unknowns to test; that of the deposit counts only when it grows.
    ready : int
        First day after the reference period.
    surface_days : tuple of int
        Days of visits to the plates: a deposit's onset cannot lie before the last of them.
    accusable : tuple of int
        Instruments that may be named: only these are rivals to a deposit.
    """
    d, k, s = len(info.day), len(index), info.size
    t = info.day.astype(float) - info.day[0]
    rows = info.matrix[:, index, :]
    own = info.matrix[:, index, index]
    score = info.vector[:, index]
    sums = _Sums(t, rows, own, score)
    A, b = info.prior_matrix.copy(), info.prior_vector.copy()
    ratio, onset, size = np.zeros((d, k)), np.zeros((d, k), dtype=np.int64), np.zeros((d, k))
    rival, may_be_named = np.zeros(d), np.isin(index, accusable)
    astray = np.array([_astray(unknown) for unknown in index])
    deposit = np.array(index) == DEPOSIT
    for i in range(d):
        A += info.matrix[i]
        b += info.vector[i]
        if info.day[i] < ready:
            continue
        earliest = np.full(k, ready - BEFORE_READY)
        last_visit = max((v for v in surface_days if v <= info.day[i]), default=earliest[0])
        since_visit = max(earliest[0], last_visit)
        earliest[deposit] = since_visit
        starts = np.unique(np.searchsorted(info.day, info.day[i] - ONSETS_BACK, side="left"))
        starts = starts[info.day[starts] >= earliest.min()]
        if len(starts) == 0:
            continue
        c, s2, s1 = sums.between(starts, i)  # (shape, start, k, s), (.., k), (.., k)
        solved = np.linalg.solve(A, np.column_stack([b, c.reshape(-1, s).T]))
        x, Ac = solved[:, 0], solved[:, 1:].T.reshape(c.shape)
        information = s2 - np.einsum("...s,...s->...", c, Ac)
        found = s1 - np.einsum("...s,s->...", c, x)
        with np.errstate(invalid="ignore", divide="ignore"):
            known = information > 1e-9 * np.maximum(s2, 1e-12)
            lasts = np.stack([t[i] - t[starts], np.ones(len(starts))])[..., None]
            slope = np.where(known, found / (information + (lasts / astray) ** 2), 0.0)
        llr = np.maximum(found * slope / 2, 0.0)
        llr[:, info.day[starts][:, None] < earliest[None, :]] = 0.0
        llr[:, :, deposit] = np.where(found[:, :, deposit] > 0, llr[:, :, deposit], 0.0)
        best = llr.reshape(-1, k).argmax(axis=0)
        shape, start = np.divmod(best, len(starts))
        cols = np.arange(k)
        ratio[i] = llr[shape, start, cols] / info.scale[i]
        onset[i] = info.day[starts[start]]
        lasted = np.where(shape == RAMP, t[i] - t[starts[start]], 1.0)
        size[i] = slope[shape, start, cols] * lasted
        # what was before a visit speaks neither for a deposit nor against one
        compared = llr[:, info.day[starts] >= since_visit][:, :, may_be_named]
        rival[i] = compared.max(initial=0.0) / info.scale[i]
    return DriftScores(index=index, ratio=ratio, onset=onset, size=size, rival=rival)


def _astray(unknown: int) -> float:
    if unknown == DEPOSIT:
        return float("inf")
    return ASTRAY_K if unknown < 4 else ASTRAY_METER


class _Sums:
    """Cumulative sums of the daily information times 1, t and t squared."""

    def __init__(self, t: Array, rows: Array, own: Array, score: Array) -> None:
        self.t = t
        self.rows = [_from_zero(rows * (t**m)[:, None, None]) for m in (0, 1)]
        self.own = [_from_zero(own * (t**m)[:, None]) for m in (0, 1, 2)]
        self.score = [_from_zero(score * (t**m)[:, None]) for m in (0, 1)]

    def between(self, starts: NDArray[np.int64], last: int) -> tuple[Array, Array, Array]:
        """Profile-weighted sums from each start to ``last`` inclusive, for ramp and step."""
        tau = self.t[starts][:, None]
        rows = [s[last + 1] - s[starts] for s in self.rows]
        own = [s[last + 1] - s[starts] for s in self.own]
        score = [s[last + 1] - s[starts] for s in self.score]
        c = np.stack([rows[1] - tau[..., None] * rows[0], rows[0]])
        s2 = np.stack([own[2] - 2 * tau * own[1] + tau**2 * own[0], own[0]])
        s1 = np.stack([score[1] - tau * score[0], score[0]])
        return c, s2, s1


def _from_zero(values: Array) -> Array:
    return np.concatenate([np.zeros((1, *values.shape[1:])), np.cumsum(values, axis=0)])


def alarm_threshold(false_alerts_per_year: float) -> float:
    """Log likelihood ratio that keeps false alarms at this rate per exchanger-year.

    Measured on simulated exchangers: 7 gave one in ten years, 10 aimed at one in a hundred.
    """
    rate = float(np.clip(false_alerts_per_year, 1e-4, 1.0))
    return float(7.0 + 3.0 * np.log10(0.1 / rate))


def deposit_alarm_days(scores: DriftScores, threshold: float) -> NDArray[np.bool_]:
    """Days on which the deposit is large enough, above the threshold and above its rivals, twice running."""
    return twice_running(
        (scores.size[:, 0] > LEAST_DEPOSIT)
        & (scores.ratio[:, 0] > threshold)
        & (scores.ratio[:, 0] > scores.rival)
    )


def deposit_left_days(
    day: NDArray[np.int64],
    alarm: NDArray[np.bool_],
    deposit: Array,
    deposit_sd: Array,
    surface_days: tuple[int, ...],
    threshold: float,
) -> NDArray[np.bool_]:
    """Days, twice running, with a deposit there for sure after a visit that met an alarm.

    What a visit leaves has no onset after it, so the drift scores cannot show it. The level can:
    it must lie as far above nought as the threshold asks of a drift.

    Parameters
    ----------
    day, alarm, deposit, deposit_sd : (d,) the account, and the days the drift scores raised
    """
    left = np.zeros(len(day), dtype=bool)
    clear = deposit - np.sqrt(2 * threshold) * deposit_sd > LEAST_DEPOSIT
    bounds = [*surface_days, np.iinfo(np.int64).max]
    for visit, following in pairwise(bounds):
        if (alarm | left)[day < visit][-MET_DAYS:].any():
            left |= clear & (day > visit + SETTLING_DAYS) & (day < following)
    return twice_running(left)


def twice_running(days: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return the days that follow on another such day with evidence."""
    twice = days.copy()
    twice[1:] &= days[:-1]
    twice[:1] = False
    return np.asarray(twice)
