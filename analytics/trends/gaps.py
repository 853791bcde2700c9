"""What a gap that the logger told of does to the holding times of samples."""

import numpy as np
import pandas as pd
from numpy.typing import NDArray

Seconds = NDArray[np.float64]


def gaps_of(gaps: pd.DataFrame | None, role: str) -> Seconds:
    """Return begin and end of the gaps of ``role``, shape (m, 2), s since 1970, by their begin."""
    if gaps is None or gaps.empty:
        return np.empty((0, 2))
    mine = gaps[gaps["role"] == role].sort_values("begin_utc")
    ends = [pd.DatetimeIndex(mine[c]).as_unit("us").asi8 for c in ("begin_utc", "end_utc")]
    return np.column_stack(ends) / 1e6


def cut_at_gaps(
    time_s: Seconds, hold_s: Seconds, own_s: Seconds, inside_s: Seconds, gaps_s: Seconds
) -> Seconds:
    """Return holding times that end where a gap begins.

    Parameters
    ----------
    time_s, hold_s : ndarray, shape (n,)
        Rising stamps, and how long each sample would hold.
    own_s : ndarray, shape (n,)
        What is left of a sample at whose stamp a gap begins: the interval it was taken for, or nothing
        where it was logged on change.
    inside_s : ndarray, shape (n,)
        How long a sample holds that another source gave for the time of a gap: it is good, but silence
        after it means nothing.
    gaps_s : ndarray, shape (m, 2)
        As :func:`gaps_of` returns them.
    """
    if not len(gaps_s):
        return hold_s
    begin, until = gaps_s[:, 0], np.maximum.accumulate(gaps_s[:, 1])
    following = np.searchsorted(begin, time_s, side="left")
    left = np.append(begin, np.inf)[following] - time_s
    cut = np.minimum(hold_s, np.where(left == 0.0, own_s, left))
    inside = (following > 0) & (time_s < until[np.maximum(following - 1, 0)])
    return np.where(inside, np.minimum(cut, inside_s), cut)
