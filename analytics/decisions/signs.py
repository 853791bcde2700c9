"""Signs beside the likelihood: hunting valve, missed set point, pressure drop, parallel flow.

Each compares the last 30 days with the exchanger's own reference period, so that a site's habits
are no fault. Causal: uses nothing after the last day of the table.
"""

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analytics.physics.effectiveness import PARALLEL_FLOW, temperature_effectiveness
from analytics.trends.account import Account
from analytics.trends.hours import T1_IN, T1_OUT, T2_IN
from analytics.trends.model import Array

WINDOW_DAYS = 30
LEAST_HOURS = 48
HUNTING_STEP = 0.03  # of full travel, mean from one logged point to the next
HUNTING_RATIO = 2.5  # over its own clean value
MISSED_K = 3.0
MISSED_SHARE = 0.25
MISSED_RATIO = 5.0
OPEN_VALVE = 0.85
RISEN = 1.35  # pressure drop over that of the clean period at the same flow
PARALLEL_MEDIAN_K = 1.5


def windows(account: Account) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Return masks of running hours: reference period, last 30 days of the record after it."""
    assert account.period is not None
    assert account.ready is not None
    day = account.table.day
    flow = np.nan_to_num(account.table.flow).max(axis=1)
    runs = (flow > 0) | (account.set_aside == 0)
    clean = runs & (day >= account.period.first) & (day < account.ready)
    last_run = day[runs].max(initial=account.ready)
    recent = runs & (day > last_run - WINDOW_DAYS) & (day >= account.ready)
    return clean, recent


def hunting(account: Account) -> tuple[float, bool] | None:
    """Return the valve's 80th-percentile step of the last days, and whether it hunts."""
    clean, recent = windows(account)
    step = account.table.valve_step
    known = np.isfinite(step)
    if (known & clean).sum() < LEAST_HOURS or (known & recent).sum() < LEAST_HOURS:
        return None
    before, now = (float(np.quantile(step[known & m], 0.8)) for m in (clean, recent))
    return now, now > HUNTING_STEP and now > HUNTING_RATIO * before


def missed_set_point(account: Account) -> tuple[float, float, bool] | None:
    """Return share of hours short of the set point, how far short, and whether that is capacity."""
    clean, recent = windows(account)
    table = account.table
    short = table.set_point_degC - table.temperature[:, 2]
    known = np.isfinite(short)
    if (known & recent).sum() < LEAST_HOURS:
        return None
    with np.errstate(invalid="ignore"):
        missed = known & (short > MISSED_K) & ~(table.valve < OPEN_VALVE)
    share = float(missed[recent & known].mean())
    before = float(missed[clean & known].mean()) if (clean & known).sum() >= LEAST_HOURS else 0.0
    depth = float(np.median(short[missed & recent])) if (missed & recent).any() else 0.0
    return share, depth, share > MISSED_SHARE and share > MISSED_RATIO * before


def pressure_drop(account: Account) -> tuple[float, bool] | None:
    """Return today's pressure drop over the clean one at the same flow, the worse side's."""
    clean, recent = windows(account)
    ratios = []
    for side in (0, 1):
        drop, flow = account.table.pressure_drop[:, side], account.table.flow[:, side]
        with np.errstate(invalid="ignore", divide="ignore"):
            x, y = np.log(flow), np.log(drop)
            good = np.isfinite(x) & np.isfinite(y) & (flow > 0.3 * account.nominal[side])
        if (good & clean).sum() < LEAST_HOURS or (good & recent).sum() < LEAST_HOURS:
            continue
        # turbulent in a plate's channels: about the 1.8th power of flow (common practice)
        level = np.median((y - 1.8 * x)[good & clean])
        ratios.append(float(np.exp(np.median((y - 1.8 * x)[good & recent]) - level)))
    if not ratios:
        return None
    worst = max(ratios)
    return worst, worst > RISEN


def parallel_flow(account: Account) -> tuple[float, float, bool] | None:
    """Return effectiveness of the primary stream, the most that parallel flow could give, and the verdict.

    Parallel flow is found when its own prediction of the primary return is at least twice as close
    as that of counterflow, which is off by more than thermometers are.
    """
    if (
        account.hours is None
        or account.fit is None
        or account.info is None
        or account.hour_rows is None
    ):
        return None
    rows = account.hour_rows
    recent = account.table.day[rows] > account.info.day[-1] - 14
    after = account.table.day[rows] >= (account.ready or 0)
    hours = account.hours.subset(recent & after)
    if len(hours) < 12:
        return None
    model, p = account.fit.model, account.fit.point
    t, mass = model.streams(p, hours)
    C = mass * hours.heat_capacity
    R = C[:, 0] / C[:, 1]
    span = t[:, T1_IN] - t[:, T2_IN]
    reached = (t[:, T1_IN] - t[:, T1_OUT]) / span
    most = 1.0 / (1.0 + R)
    counter = np.abs(model.residuals(p, hours)[:, 0])
    means = np.column_stack([(t[:, 0] + t[:, 1]) / 2, (t[:, 2] + t[:, 3]) / 2])
    UA = model.conductance(
        p,
        mass,
        means,
        (hours.ln_conductivity, hours.ln_heat_capacity, hours.ln_viscosity),
        hours.area_ratio,
        hours.channel_ratio,
    )
    along = t[:, T1_IN] - temperature_effectiveness(UA / C[:, 0], R, PARALLEL_FLOW) * span
    parallel = np.abs(t[:, T1_OUT] - along)
    found = (
        np.median(parallel) < 0.5 * np.median(counter) and np.median(counter) > PARALLEL_MEDIAN_K
    )
    return float(np.median(reached)), float(np.median(most)), bool(found)


def daily_mean(values: Array, account: Account, use: NDArray[np.bool_]) -> pd.Series:
    """Daily means of the chosen hours, index day since 1970."""
    return pd.Series(values[use]).groupby(account.table.day[use]).mean()
