"""Sequential detection: has an unknown begun to move, and since when?

A generalised likelihood ratio over the onset and the shape (ramp, step) of a change in one unknown,
computed exactly from the daily matrices by cumulative sums. The uncertainty of the clean reference,
extrapolated to today's flows and temperatures, reduces the information by itself: a cold week whose
film exponents are not known well enough carries little. Causal: day d uses no later day.
"""

from dataclasses import dataclass

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


@dataclass(frozen=True, slots=True, kw_only=True)
class DriftScores:
    """Log likelihood ratios by day and unknown, each the best over onset and shape.

    Attributes
    ----------
    index : the unknowns tested, deposit first
    ratio : (d, k) log likelihood ratio, divided by the plant's restlessness
    onset : (d, k) day of the best onset
    size : (d, k) change since the onset, in the unknown's own unit
    """

    index: tuple[int, ...]
    ratio: Array
    onset: NDArray[np.int64]
    size: Array


def drift_scores(
    info: DailyInformation, index: tuple[int, ...], ready: int, surface_days: tuple[int, ...]
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
    """
    d, k, s = len(info.day), len(index), info.size
    t = info.day.astype(float) - info.day[0]
    rows = info.matrix[:, index, :]
    own = info.matrix[:, index, index]
    score = info.vector[:, index]
    sums = _Sums(t, rows, own, score)
    A, b = info.prior_matrix.copy(), info.prior_vector.copy()
    ratio, onset, size = np.zeros((d, k)), np.zeros((d, k), dtype=np.int64), np.zeros((d, k))
    for i in range(d):
        A += info.matrix[i]
        b += info.vector[i]
        if info.day[i] < ready:
            continue
        earliest = np.full(k, ready - BEFORE_READY)
        last_visit = max((v for v in surface_days if v <= info.day[i]), default=earliest[0])
        earliest[np.array(index) == DEPOSIT] = max(earliest[0], last_visit)
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
            slope = np.where(information > 1e-9 * np.maximum(s2, 1e-12), found / information, 0.0)
        llr = np.maximum(found * slope / 2, 0.0)
        llr[:, info.day[starts][:, None] < earliest[None, :]] = 0.0
        deposit = np.array(index) == DEPOSIT
        llr[:, :, deposit] = np.where(found[:, :, deposit] > 0, llr[:, :, deposit], 0.0)
        best = llr.reshape(-1, k).argmax(axis=0)
        shape, start = np.divmod(best, len(starts))
        cols = np.arange(k)
        ratio[i] = llr[shape, start, cols] / info.scale[i]
        onset[i] = info.day[starts[start]]
        lasted = np.where(shape == RAMP, t[i] - t[starts[start]], 1.0)
        size[i] = slope[shape, start, cols] * lasted
    return DriftScores(index=index, ratio=ratio, onset=onset, size=size)


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
    """Days on which the deposit is large enough, above the threshold and above every instrument, twice running."""
    above = (
        (scores.size[:, 0] > LEAST_DEPOSIT)
        & (scores.ratio[:, 0] > threshold)
        & (scores.ratio[:, 0] > scores.ratio[:, 1:].max(axis=1, initial=0.0))
    )
    twice = above.copy()
    twice[1:] &= above[:-1]
    twice[:1] = False
    return np.asarray(twice)
