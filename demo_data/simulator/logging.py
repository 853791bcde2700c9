"""What the logger writes down of the readings: clocks, exchanged points, change of value, registers."""

import numpy as np
import pandas as pd

from demo_data.simulator.events import ClockOff, PointsExchanged, StuckPoint
from demo_data.simulator.scenario import Scenario

METER_ROLES = ("heat_power", "heat_energy", "heat_volume")


def as_written(scenario: Scenario, read: pd.DataFrame) -> pd.DataFrame:
    """Return the table of the logger from the readings at its stamps; NaN: nothing written."""
    written = read.copy()
    for event in scenario.faults:
        if isinstance(event, PointsExchanged):
            _exchange(written, event)
        elif isinstance(event, StuckPoint) and event.role in written:
            _hold(written, event)
        elif isinstance(event, ClockOff):
            _displace(written, event)
    logger = scenario.logger
    if logger.register_minutes is not None:
        minute = np.asarray(pd.DatetimeIndex(written.index).as_unit("s").asi8) // 60
        unread = minute % logger.register_minutes != 0
        for role in set(METER_ROLES) & set(written.columns):
            written.loc[unread, role] = np.nan
    heartbeat = max(logger.heartbeat_minutes // logger.interval_minutes, 1)
    for role, increment in logger.increments.items():
        if role in written:
            values = written[role].to_numpy(float)
            written[role] = np.where(changed(values, increment, heartbeat), values, np.nan)
    return written


def _exchange(written: pd.DataFrame, event: PointsExchanged) -> None:
    first, second = event.roles
    rows = written.index >= pd.Timestamp(event.start)
    if first in written and second in written:
        written.loc[rows, [first, second]] = written.loc[rows, [second, first]].to_numpy()


def _hold(written: pd.DataFrame, event: StuckPoint) -> None:
    rows = (written.index >= pd.Timestamp(event.start)) & (written.index < pd.Timestamp(event.end))
    known = written.loc[rows, event.role].dropna()
    if len(known):
        written.loc[rows & written[event.role].notna(), event.role] = known.iloc[0]


def _displace(written: pd.DataFrame, event: ClockOff) -> None:
    index = pd.DatetimeIndex(written.index)
    shift = pd.Timedelta(minutes=event.minutes)
    start, end = pd.Timestamp(event.start), pd.Timestamp(event.end)
    roles = [r for r in written.columns if not event.roles or r in event.roles]
    moved = written[roles].copy()
    inside = (index >= start) & (index < end)
    read = moved[inside].copy()
    read.index = index[inside] + shift
    moved[inside] = np.nan
    # the right clock's readings come last where both claim a stamp
    read = read[(read.index < end) if event.minutes > 0 else (read.index >= start)]
    rows = index.isin(read.index)
    moved.loc[rows] = read.reindex(index[rows]).to_numpy()
    written[roles] = moved


def changed(values: np.ndarray, increment: float, heartbeat: int) -> np.ndarray:
    """Tell which values a point logged on change writes.

    A value is written when it has left the last one written by ``increment`` or more, compared on a
    raster of that width, and at the latest every ``heartbeat`` readings.
    """
    known = np.isfinite(values)
    raster = np.where(known, np.round(values / increment), np.nan)
    before = np.concatenate([[np.nan], raster[:-1]])
    return np.asarray(known & ((raster != before) | (np.arange(values.size) % heartbeat == 0)))
