"""Time is UTC: checks on the index of a trend frame, and whole days.

A trend frame has a ``DatetimeIndex`` named ``time_utc``, aware in UTC, strictly rising, and role
names as columns. A cell that was not logged at that stamp is NaN.
"""

import pandas as pd

from analytics.vocabulary.errors import EvaluationError
from analytics.vocabulary.quantities import ROLE_NAMES


def empty_trends() -> pd.DataFrame:
    """Return a trend frame without rows or columns."""
    return pd.DataFrame(index=pd.DatetimeIndex([], tz="UTC", name="time_utc"))


def check_trends(tag: str, trends: pd.DataFrame) -> pd.DataFrame:
    """Return ``trends`` unchanged if it is a trend frame, else raise :class:`EvaluationError`."""
    index = trends.index
    if not isinstance(index, pd.DatetimeIndex) or str(index.tz) != "UTC":
        raise EvaluationError(f"{tag}: trends need a DatetimeIndex in UTC.")
    if not (index.is_monotonic_increasing and index.is_unique):
        raise EvaluationError(f"{tag}: the time stamps of trends must rise, each once.")
    unknown = sorted(set(trends.columns) - set(ROLE_NAMES))
    if unknown:
        raise EvaluationError(f"{tag}: {unknown[0]!r} is no role of a trend.")
    return trends
