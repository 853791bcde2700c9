"""Stamps that do not fit between their neighbours: a damaged date or clock in an orderly file."""

import numpy as np
from numpy.typing import NDArray

# More such rows than this, and the file is not in order: then order says nothing.
_SHARE_MOST = 0.02
_ROWS_ALWAYS = 3


def in_order(times: NDArray[np.datetime64]) -> bool:
    """Tell whether no stamp lies before the one ahead of it."""
    return not np.any(times[1:] < times[:-1])


def strays(
    time_utc: NDArray[np.datetime64],
    series: NDArray[np.int64],
    newest_first: bool,
    orderly: bool | None = None,
) -> tuple[NDArray[np.bool_], bool]:
    """Tell which rows of an orderly file stand alone outside the order of their neighbours.

    Parameters
    ----------
    time_utc : ndarray of datetime64, shape (n,)
        In the order of the file.
    series : ndarray of int, shape (n,)
        Which point a row belongs to; order counts within a point.
    newest_first : bool
        The file runs backwards.
    orderly : bool, optional
        Whether the file is in order, where that is known from more than these rows.

    Returns
    -------
    stray, orderly
        Of a file that is not orderly no row counts.

    Notes
    -----
    A row counts where those before and after it are in order with each other and it lies outside
    of them. Two rows that merely changed places both look so, and are both left alone.
    """
    found = np.zeros(len(time_utc), dtype=bool)
    if len(time_utc) < 4:
        return found, orderly is not False
    one = not series.any()
    if one and in_order(time_utc[::-1] if newest_first else time_utc):
        return found, orderly is not False  # as nearly every file is
    order = np.arange(len(time_utc)) if one else np.argsort(series, kind="stable")
    t = time_utc[order].astype("datetime64[us]").astype(np.int64)
    if newest_first:
        t = -t
    code = series[order]
    same = code[1:] == code[:-1]
    if not np.any(same & (t[1:] < t[:-1])):
        return found, orderly is not False  # in order throughout
    far = np.iinfo(np.int64).max
    before = np.where(np.append(False, same), np.append(0, t[:-1]), -far)
    after = np.where(np.append(same, False), np.append(t[1:], 0), far)
    outside = (before <= after) & ((t < before) | (t > after))
    # at either end only one neighbour tells; it must itself be in order with the next
    alone = outside & ~np.append(outside[1:], False) & ~np.append(False, outside[:-1])
    if orderly is None:
        orderly = bool(alone.sum() <= max(_ROWS_ALWAYS, _SHARE_MOST * len(t)))
    if orderly:
        found[order[alone]] = True
    return found, orderly
