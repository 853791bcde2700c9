"""Sequential detection: has an unknown begun to move, and since when?

A generalised likelihood ratio over the onset and the shape (ramp, step) of a change in one unknown
(Willsky and Jones, IEEE Transactions on Automatic Control 21, 1976, 108): one filter knows nothing
of changes; what a change from a given day would have done to its innovations is carried along for every
onset, and scored against them. The uncertainty of the clean reference, extrapolated to today's flows
and temperatures, reduces the information by itself: a cold week whose film exponents are not known
well enough carries little; and so does the instruments' wander. Causal: day d uses no later day.
"""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.special import log_ndtr

from analytics.trends.daily import DailyInformation
from analytics.trends.model import DEPOSIT, Array
from analytics.trends.wander import Wandering

ONSET_EVERY = 2  # days with evidence between two onsets
LONGEST_DAYS = 220  # how far back an onset is looked for
BEFORE_READY = 21  # days before the end of the reference period an onset may lie
RAMP, STEP = 0, 1
SHAPES = (RAMP, STEP)
# Share of U at the reference condition: less is no matter for an alert.
LEAST_LOSS = 0.025
# How far things go, as standard deviations: an error of tens of kelvin is no rival to a deposit, however
# well it would fit; nor do plates lose all they have within days, as a few odd hours of summer may say.
ASTRAY_K, ASTRAY_METER, ASTRAY_DEPOSIT = 3.0, 0.1, 0.3
# How large changes are where there are any, as standard deviations (judgement); a deposit only grows.
CHANGED_K, CHANGED_METER, GROWN = 1.5, 0.1, 0.05
MET_DAYS = 14  # with evidence before a visit: an alarm there is one the visit met
SETTLING_DAYS = 7  # after a visit, before what it left is judged


@dataclass(frozen=True, slots=True, kw_only=True)
class DriftScores:
    """Log likelihood ratios by day and unknown, each the best over onset and shape.

    Attributes
    ----------
    index : the unknowns tested, deposit first
    ratio : (d, k) log likelihood ratio
    onset : (d, k) day of the best onset
    size : (d, k) change since the onset, in the unknown's own unit
    rival : (d,) largest ratio of a rival instrument, over the onsets open to a deposit
    size_sd : (d, k) standard deviation of the size
    evidence : (d, k) log of the likelihood ratio averaged over onset, shape and size
    """

    index: tuple[int, ...]
    ratio: Array
    onset: NDArray[np.int64]
    size: Array
    rival: Array
    size_sd: Array
    evidence: Array


def drift_scores(
    info: DailyInformation,
    index: tuple[int, ...],
    ready: int,
    surface_days: tuple[int, ...],
    rivals: tuple[int, ...],
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
    rivals : tuple of int
        Instruments that a deposit must explain more than. A single meter is none: it explains whatever
        the plates do.
    """
    d, k = len(info.day), len(index)
    ratio, onset, size = np.zeros((d, k)), np.zeros((d, k), dtype=np.int64), np.zeros((d, k))
    size_sd, evidence = np.zeros((d, k)), np.zeros((d, k))
    rival, competes = np.zeros(d), np.isin(index, rivals)
    deposit = np.array(index) == DEPOSIT
    astray = np.array([_astray(unknown) for unknown in index])
    usual = np.array([_usual(unknown) for unknown in index])
    changes = _Changes(info, index, ready - BEFORE_READY)
    for i in range(d):
        changes.advance(i)
        day = int(info.day[i])
        if day < ready or not changes.days_of().size:
            continue
        starts = changes.days_of()
        since_visit = max((v for v in surface_days if v <= day), default=starts[0])
        lasts = changes.lasts(day)  # (shape, start)
        with np.errstate(invalid="ignore", divide="ignore"):
            slope = np.where(
                changes.known(),
                changes.score / (changes.information + (lasts[..., None] / astray) ** 2), 0.0,
            )  # fmt: skip
        llr = np.maximum(changes.score * slope / 2, 0.0)
        llr[:, starts < day - LONGEST_DAYS] = 0.0
        llr[(changes.score < 0) & deposit] = 0.0
        llr *= (starts >= since_visit)[:, None] | ~deposit
        best = llr.reshape(-1, k).argmax(axis=0)
        shape, start = np.divmod(best, len(starts))
        cols = np.arange(k)
        ratio[i] = llr[shape, start, cols]
        onset[i] = starts[start]
        size[i] = slope[shape, start, cols] * lasts[shape, start]
        size_sd[i] = lasts[shape, start] / np.sqrt(
            changes.information[shape, start, cols] + (lasts[shape, start] / astray) ** 2 + 1e-12
        )
        recent = (starts >= day - LONGEST_DAYS)[:, None]
        open_ = recent & ((starts >= since_visit)[:, None] | ~deposit)
        evidence[i] = _averaged(changes, lasts[..., None] / usual, open_, deposit)
        # what was before a visit speaks neither for a deposit nor against one
        compared = llr[:, starts >= since_visit][:, :, competes]
        rival[i] = compared.max(initial=0.0)
    return DriftScores(
        index=index, ratio=ratio, onset=onset, size=size, rival=rival, size_sd=size_sd,
        evidence=evidence,
    )  # fmt: skip


def _astray(unknown: int) -> float:
    if unknown == DEPOSIT:
        return ASTRAY_DEPOSIT
    return ASTRAY_K if unknown < 4 else ASTRAY_METER


def _usual(unknown: int) -> float:
    if unknown == DEPOSIT:
        return GROWN
    return CHANGED_K if unknown < 4 else CHANGED_METER


def _averaged(
    changes: "_Changes", inverse: Array, open_: NDArray[np.bool_], grows: NDArray[np.bool_]
) -> Array:
    """Return the log likelihood ratio averaged over onsets, shapes and normal sizes, (k,).

    Parameters
    ----------
    inverse : (shape, start, k) one over the standard deviation of the slope
    open_ : (start, k) onsets that count
    grows : (k,) unknowns that only grow: half of the normal
    """
    information = changes.information + inverse**2
    middle, sd = changes.score / information, information**-0.5
    log = changes.score * middle / 2 + np.log(inverse * sd)
    log = np.where(grows, log + np.log(2.0) + log_ndtr(middle / sd), log)
    log = np.where(open_, log, -np.inf)
    counted = np.maximum(len(SHAPES) * open_.sum(axis=0), 1)
    return np.asarray(np.logaddexp.reduce(log, axis=(0, 1)) - np.log(counted))


class _Changes:
    """One filter in which nothing moves but the wander, and what each possible change does to it.

    ``shift`` (shape, start, k, s) is what the change has done to the filter's state so far, ``score``
    and ``information`` (shape, start, k) what the innovations say of its size.
    """

    def __init__(self, info: DailyInformation, index: tuple[int, ...], earliest: int) -> None:
        self.info, self.index, self.earliest = info, np.array(index), earliest
        self.wandering = Wandering.beside(info.size)
        self.x, self.P = self.wandering.start(info.prior_matrix, info.prior_vector)
        self.starts: list[int] = []
        self.seen = 0
        empty = (len(SHAPES), 0, len(index))
        self.score, self.information = np.zeros(empty), np.zeros(empty)
        self.shift = np.zeros((*empty, self.wandering.size))

    def days_of(self) -> NDArray[np.int64]:
        """Return the onsets under way, rising."""
        return np.array(self.starts, dtype=np.int64)

    def lasts(self, day: int) -> Array:
        """Return how far each change has gone on a day, per unit of its slope: days, or one."""
        starts = self.days_of()
        return np.stack([(day - starts + 1).astype(float), np.ones(len(starts))])

    def known(self) -> NDArray[np.bool_]:
        """Tell of which changes the innovations say anything at all."""
        return np.asarray(self.information > 1e-9)

    def advance(self, i: int) -> None:
        """Take in the day of row ``i``."""
        info, turn = self.info, self.wandering.turn
        day = int(info.day[i])
        if i:
            self._forget(float(day - info.day[i - 1]))
        if day >= self.earliest:
            if self.seen % ONSET_EVERY == 0:
                self._open(day)
            self.seen += 1
        L = turn.T @ (info.matrix[i] / info.scale[i]) @ turn
        E = turn.T @ (info.vector[i] / info.scale[i])
        g = E - L @ self.x
        gain = np.linalg.inv(np.eye(len(L)) + self.P @ L)  # (I + P L)^-1
        N = L @ gain
        N = (N + N.T) / 2
        self._score(day, g @ gain, N)
        P = gain @ self.P
        self.P = (P + P.T) / 2
        self.x = self.x + self.P @ g

    def _forget(self, gap: float) -> None:
        keep, added = self.wandering.forget(gap)
        self.x = keep * self.x
        self.P = keep[:, None] * self.P * keep
        self.P[np.diag_indices_from(self.P)] += added
        self.shift *= keep

    def _open(self, day: int) -> None:
        self.starts.append(day)
        new = (len(SHAPES), 1, len(self.index))
        self.score = np.concatenate([self.score, np.zeros(new)], axis=1)
        self.information = np.concatenate([self.information, np.zeros(new)], axis=1)
        self.shift = np.concatenate([self.shift, np.zeros((*new, self.shift.shape[-1]))], axis=1)

    def _score(self, day: int, innovation: Array, N: Array) -> None:
        """Score the changes: ``d' (I + L P)^-1 g`` and ``d' L (I + P L)^-1 d`` for a shift ``d``."""
        if not self.starts:
            return
        ahead = -self.shift
        lasts = self.lasts(day)
        for j, unknown in enumerate(self.index):
            ahead[:, :, j, unknown] += lasts
        weighed = ahead @ N
        self.score += ahead @ innovation
        self.information += np.einsum("abks,abks->abk", ahead, weighed)
        self.shift += weighed @ self.P


def alarm_threshold(false_alerts_per_year: float) -> float:
    """Log likelihood ratio that keeps false alarms at this rate per exchanger-year.

    On pure noise (66 exchanger-years, every size counted) 5 was passed for two days running, and above
    every rival, 0.08 times a year, 6 0.03 times, 7 never. Plants do more than that: at 7 there were 8
    false alerts in 300 clean simulated exchanger-years of the kinds that give trouble, hence two more.
    """
    rate = float(np.clip(false_alerts_per_year, 1e-4, 1.0))
    return float(9.0 + 2.2 * np.log10(0.01 / rate))


def deposit_alarm_days(scores: DriftScores, threshold: float, least: float) -> NDArray[np.bool_]:
    """Days on which the deposit is large enough, above the threshold and above its rivals, twice running.

    ``least``: deposit that is worth an alarm, times U0.
    """
    return twice_running(
        (scores.size[:, 0] > least)
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
    least: float,
) -> NDArray[np.bool_]:
    """Days, twice running, with a deposit there for sure after a visit that met an alarm.

    What a visit leaves has no onset after it, so the drift scores cannot show it. The level can:
    it must lie as far above nought as the threshold asks of a drift.

    Parameters
    ----------
    day, alarm, deposit, deposit_sd : (d,) the account, and the days the drift scores raised
    least : deposit that is worth an alarm, times U0
    """
    left = np.zeros(len(day), dtype=bool)
    clear = deposit - np.sqrt(2 * threshold) * deposit_sd > least
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
