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
    hourly = {
        name: s.dropna().resample("1h").mean().ffill(limit=_STANDS_H) for name, s in points.items()
    }
    frame = pd.DataFrame(hourly)
    frame = frame.dropna(how="all")
    if len(frame) > HOURS_MOST:
        frame = frame.iloc[np.linspace(0, len(frame) - 1, HOURS_MOST).astype(int)]
    return frame
