"""Frames as JSON tables, a bounded number of rows at a time."""

from datetime import datetime

import numpy as np
import pandas as pd

from analytics.vocabulary.quantities import DAILY_COLUMNS, INTERVAL_COLUMNS, TREND_ROLES
from service.api.schemas import Series

_UNITS: dict[str, str] = {q.name: q.unit for q in (*TREND_ROLES, *INTERVAL_COLUMNS, *DAILY_COLUMNS)}


def series(tag: str, frame: pd.DataFrame, limit: int) -> Series:
    """Return the first ``limit`` rows of ``frame``, and whence to ask on."""
    part = frame.iloc[:limit]
    more = len(frame) > limit
    return Series(
        tag=tag,
        units={str(c): _unit(str(c)) for c in part.columns},
        time=_moments(part.index),
        columns={str(c): _cells(part[c]) for c in part.columns},
        more=more,
        next=_moments(frame.index[limit : limit + 1])[0] if more else None,
    )


def _unit(column: str) -> str:
    return _UNITS.get(column.removesuffix("_low").removesuffix("_high"), "")


def _moments(index: pd.Index) -> list[datetime]:
    return pd.DatetimeIndex(index).to_pydatetime().tolist()


def _cells(values: pd.Series) -> list[float | None]:
    numbers = values.to_numpy(dtype=float)
    cells = numbers.astype(object)
    cells[~np.isfinite(numbers)] = None
    found: list[float | None] = cells.tolist()
    return found
