"""Signs beside the likelihood: hunting valve, missed set point, parallel flow.

Each compares the last 30 days with the exchanger's own reference period, so that a site's habits
are no fault. Causal: uses nothing after the last day of the table.
"""

import numpy as np
import pandas as pd

from analytics.decisions.comparable import (
    LEAST_HOURS,
    RECENT_HOURS,
    loaded_hours,
    reference_and_recent,
    running,
)
from analytics.trends.account import Account, day_number
from analytics.trends.hours import T1_IN, T1_OUT, T2_IN
from analytics.trends.piping import can_be_reversed
from analytics.vocabulary.records import Deed

WINDOW_DAYS = 30
HEATING_DAY_HOURS = 16
HUNTING_STEP = 0.02  # of full travel, mean from one logged point to the next
HUNTING_RATIO = 1.7  # over its own clean value
COARSE_RATIO = 3.0  # the same, of a log by the hour
CALMEST = ((0.1, 0.008), (0.25, 0.011))  # shares of the hours, and by how much of full travel more
MISSED_K = 3.0
MISSED_SHARE = 0.25
MISSED_RATIO = 5.0
OPEN_VALVE = 0.85


def hunting(account: Account) -> tuple[float, float, bool] | None:
    """Return the usual (median) valve step of the last hours with load, that before, and whether it hunts.

    The median, as morning starts and mild hours move any valve far now and then."""
    step = account.table.valve_step
    masks = reference_and_recent(
        account, np.isfinite(step) & loaded_hours(account, HEATING_DAY_HOURS)
    )
    if masks is None:
        return None
    before, now = (float(np.median(step[m])) for m in masks)
    # a store that charges more often moves the median; hunting leaves no hour calm
    restless = all(
        np.quantile(step[masks[1]], share)
        > max(HUNTING_RATIO * (was := float(np.quantile(step[masks[0]], share))), was + least)
        for share, least in CALMEST
    )
    # where the valve often stands still from one logged point to the next, a step more says little
    coarse = float(np.quantile(step[masks[0]], CALMEST[0][0])) <= 0.0
    ratio = COARSE_RATIO if coarse else HUNTING_RATIO
    return now, before, bool(now > HUNTING_STEP and now > ratio * before and restless)


def missed_set_point(account: Account) -> tuple[float, float, bool] | None:
    """Return share of hours short of the set point, how far short, and whether that is capacity.

    Of the last twelve months' windows of thirty days the worst counts: plates that were too few on
    the coldest days still are in summer, until their number changes.
    """
    table = account.table
    assert account.ready is not None
    short = table.set_point_degC - table.temperature[:, 2]
    known = np.isfinite(short) & running(account)
    if (known & (table.day >= account.ready)).sum() < LEAST_HOURS:
        return None
    with np.errstate(invalid="ignore"):
        missed = known & (short > MISSED_K) & ~(table.valve < OPEN_VALVE)
    changed = [day_number(e.at_utc) for e in account.events if e.deed is Deed.PLATES_CHANGED]
    first = max([account.ready, int(table.day[-1]) - 365, *changed])
    frame = pd.DataFrame({"known": known, "missed": missed})[table.day >= first]
    window = frame.rolling(24 * WINDOW_DAYS, min_periods=24).sum()
    window = window[window["known"] >= LEAST_HOURS]
    if not len(window):
        return None
    share = float((window["missed"] / window["known"]).max())
    at_start = known & (table.day < account.ready)
    before = float(missed[at_start].mean()) if at_start.sum() >= LEAST_HOURS else 0.0
    later = missed & (table.day >= first)
    depth = float(np.median(short[later])) if later.any() else 0.0
    return share, depth, share > MISSED_SHARE and share > MISSED_RATIO * before


def parallel_flow(account: Account) -> tuple[float, float, bool] | None:
    """Return effectiveness of the primary stream, the most that parallel flow gives, and the verdict."""
    if (
        account.hours is None or account.fit is None or account.info is None
        or account.hour_rows is None or account.parallel is None
    ):  # fmt: skip
        return None
    day = account.table.day[account.hour_rows]
    hours = account.hours.subset(np.flatnonzero(day >= (account.ready or 0))[-RECENT_HOURS:])
    if len(hours) < LEAST_HOURS or not can_be_reversed(account.fit.model.arrangement):
        return None
    t, mass = account.fit.model.streams(account.fit.point, hours)
    capacity = mass * hours.heat_capacity
    with np.errstate(invalid="ignore", divide="ignore"):
        most = 1.0 / (1.0 + capacity[:, 0] / capacity[:, 1])
        reached = (t[:, T1_IN] - t[:, T1_OUT]) / (t[:, T1_IN] - t[:, T2_IN])
    found = bool(account.parallel[-1])
    return float(np.nanmedian(reached)), float(np.nanmedian(most)), found
