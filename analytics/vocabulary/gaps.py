"""Gaps that a logger itself tells of: stretches over which the last reading says nothing.

A gap frame has a row for each gap and the columns of ``GAP_COLUMNS``: the role, the aware UTC times of
its begin and its end, and in a few words why. ``begin_utc`` is the last moment for which the reading
before may stand; where nobody knows when the gap began that is the stamp of this reading itself. ``end_utc`` is the next
usable value, or where the source ends before it the last of what it says.
"""

import pandas as pd

GAP_COLUMNS = ("role", "begin_utc", "end_utc", "reason")


def empty_gaps() -> pd.DataFrame:
    """Return a gap frame without rows."""
    moment = pd.DatetimeIndex([], tz="UTC").as_unit("us")
    return pd.DataFrame(
        {
            "role": pd.Series(dtype=object),
            "begin_utc": moment,
            "end_utc": moment,
            "reason": pd.Series(dtype=object),
        }
    )
