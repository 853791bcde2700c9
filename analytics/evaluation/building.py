"""The building side of an account: which hours and flows may be held against its own reference.

Lives here: hours that a changed set point takes out, and growth of the load taken off the flow. Not
here: the comparison itself (``analytics.decisions.building_side``).
"""

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analytics.decisions.building_side import BuildingSide, assess_building_side
from analytics.decisions.capacity import fit_load_line
from analytics.evaluation.daily_frame import hourly_duty_W
from analytics.trends.account import Account, side_flow
from analytics.vocabulary.quantities import REASON_BITS

# A supply this far from that of the oldest days as cold, in the median of three weeks, is a set point
# that was changed; on simulated plants 1.5 K parted those from by-passes best.
SUPPLY_CHANGED_K = 1.5
SUPPLY_CHANGED_DAYS = 21
ALIKE_DAYS_BACK = 14
ALIKE_K = 1.5


def building_side_of(account: Account) -> BuildingSide | None:
    """Judge the building side on running hours, its first hour after a standstill left out.

    ``None`` where neither outdoor temperature nor secondary flow is logged: the supply temperature
    alone does not tell a milder load from water that comes straight back.
    """
    table = account.table
    if not (np.isfinite(table.outdoor_degC).any() or np.isfinite(table.flow[:, 1]).any()):
        return None
    assert account.period is not None
    assert account.ready is not None
    halted = REASON_BITS["stopped"] | REASON_BITS["gap"] | REASON_BITS["low_load"]
    runs = (account.set_aside & halted) == 0
    runs[1:] &= runs[:-1]
    runs &= ~_supply_changed(account, runs)
    reference = (table.day >= account.period.first) & (table.day < account.ready)
    # at one supply temperature flow grows faster than load, as the return gets warmer with it
    flow = side_flow(account, 1) / _load_growth(account, runs & reference) ** 2
    outdoor = table.outdoor_degC
    return assess_building_side(
        np.asarray(table.start.tz_localize(None).as_unit("s")), table.temperature[:, 3],
        table.temperature[:, 2], outdoor if np.isfinite(outdoor).any() else None,
        flow if np.isfinite(flow).any() else None, runs, reference,
        None if account.assumed_secondary_m3_s is not None else hourly_duty_W(account),
    )  # fmt: skip


def _supply_changed(account: Account, runs: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return hours of days whose secondary supply is not what it was at that outdoor temperature.

    A set point that was changed takes the secondary return along; the old comparison says nothing.
    Each day is held against the oldest days as cold, so that no curve is drawn beyond what was seen.
    """
    table = account.table
    daily = (
        pd.DataFrame({"supply": table.temperature[:, 2], "outdoor": table.outdoor_degC})[runs]
        .groupby(table.day[runs])
        .mean()
        .dropna()
    )
    day = daily.index.to_numpy()
    supply, outdoor = daily["supply"].to_numpy(), daily["outdoor"].to_numpy()
    apart = np.full(len(day), np.nan)
    for i in range(len(day)):
        alike = np.flatnonzero(
            (day <= day[i] - ALIKE_DAYS_BACK) & (np.abs(outdoor - outdoor[i]) < ALIKE_K)
        )
        if len(alike) >= 3:
            apart[i] = supply[i] - np.median(supply[alike[:7]])
    weeks = pd.Series(apart).rolling(SUPPLY_CHANGED_DAYS, min_periods=1).median().abs().to_numpy()
    changed = day[np.nan_to_num(weeks) > SUPPLY_CHANGED_K]
    return np.asarray(np.isin(table.day, changed))


def _load_growth(account: Account, learn: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Return by how much each day's load exceeds what the weather explains, at least 1, by hour.

    A building that takes more heat also draws more water and sends it back warmer; that is no fault.
    """
    table = account.table
    daily = (
        pd.DataFrame(
            {"load": hourly_duty_W(account), "outdoor": table.outdoor_degC, "learn": learn}
        )
        .groupby(table.day)
        .mean()
    )
    known = daily["learn"].to_numpy() > 0.3
    line = fit_load_line(daily["outdoor"].to_numpy()[known], daily["load"].to_numpy()[known])
    if line is None:
        return np.ones(len(table))
    expected = np.maximum(line.load_W(daily["outdoor"].to_numpy()), 1.0)
    smooth = (
        pd.Series(daily["load"].to_numpy() / expected).rolling(7, min_periods=1).median().to_numpy()
    )
    growth = np.clip(np.nan_to_num(smooth, nan=1.0), 1.0, 3.0)
    return np.asarray(growth[np.searchsorted(daily.index.to_numpy(), table.day)])
