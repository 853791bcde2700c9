"""Indicators per grid interval, by the textbook, for people to read: see ``INTERVAL_COLUMNS``.

The conclusions on deposit do not rest on these but on the daily information; both come from the same
readings. UA and what follows from it are worked out with the instruments corrected by the errors that the
reference period showed, and by what idle hours show of thermometers changed since, as an uncorrected cold end of one or two kelvin gives nonsense; all other
columns are as read. Not here: the indicators and their doubt (``indicators``).
"""

from dataclasses import replace

import numpy as np
import pandas as pd

from analytics.decisions.pressure import hourly_log_ratio
from analytics.evaluation.indicators import as_corrected, as_read
from analytics.physics.effectiveness import temperature_effectiveness
from analytics.trends.account import Account
from analytics.trends.hours import HOUR_s, HourTable, hour_table
from analytics.trends.model import Array, prepare_hours
from analytics.trends.thermometer_steps import shift_K
from analytics.vocabulary.quantities import (
    INTERVAL_COLUMNS,
    REASON_BITS,
    ROLE_NAMES,
    SECONDARY_FLOW,
    TEMPERATURES,
)
from analytics.vocabulary.records import LatestInterval

SHORT_STEP_s = 900.0
SHORT_SPACING_h = 0.34  # logged at least every twenty minutes: quarter-hours can be shown
LATEST = 3  # intervals at the end of a record among which one is whole


def interval_table(account: Account, trends: pd.DataFrame) -> tuple[HourTable, float]:
    """Return the table on the grid that people see, and its step in seconds."""
    usual = float(np.nanmedian(account.table.spacing_h)) if len(account.table) else 1.0
    flow_logged = bool({"primary_flow", "heat_power"} & set(map(str, trends.columns)))
    step = SHORT_STEP_s if usual <= SHORT_SPACING_h and flow_logged else HOUR_s
    table = hour_table(
        account.exchanger, trends, account.reasons, account.fluids[0], step, account.events,
        account.gaps,
    )  # fmt: skip
    return table, step


def interval_frame(account: Account, table: HourTable, step_s: float) -> pd.DataFrame:
    """Return the indicators of every interval of a table."""
    everything = np.ones(len(table), dtype=bool)
    row = np.searchsorted(account.table.start, table.start, side="right") - 1
    row = np.clip(row, 0, len(account.set_aside) - 1)
    ratios = account.area_ratio[row], account.channel_ratio[row]
    hours = prepare_hours(account.exchanger, table, everything, *account.fluids, *ratios, None)
    columns = _readings(account, table)
    columns.update(as_read(account, table, hours))
    # A thermometer that was changed is allowed for. What is known better of a constant error is not:
    # the clean curve stands on the errors of the reference period, and both must stand on the same.
    known = replace(hours, temperature=hours.temperature - shift_K(account.steps, table.day))
    columns.update(as_corrected(account, known))
    for side, name in enumerate(("primary", "secondary")):
        by_hour = hourly_log_ratio(account, side)
        ratio = np.full(len(row), np.nan) if by_hour is None else np.exp(by_hour[0])[row]
        columns[f"{name}_pressure_ratio"] = ratio
    columns["set_aside"] = account.set_aside[row].astype(float)
    frame = pd.DataFrame(columns, index=table.start)
    frame.index.name = "start"
    return frame.reindex(columns=[q.name for q in INTERVAL_COLUMNS])


def _readings(account: Account, table: HourTable) -> dict[str, Array]:
    t = table.temperature
    found = dict(zip(ROLE_NAMES[:4], t.T, strict=True))
    found["primary_flow"], found[SECONDARY_FLOW] = table.flow[:, 0], table.flow[:, 1]
    found["primary_pressure_drop"], found["secondary_pressure_drop"] = table.pressure_drop.T
    found["heat_power"], found["outdoor_temperature"] = table.power_W, table.outdoor_degC
    found["secondary_supply_set_point"] = table.set_point_degC
    found["valve_position"], found["pump_running"] = table.valve, table.pump
    return found


def latest_interval(account: Account, frame: pd.DataFrame, step_s: float) -> LatestInterval | None:
    """Return the newest interval with all four temperatures, live."""
    whole = frame.index[frame[list(TEMPERATURES)].notna().all(axis=1)]
    if not len(whole):
        return None
    # a regular log's last reading opens an interval that nothing follows: the one before is whole
    gap = frame.loc[whole[-LATEST:], "set_aside"].to_numpy(dtype=np.int64) & REASON_BITS["gap"]
    complete = np.flatnonzero(gap == 0)
    start = whole[-LATEST:][complete[-1]] if len(complete) else whole[-1]
    row = frame.loc[start]
    values = {str(k): float(v) for k, v in row.items() if np.isfinite(v) and k != "set_aside"}
    bits = int(row["set_aside"])
    return LatestInterval(
        start_utc=start.to_pydatetime(),
        minutes=step_s / 60.0,
        values=values,
        set_aside=tuple(name for name, bit in REASON_BITS.items() if bits & bit),
        clean_approach_K=_clean_approach(account, row),
    )


def _clean_approach(account: Account, row: pd.Series) -> float | None:
    """Approach that clean plates would show now, at the same flows and inlets, as the meters read."""
    UA = row["UA_clean_W_K"]
    duties = row[["duty_primary_W", "duty_secondary_W"]].to_numpy(dtype=float)
    duties = duties[np.isfinite(duties)]
    duty = float(duties.mean()) if len(duties) else 0.0
    fall = row["primary_supply_temperature"] - row["primary_return_temperature"]
    rise = row["secondary_supply_temperature"] - row["secondary_return_temperature"]
    if account.fit is None or not (UA > 0 and duty > 0 and fall > 0.5 and rise > 0.5):
        return None
    p = account.fit.point
    span = (row["primary_supply_temperature"] - p[0]) - (row["secondary_return_temperature"] - p[3])
    C1, C2 = duty / fall, duty / rise
    P = float(temperature_effectiveness(UA / C1, C1 / C2, account.fit.model.arrangement))
    shown = span * (1 - P) + p[1] - p[3]  # as the thermometers would show it
    return float(shown)
