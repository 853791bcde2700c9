"""Whether a visit showed the clean reference to have been fouled itself, and by how much.

A visit that leaves the plates where the reference has them confirms it; one that recovers only part
says nothing against it; one that leaves them clearly better than "clean" proves that the first weeks
were not clean, and the yardstick moves from then on. Decided from the days after the visit alone, so
that the figure of a day never rests on later ones.
"""

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from analytics.trends.model import Array

SETTLED_DAYS = 14  # with evidence, after a visit
SURE = 2.5  # standard deviations
LEAST_MOVE = 0.02  # times U0


def yardstick_moves(
    day: NDArray[np.int64], deposit: Array, deposit_sd: Array, visits: tuple[int, ...]
) -> Array:
    """Return by how much less deposit than the reference stands for clean, by day, (d,), never above 0.

    Parameters
    ----------
    day, deposit, deposit_sd : (d,) the account as kept against the reference, times U0
    visits : days of visits to the plates, rising
    """
    move = np.zeros(len(day))
    level = 0.0
    for visit, following in pairwise([*visits, np.iinfo(np.int64).max]):
        since = np.flatnonzero((day > visit) & (day < following))[:SETTLED_DAYS]
        if len(since) < SETTLED_DAYS:
            continue
        last = since[-1]
        if deposit[last] + SURE * deposit_sd[last] < level - LEAST_MOVE:
            level = float(deposit[last])
            move[last:] = level
    return move
