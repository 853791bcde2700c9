"""A thermometer that was changed or moved between two stretches of idle hours.

Lives here: the single error that explains why one summer's differences are not the last one's. Not
here: the idle hours themselves (``idle``). What lies between is a heating season, so the day of the
change is not known; it is known from the day on which work begins again.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from analytics.trends.idle import CONTRASTS, Stretch
from analytics.trends.model import Array
from analytics.trends.tracking import MATTERS_K

REPEATS_K = 0.10  # sd of a contrast from summer to summer: 0.04 to 0.10 K on a real substation
LEAST_STEP_K = 0.6
CLEARLY = 3.0  # standard deviations
UNEXPLAINED = 0.5  # of the step: what may be left over
WANDER_DAYS = 14.0  # over which a stretch's differences keep together, so that longer ones average
DENIAL = 3.0  # log likelihood by which idle hours must speak against an error that is claimed
NEW_K = 0.5  # a claim that grew by more since is a new one


@dataclass(frozen=True, slots=True, kw_only=True)
class ThermometerStep:
    """One thermometer reads ``size_K`` more since a day between ``after`` and ``known``.

    Attributes
    ----------
    index : position of the thermometer, 0 to 3
    after, known : last day of the earlier stretch, last day of the later one; days since 1970
    """

    index: int
    after: int
    known: int
    size_K: float
    sd_K: float


def thermometer_steps(stretches: Sequence[Stretch]) -> list[ThermometerStep]:
    """Find the steps between stretches at standstill, each against the one before.

    Two thermometers that were changed in one season, or a room that was, are no single step and are
    left to the statements' own uncertainty.
    """
    found = []
    for earlier, later in pairwise(stretches):
        change = CONTRASTS @ (later.middle_K - earlier.middle_K)
        sd = np.sqrt(2 * REPEATS_K**2 + _of_median(earlier) ** 2 + _of_median(later) ** 2)
        index, size, size_sd, left = _single_error(change, sd)
        if abs(size) > max(LEAST_STEP_K, CLEARLY * size_sd) and left < UNEXPLAINED * abs(size):
            found.append(
                ThermometerStep(
                    index=index, after=earlier.last, known=later.last, size_K=size, sd_K=size_sd
                )
            )
    return found


def shift_K(
    steps: Sequence[ThermometerStep], day: NDArray[np.int64], *, known: bool = True
) -> Array:
    """Return by how much each thermometer reads more than in the reference period, shape (n, 4).

    ``known``: from the day on which it was found out; else from the middle of the season in which it
    happened, which only a look back can tell.
    """
    total = np.zeros((len(day), 4))
    for step in steps:
        since = step.known + 1 if known else (step.after + step.known) // 2
        total[day >= since, step.index] += step.size_K
    return total


def denied(
    day: NDArray[np.int64], claimed_K: Array, stretches: Sequence[Stretch],
    steps: Sequence[ThermometerStep], ready: int,
) -> NDArray[np.bool_]:  # fmt: skip
    """Tell, for each day and thermometer, whether idle hours deny that it moved as claimed.

    What is claimed must show in the last summer's differences against those of the reference period,
    unless the claim has grown since that summer by as much as matters: then it is a new one, and open.
    Where no idle hours came before the end of the reference period, the first that came after it are the
    measure, and of a claim only what has come since them can be denied.

    Parameters
    ----------
    day : (d,) days with evidence, rising
    claimed_K : (d, 4) move since the reference period under the explanation that this one moved; NaN:
        none claimed
    stretches, steps : those at standstill, and what was found between them
    ready : first day after the reference period

    Returns
    -------
    ndarray of bool, shape (d, 4)
    """
    found = np.zeros(claimed_K.shape, dtype=bool)
    base = next((s for s in reversed(stretches) if s.last < ready), None)
    base = base or (stretches[0] if stretches else None)
    by_then = np.zeros(claimed_K.shape[1])
    if base is not None and base.last >= ready:
        row = int(np.searchsorted(day, base.last, side="right")) - 1
        by_then = np.nan_to_num(claimed_K[max(row, 0)])
    for stretch in stretches:
        before = int(np.searchsorted(day, stretch.first)) - 1
        after = int(np.searchsorted(day, stretch.last, side="right"))
        if stretch is base or before < 0 or base is None or stretch.last < base.last:
            continue
        change = CONTRASTS @ (stretch.middle_K - base.middle_K)
        variance = 2 * REPEATS_K**2 + _of_median(base) ** 2 + _of_median(stretch) ** 2
        for step in steps:
            if base.last <= step.after and step.known <= stretch.last:
                change = change - CONTRASTS[:, step.index] * step.size_K
        now = np.nan_to_num(claimed_K[after:]) - by_then
        left = change[None, :, None] - CONTRASTS[None] * now[:, None, :]
        weight = 1.0 / (2 * variance)
        against = np.einsum("c,ncj->nj", weight, left**2) - weight @ change**2
        grown = np.abs(now + by_then - np.nan_to_num(claimed_K[before])) > NEW_K
        # what the first idle hours had already in them they cannot deny
        stands = np.abs(by_then) > MATTERS_K
        found[after:] = (against > DENIAL) & ~grown & ~stands
    return found


def _of_median(stretch: Stretch) -> Array:
    """Return the standard deviation of a stretch's median contrasts from their wander."""
    weeks = max(stretch.last - stretch.first, 1) / WANDER_DAYS
    return np.asarray(stretch.wander_K / np.sqrt(max(weeks, 1.0)))


def _single_error(change: Array, sd: Array) -> tuple[int, float, float, float]:
    """Return the thermometer whose error explains three contrasts best, its size, sd, and the rest.

    The pipes' own unevenness repeats from summer to summer and drops out of a change.
    """
    weight = sd**-2.0
    information = weight @ CONTRASTS**2  # (4,)
    size = (weight * change) @ CONTRASTS / information
    rest = change[:, None] - CONTRASTS * size
    best = int((weight @ rest**2).argmin())
    left = float(np.abs(rest[:, best]).max())
    return best, float(size[best]), float(information[best] ** -0.5), left
