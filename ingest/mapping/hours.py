"""Points of one exchanger on common hours, whatever their own spacing."""

from collections.abc import Mapping

import numpy as np
import pandas as pd

HOURS_MOST = 2000
# A point that reports changes alone says nothing while it stands; beyond this it may be dead.
_STANDS_H = 3


def common_hours(points: Mapping[str, pd.Series]) -> pd.DataFrame:
    """Return hourly means of ``points``, an even choice of at most ``HOURS_MOST`` hours.

    Each series is indexed by rising UTC stamps; a gap of more than three hours stays a gap.
    """
    if not points:
        return pd.DataFrame()
    hourly = {name: _hourly(series).ffill(limit=_STANDS_H) for name, series in points.items()}
    frame = pd.DataFrame(hourly)
    frame = frame.dropna(how="all")
    if len(frame) > HOURS_MOST:
        frame = frame.iloc[np.linspace(0, len(frame) - 1, HOURS_MOST).astype(int)]
    return frame


def _hourly(series: pd.Series) -> pd.Series:
    """Return the mean of each hour from the first with a value to the last."""
    index, values = pd.DatetimeIndex(series.index), series.to_numpy(dtype=float)
    if not len(index):
        return series
    stamps = index.asi8
    hour = np.timedelta64(1, "h") // np.timedelta64(1, index.unit)
    hours = np.arange(stamps[0] // hour, stamps[-1] // hour + 1)
    # far fewer hours than stamps: they are looked up, rather than an hour told for each stamp
    bounds = np.searchsorted(stamps, np.append(hours, hours[-1] + 1) * hour)
    logged = bounds[1:] > bounds[:-1]
    first, filled = bounds[:-1][logged], ~np.isnan(values)
    sums, counts = np.zeros(len(hours)), np.zeros(len(hours))
    sums[logged] = np.add.reduceat(values if filled.all() else np.where(filled, values, 0.0), first)
    counts[logged] = np.add.reduceat(filled, first, dtype=np.int64)
    means = np.full(len(hours), np.nan)
    np.divide(sums, counts, out=means, where=counts > 0)
    known = np.flatnonzero(counts)
    inside = slice(known[0], known[-1] + 1) if len(known) else slice(0, 0)
    starts = pd.DatetimeIndex(hours[inside].astype("datetime64[h]").astype("datetime64[s]"))
    return pd.Series(means[inside], index=starts.tz_localize("UTC"))
