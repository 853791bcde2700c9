"""Steps of single unknowns in the last weeks, scored day by day.

Lives here: how likely a step of each unknown on each day is. Not here: which of them is told
(``analytics.decisions.unlogged``).

Each day the last weeks with evidence are looked at by themselves. In them the deposit has a level, a
slope and a bend every week, all unknown, so that a growth, a slow loss and the day-to-day wander are no
step; the film law and the instruments are what the reference period knew, loosened. A step of one
unknown on one day is then scored against none, so that those of different unknowns can be compared.
Causal: the scores of a day rest on that day and earlier ones.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analytics.trends.daily import DailyInformation
from analytics.trends.drift import ASTRAY_K, ASTRAY_METER
from analytics.trends.model import DEPOSIT, Array

BEFORE_DAYS, AFTER_DAYS = 30, 16  # with evidence, at the most, on either side of the step
LEAST_BEFORE, LEAST_AFTER = 8, 5
REACH_DAYS = 240  # calendar days from the first to the last of them
LONGEST_DAYS = 7.0  # a standstill counts for no more: plates that do no work hardly change
KNOT_DAYS = 7.0
LEVEL_SD = 1.0  # times U0: nothing is known of it
SLOPE_SD = 0.004  # times U0 per day
BEND_SD = 0.0015  # of the slope, every week
DRIFT_K, DRIFT_METER = 0.05, 0.003  # per day: what is no step of an instrument
LOOSE_K, LOOSE_METER = 0.3, 0.01  # what instruments may have moved since the reference period
NINE_IN_TEN_LOG = 1.353  # fall of the log likelihood at the ends of a nine-in-ten interval


@dataclass(frozen=True, slots=True, kw_only=True)
class StepScores:
    """Steps in one window, by the first day after them (j,) and by unknown (k,).

    Attributes
    ----------
    index : (k,) the unknowns
    row : (j,) row of the first day with evidence after the step
    ratio : (j, k) log likelihood ratio against no step, divided by the plant's restlessness
    size, sd : (j, k) in the unknown's own unit
    """

    index: tuple[int, ...]
    row: NDArray[np.int64]
    ratio: Array
    size: Array
    sd: Array

    def near(self, j: int, k: int) -> tuple[int, int]:
        """Return first and last row within which the step ``j`` lies nine times in ten."""
        likely = np.flatnonzero(self.ratio[:, k] > self.ratio[j, k] - NINE_IN_TEN_LOG)
        return int(self.row[likely[0]]), int(self.row[likely[-1]])


def reference_knowledge(
    info: DailyInformation, ready: int, moved: Mapping[int, float]
) -> tuple[Array, Array]:
    """Return information matrix and vector of the reference period, loosened, the deposit free.

    ``moved``: by how much more an unknown may have moved since, as a standard deviation.
    """
    inside = info.day < ready
    A = info.prior_matrix + info.matrix[inside].sum(axis=0)
    b = info.prior_vector + info.vector[inside].sum(axis=0)
    P = np.linalg.inv(A)
    loose = np.zeros(info.size)
    loose[:4], loose[4:6], loose[DEPOSIT] = LOOSE_K, LOOSE_METER, LEVEL_SD
    for index, sd in moved.items():
        loose[index] = np.hypot(loose[index], sd)
    wide = np.linalg.inv(P + np.diag(loose**2))
    return wide, wide @ P @ b


def _shapes(
    days: NDArray[np.int64], index: tuple[int, ...]
) -> tuple[Array, NDArray[np.int64], Array]:
    """Return what may happen slowly, by day (d, m), to which unknown (m,), and its spread (m,).

    Each unknown may have a slope, the deposit a bend every week besides.
    """
    t = np.concatenate([[0.0], np.cumsum(np.minimum(np.diff(days), LONGEST_DAYS))])
    knots = np.arange(KNOT_DAYS, t[-1], KNOT_DAYS)
    bends = np.maximum(t[:, None] - knots[None, :], 0.0)
    slopes = np.repeat(t[:, None], len(index), axis=1)
    of = np.array([*index, *[DEPOSIT] * len(knots)])
    slope_sd = [SLOPE_SD if i == DEPOSIT else DRIFT_K if i < 4 else DRIFT_METER for i in index]
    return np.hstack([slopes, bends]), of, np.array([*slope_sd, *[BEND_SD] * len(knots)])


def step_scores(
    info: DailyInformation,
    index: tuple[int, ...],
    last: int,
    known: tuple[Array, Array],
    *,
    since: int,
    ready: int,
) -> StepScores | None:
    """Score the steps in the window that ends with a row; ``None``: too few days.

    Parameters
    ----------
    index : tuple of int
        Unknowns that may have stepped.
    last : int
        Row of ``info``; no later one is used.
    known : (s, s), (s,)
        What the reference period knew, see :func:`reference_knowledge`.
    since : int
        Day before which nothing is looked at, such as that of the last step found.
    ready : int
        First day after the reference period: no step lies before it.
    """
    first = int(np.searchsorted(info.day, max(info.day[last] - REACH_DAYS, since)))
    first = max(first, last + 1 - BEFORE_DAYS - AFTER_DAYS)
    n = last + 1 - first
    starts = np.arange(max(LEAST_BEFORE, n - AFTER_DAYS), n - LEAST_AFTER + 1)
    starts = starts[info.day[first + starts] >= ready]
    if len(starts) == 0:
        return None
    rows = slice(first, last + 1)
    L, E = info.matrix[rows] / info.scale[last], info.vector[rows] / info.scale[last]
    shape, of, shape_sd = _shapes(info.day[rows], index)
    s, m = info.size, len(of)
    A = np.zeros((s + m, s + m))
    A[:s, :s] = known[0] + L.sum(axis=0)
    A[s:, :s] = np.einsum("nm,nms->ms", shape, L[:, of, :])
    A[:s, s:] = A[s:, :s].T
    A[s:, s:] = np.einsum("nm,nmo,no->mo", shape, L[:, of[:, None], of[None, :]], shape)
    A[s:, s:] += np.diag(shape_sd**-2.0)
    b = np.concatenate([known[1] + E.sum(axis=0), (shape * E[:, of]).sum(axis=0)])
    # what a step of each unknown shares with all the others: sums over the days after it
    after = _sums_after(L[:, index, :])[starts]  # (j, k, s)
    bent = np.stack([_sums_after(shape * L[:, i, of])[starts] for i in index], axis=1)
    shared = np.concatenate([after, bent], axis=2)
    solved = np.linalg.solve(A, np.column_stack([b, shared.reshape(-1, s + m).T]))
    explained = np.einsum("jks,jks->jk", shared, solved[:, 1:].T.reshape(shared.shape))
    information = np.maximum(after[:, np.arange(len(index)), index] - explained, 0.0)
    score = _sums_after(E[:, index])[starts] - shared @ solved[:, 0]
    total = information + np.array([_astray(i) for i in index]) ** -2.0
    size = score / total
    return StepScores(
        index=index, row=first + starts, ratio=score * size / 2, size=size, sd=total**-0.5
    )


def _astray(unknown: int) -> float:
    if unknown == DEPOSIT:
        return LEVEL_SD
    return ASTRAY_K if unknown < 4 else ASTRAY_METER


def _sums_after(values: Array) -> Array:
    """Return the sums of each row and all later ones."""
    return np.flip(np.cumsum(np.flip(values, axis=0), axis=0), axis=0)
