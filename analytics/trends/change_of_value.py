"""What logging on change leaves open: by how much a point may move unheard, and what that does to a mean.

Lives here: the increment a logger waits for, as its record shows it, and the variance of an hourly
mean of held values. Not here: how long a value is held (``grid``).
"""

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
FIRST_MOVES = 500  # only these, so that later data never changes what was concluded before
SLOW_TICKS = 3.0  # shortest spacings: a move after so long a rest is a slow one
SLOW_SHARE = 0.7


def increment_of(time_s: Array, values: Array) -> float:
    """Return the increment by which a point logged on change moves between two records.

    A point that moved fast is recorded late and by more than the increment, one that trembles at an
    edge by less. After a rest it has moved by the increment, so that most of those moves are no
    larger. The smallest moves, which were taken before, gave a fifth to a tenth of it.
    """
    move, rest = np.abs(np.diff(values)), np.diff(time_s)
    move, rest = move[: 4 * FIRST_MOVES], rest[: 4 * FIRST_MOVES]
    moved = move > 0
    if not moved.any():
        return 0.0
    slow = moved & (rest >= SLOW_TICKS * np.quantile(rest[moved], 0.05))
    chosen = move[slow if slow.sum() >= 20 else moved][:FIRST_MOVES]
    return float(np.quantile(chosen, SLOW_SHARE))


def held_mean_variance(increment: Array | float, updates: Array) -> Array:
    """Return the variance of each hour's mean of a point that is held between its changes, shape (n,).

    Between two records the truth lies anywhere within one increment on either side of the value held:
    variance increment**2 / 3. With every record in the hour the error is drawn anew, and the mean of
    them counts. Without one the hours share one error, so that the tenth hour of a rest has little to
    say that the nine before it did not.

    Parameters
    ----------
    increment : float or (n,)
    updates : (n,) records in each hour
    """
    rest = np.zeros(len(updates))
    silent = updates == 0
    # hours of silence up to and with each hour
    count = np.cumsum(silent)
    before = np.maximum.accumulate(np.where(silent, 0, count))
    rest[silent] = (count - before)[silent]
    return np.asarray(np.square(increment) / 3.0 / (1.0 + updates) * np.maximum(rest, 1.0))
