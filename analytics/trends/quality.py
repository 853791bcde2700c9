"""Reasons against single samples: out of range, flat-lined, spike. Nothing is deleted.

A reason given to a sample uses nothing later than that sample's own UTC day, so that the next day's
data never alters it.
"""

from collections.abc import Mapping

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analytics.trends.grid import epoch_seconds
from analytics.vocabulary.quantities import (
    CUMULATIVE_ROLES,
    PRIMARY_FLOW,
    REASON_BITS,
    ROLES,
    TEMPERATURES,
)

LOWEST_degC = -35.0  # no liquid of a heated building is colder; -39.9 is a word for missing
FLAT_AFTER_s = 6 * 3600.0  # a thermometer that repeats one value this long ...
FLAT_FLOW_AFTER_s = 12 * 3600.0  # a valve may well hold one flow overnight
FLAT_OTHERS_MOVE_K = 2.0  # ... while two others move by more than this
FLAT_INCREMENTS = 4.0  # ... and, logged on change, by so many of its increments
SPIKE_K = 8.0  # away from both neighbours, which agree with each other
SPIKE_NEIGHBOURS_K = 3.0
SPIKE_RATIO = 3.0  # of a flow or a power, likewise


def sample_reasons(
    trends: pd.DataFrame,
    liquids: Mapping[str, tuple[float, float]] | None = None,
    increments: Mapping[str, float] | None = None,
) -> pd.DataFrame:
    """Return a frame of bit masks (see ``SET_ASIDE_REASONS``), 0 for a sample without reproach.

    Parameters
    ----------
    trends : DataFrame
        Trend frame.
    liquids : mapping, optional
        Lowest and highest temperature, by role, at which the liquid there has properties, degC. A
        mixture may run colder than water can.
    increments : mapping, optional
        By role, of those that are said to be logged on change, K or what the role's unit is.

    Returns
    -------
    DataFrame
        Same index and columns, ``int64``. A cell that was not logged is 0.
    """
    reasons = {}
    for role in trends.columns:
        values = trends[role].to_numpy(dtype=float)
        bits = np.zeros(len(values), dtype=np.int64)
        low, high = (liquids or {}).get(str(role), (-np.inf, np.inf))
        bits[out_of_range(values, str(role), low)] |= REASON_BITS["out_of_range"]
        with np.errstate(invalid="ignore"):
            outside = ((values < low) | (values > high)) & (bits == 0)
        bits[outside] |= REASON_BITS["outside_liquid"]
        reasons[role] = bits
    frame = pd.DataFrame(reasons, index=trends.index)
    kept = trends.where(frame == 0)
    for role in kept.columns:
        bits = frame[role].to_numpy(copy=True)
        bits[spikes(kept[role])] |= REASON_BITS["spike"]
        if role in (*TEMPERATURES, PRIMARY_FLOW, "heat_power"):
            bits[flat_lined(kept, str(role), (increments or {}).get(str(role), 0.0))] |= (
                REASON_BITS["flat_lined"]
            )
        frame[role] = bits
    return frame


def out_of_range(
    values: NDArray[np.float64], role: str, liquid_low: float = -np.inf
) -> NDArray[np.bool_]:
    """Tell which readings no building heat network can have.

    A cumulative register that reads zero among larger readings is missing, not reset; so is a
    thermometer that reads zero to the last digit. Where a liquid stays one below zero
    (``liquid_low``), other readings down to that are possible.
    """
    quantity = ROLES[role]
    low = max(liquid_low, LOWEST_degC) if -np.inf < liquid_low < 0.0 else quantity.low
    bad = (values < low) | (values > quantity.high)
    if role in CUMULATIVE_ROLES or quantity.unit == "degC":
        # outdoors zero is a temperature like any other
        bad |= (values == 0.0) & (role != "outdoor_temperature")
    return bad & np.isfinite(values)


def spikes(series: pd.Series) -> NDArray[np.bool_]:
    """Find single readings far from those before and after them on the same day."""
    found = np.zeros(len(series), dtype=bool)
    if str(series.name) in (*CUMULATIVE_ROLES, "valve_position", "pump_running"):
        return found
    there = np.flatnonzero(series.notna().to_numpy())
    if len(there) < 3:
        return found
    v = series.to_numpy(dtype=float)[there]
    day = np.asarray(pd.DatetimeIndex(series.index).floor("D").asi8)
    before, now, after = v[:-2], v[1:-1], v[2:]
    same_day = day[there][2:] == day[there][1:-1]
    if ROLES[str(series.name)].unit == "degC":
        far = np.minimum(np.abs(now - before), np.abs(now - after)) > SPIKE_K
        agree = np.abs(before - after) < SPIKE_NEIGHBOURS_K
    else:
        level = np.maximum(np.maximum(np.abs(before), np.abs(after)), 1e-12)
        usual = _usual_level(v, day[there])[1:-1]
        far = np.abs(now) > SPIKE_RATIO * np.maximum(level, usual)
        agree = np.abs(before - after) < 0.5 * level + 0.5 * usual
    # a value that turns back at once, between neighbours that agree
    found[there[1:-1][far & agree & same_day]] = True
    return found


def _usual_level(values: NDArray[np.float64], day: NDArray[np.int64]) -> NDArray[np.float64]:
    """Return the usual size of a flow or a power up to each sample's day; later days have no say."""
    size = pd.Series(np.where(values != 0, np.abs(values), np.nan))
    by_day = size.groupby(day).median().expanding().median().fillna(1.0)
    return by_day.reindex(day).to_numpy()


def flat_lined(trends: pd.DataFrame, role: str, increment: float = 0.0) -> NDArray[np.bool_]:
    """Find readings that have repeated one value for hours while two other thermometers moved.

    Only the repeats after the first hours are flagged: at the time of the first nobody could know.
    A log on change may repeat a value to show that it lives: the coarser its increment, the further
    the others must have moved before that is odd. No flow is a flow that may last; that of the building side is steady where its pump is.
    """
    values = trends[role]
    there = values.notna().to_numpy()
    found = np.zeros(len(values), dtype=bool)
    if there.sum() < 3:
        return found
    v = values[there]
    run = (v != v.shift()).cumsum()
    stamps = pd.DatetimeIndex(v.index)
    begun = pd.Series(stamps, index=v.index).groupby(run.to_numpy()).transform("first")
    lasted = epoch_seconds(stamps) - epoch_seconds(pd.DatetimeIndex(begun))
    thermometer = role in TEMPERATURES
    move_K = max(FLAT_OTHERS_MOVE_K, FLAT_INCREMENTS * increment if thermometer else 0.0)
    movers = np.zeros(len(v), dtype=int)
    for other in TEMPERATURES:
        if other == role or other not in trends.columns:
            continue
        reading = trends[other].ffill(limit=12)[there].groupby(run.to_numpy())
        movers += ((reading.cummax() - reading.cummin()) > move_K).to_numpy()
    after = FLAT_AFTER_s if thermometer else FLAT_FLOW_AFTER_s
    shows = thermometer | (v.to_numpy() > 0)
    found[there] = (lasted >= after) & (movers >= 2) & shows
    return found
