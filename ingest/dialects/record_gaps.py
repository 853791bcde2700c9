"""Gaps of a trend log by its own records: where it was off, interrupted, emptied, or lost records.

A log on change of value says by its silence that nothing changed. These records say that it was no such
silence, so they are kept as gaps beside the readings (``analytics.vocabulary.gaps``). So does a row of any
list of single points that has no usable value; an empty cell of a wide table says nothing, as its row may be
there for another point.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from ingest.dialects.record_order import unwrapped

# A record that speaks of the time before it, and is the first of its file, speaks of this long.
BEFORE_FIRST = np.timedelta64(6 * 3600, "s").astype("timedelta64[us]")
_US = "datetime64[us]"


@dataclass(frozen=True, slots=True, kw_only=True)
class LogRecords:
    """Records of one log in the order in which they were made; all arrays of shape (n,).

    ``status`` is the text of a log-status record and "" of any other; ``lost_from`` is what a reader of the
    log says: from when on records before this one are, or may be, missing; NaT: nothing is said.
    """

    when: NDArray[np.datetime64]
    usable: NDArray[np.bool_]  # has a value that can be used
    valued: NDArray[np.bool_]  # is there for its value, usable or not
    status: NDArray[np.object_]
    sequence: NDArray[np.float64]  # NaN: none
    lost_from: NDArray[np.datetime64]


def gaps_of_log(log: LogRecords) -> pd.DataFrame:
    """Return begin, end and reason of the log's gaps.

    A gap ends with the next usable value, or with the last record where there is none: a value from
    before says nothing of what comes after. A log that was switched off, and a record without a usable
    value, begin one at their own stamp; an interruption says that records *before* it may be missing
    (ASHRAE 135, clause 12.25, Log_Buffer), so it begins at the record before. So do numbers left out. A
    purge empties the log of what may have been read before: it begins there too unless the numbers show
    that nothing is missing.
    """
    dated = np.flatnonzero(~np.isnat(log.when))
    if not len(dated):
        return _frame(np.empty(0, _US), np.empty(0, _US), np.empty(0, object))
    when = log.when[dated].astype(_US)
    lost_from = log.lost_from[dated].astype(_US)
    lost = ~np.isnat(lost_from)
    first = np.where(lost[:1], lost_from[:1], when[:1] - BEFORE_FIRST)
    before = np.concatenate([first, when[:-1]])
    status = log.status[dated]
    jump, whole = _jumps(log.sequence[dated])
    purged = _says(status, "purged")
    good = np.flatnonzero(log.usable[dated])
    blank = log.valued[dated] & ~log.usable[dated]
    at = np.flatnonzero(blank)
    # a second record of the same stamp that has a value stands
    valued = np.append(np.sort(when[good]), np.datetime64("NaT", "us"))
    blank[at] = valued[np.searchsorted(valued[:-1], when[at])] != when[at]
    causes = (
        ("log disabled", _says(status, "disabled"), when),
        ("log interrupted", _says(status, "interrupted"), before),
        ("buffer purged", purged & ~whole & ~lost, before),
        ("buffer purged", purged & (whole | lost), when),
        ("no usable value", blank, when),
        ("records missing", lost, lost_from),
        ("records missing", jump, before),
    )
    begins = np.concatenate([at[mask] for _, mask, at in causes])
    places = np.concatenate([np.flatnonzero(mask) for _, mask, _ in causes])
    reasons = np.concatenate([np.full(int(m.sum()), r, dtype=object) for r, m, _ in causes])
    following = np.searchsorted(good, places)
    ends = np.append(when[good], when.max())[following]
    return _merged(following, begins, np.maximum(ends, begins), reasons)


def gaps_of_rows(when: NDArray[np.datetime64], values: NDArray[np.float64]) -> pd.DataFrame | None:
    """Return the gaps of a point whose rows may say that there is no value; ``None``: no row does.

    Parameters
    ----------
    when, values : ndarray, shape (n,)
        Stamps in any order, all given; NaN: the row is there and has no usable value.
    """
    usable = np.isfinite(values)
    if usable.all():
        return None
    order = np.argsort(when, kind="stable")
    n = len(when)
    return gaps_of_log(
        LogRecords(
            when=when[order], usable=usable[order], valued=np.ones(n, dtype=bool),
            status=np.full(n, "", dtype=object), sequence=np.full(n, np.nan),
            lost_from=np.full(n, np.datetime64("NaT"), _US),
        )
    )  # fmt: skip


def _says(status: NDArray[np.object_], word: str) -> NDArray[np.bool_]:
    """Tell which records' status holds a word; most records have none."""
    found = np.zeros(len(status), dtype=bool)
    some = np.flatnonzero(status != "")
    found[some] = pd.Series(status[some], dtype=object).str.contains(word).to_numpy(dtype=bool)
    return found


def _jumps(sequence: NDArray[np.float64]) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Return before which records numbers are left out, and which follow the one before them."""
    steps = np.diff(unwrapped(sequence), prepend=np.nan) if len(sequence) else sequence
    with np.errstate(invalid="ignore"):
        return (steps > 1) | (steps < 0), steps == 1


def _merged(
    following: NDArray[np.intp], begins: NDArray[np.datetime64], ends: NDArray[np.datetime64],
    reasons: NDArray[np.object_],
) -> pd.DataFrame:  # fmt: skip
    """Join what ends with the same value into one gap, named after what comes first."""
    order = np.lexsort((begins, following))
    _, first = np.unique(following[order], return_index=True)
    chosen = order[first]
    last = pd.Series(ends).groupby(following).max().to_numpy()  # in the order of ``following``
    return _frame(begins[chosen], last, reasons[chosen])


def _frame(
    begins: NDArray[np.datetime64], ends: NDArray[np.datetime64], reasons: NDArray[np.object_]
) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "begin_utc": pd.DatetimeIndex(begins).tz_localize("UTC"),
            "end_utc": pd.DatetimeIndex(ends).tz_localize("UTC"),
            "reason": pd.Series(reasons, dtype=object),
        }
    )
