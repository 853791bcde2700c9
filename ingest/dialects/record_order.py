"""The order of log records by their sequence numbers, over wraps and new beginnings.

Sequence numbers are Unsigned32 and go from 2**32 - 1 to 1 (ASHRAE 135, clause 12.25, Total_Record_Count);
a log that is set up anew begins again at 1.
"""

import numpy as np
import pandas as pd
from numpy.typing import NDArray

_TURN = float(2**32 - 1)  # numbers 1 to 2**32 - 1
# A number may be this far from its neighbour in the file and still be of the same turn.
_NEAR = 2**31


def unwrapped(sequence: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return numbers that go on over the wrap, for a file that does not jump by half a turn."""
    steps = np.diff(sequence, prepend=sequence[:1])
    turns = np.where(steps < -_NEAR, 1.0, np.where(steps > _NEAR, -1.0, 0.0))
    return np.asarray(sequence + np.cumsum(turns) * _TURN)


def in_log_order(
    code: NDArray[np.int64], sequence: NDArray[np.float64], stamps: NDArray[np.object_]
) -> NDArray[np.int64]:
    """Return the order of the rows in which each log's records were made.

    By the numbers, unless the order of the file has fewer stamps that go back: then the numbering
    began again within it. A log with a record that has no number stays in the order of the file.

    Parameters
    ----------
    code : ndarray of int, shape (n,)
        Which log a row is of.
    sequence : ndarray, shape (n,)
        Sequence numbers; NaN: none.
    stamps : ndarray of str, shape (n,)
        As in the file.
    """
    order = np.arange(len(code))
    when = pd.to_datetime(pd.Series(stamps), errors="coerce", format="ISO8601", utc=True).to_numpy()
    for log in np.unique(code):
        places = np.flatnonzero(code == log)
        numbers = sequence[places]
        if np.isnan(numbers).any() or len(places) < 2:
            continue
        as_filed = places
        if np.sum(np.diff(numbers) < 0) > len(numbers) / 2:  # newest first
            as_filed = places[::-1]
        by_number = places[np.argsort(_over_the_wrap(numbers), kind="stable")]
        restarted = _falls(when[as_filed]) < _falls(when[by_number])
        order[places] = as_filed if restarted else by_number
    return order


def _falls(when: NDArray[np.datetime64]) -> int:
    return int(np.sum(np.diff(when) < np.timedelta64(0, "us")))


def _over_the_wrap(numbers: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return numbers of which the low ones come after the high ones, where both are there."""
    if numbers.max() - numbers.min() <= _NEAR:
        return numbers
    return np.where(numbers < _NEAR, numbers + _TURN, numbers)


def missing_records(sequence: NDArray[np.float64]) -> tuple[int, int]:
    """Return how many numbers are left out, and how often the numbering began again.

    ``sequence``, shape (n,), in the order of the log.
    """
    numbers = unwrapped(sequence[~np.isnan(sequence)])
    steps = np.diff(numbers)
    wraps = int(np.sum(np.abs(np.diff(sequence[~np.isnan(sequence)])) > _NEAR))
    return int(np.sum(steps[steps > 1] - 1)), int(np.sum(steps < 0)) + wraps
