"""The daily account as a frame: one row a day, as :data:`DAILY_COLUMNS` lists."""

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analytics.trends.account import Account
from analytics.trends.hours import T1_IN, T1_OUT, T2_IN, T2_OUT
from analytics.trends.model import Array, meter_pipe
from analytics.trends.reference_condition import (
    NINE_IN_TEN,
    ReferencePoint,
    days_to_index,
    deposit_doubt,
)
from analytics.vocabulary.quantities import DAILY_COLUMNS, ESTIMATED_COLUMNS, REASON_BITS

COLUMN_ORDER: tuple[str, ...] = tuple(
    name
    for q in DAILY_COLUMNS
    for name in (
        (q.name, q.name + "_low", q.name + "_high") if q.name in ESTIMATED_COLUMNS else (q.name,)
    )
)


def hourly_duty_W(account: Account) -> Array:
    """Return the heat handed over in each hour of the table, best of what is measured, W."""
    table, (primary, secondary) = account.table, account.fluids
    t = table.temperature
    with np.errstate(invalid="ignore"):
        m1 = table.flow[:, 0] * primary.density(t[:, meter_pipe(account.exchanger, 0)])
        m2 = table.flow[:, 1] * secondary.density(t[:, meter_pipe(account.exchanger, 1)])
        duty_1 = m1 * (primary.enthalpy(t[:, T1_IN]) - primary.enthalpy(t[:, T1_OUT]))
        duty_2 = m2 * (secondary.enthalpy(t[:, T2_OUT]) - secondary.enthalpy(t[:, T2_IN]))
    duty_1 = np.where(np.isfinite(table.power_W), table.power_W, duty_1)
    return np.maximum(np.where(np.isfinite(duty_1), duty_1, duty_2), 0.0)


def empty_daily() -> pd.DataFrame:
    """Return a daily account without rows."""
    index = pd.DatetimeIndex([], tz="UTC", name="day")
    return pd.DataFrame({name: pd.Series(dtype=float) for name in COLUMN_ORDER}, index=index)


def logged_days(account: Account) -> pd.DataFrame:
    """Return what was logged and measured each day; the conclusions' columns are NaN."""
    table = account.table
    duty = hourly_duty_W(account)
    evidence = account.set_aside == 0
    idle_bits = REASON_BITS["stopped"] | REASON_BITS["gap"]
    running = (account.set_aside & idle_bits) == 0
    with np.errstate(invalid="ignore"):
        approach = np.where(
            evidence, table.temperature[:, T1_OUT] - table.temperature[:, T2_IN], np.nan
        )
    hourly = pd.DataFrame(
        {
            "hours_running": running.astype(float),
            "hours_evidence": evidence.astype(float),
            "heat_J": np.nan_to_num(duty) * 3600.0,
            "primary_volume_m3": np.nan_to_num(table.flow[:, 0]) * 3600.0,
            "outdoor_degC": table.outdoor_degC,
            "approach_K": approach,
        },
        index=table.start,
    )
    grouped = hourly.groupby(table.start.floor("D"))
    daily = grouped.sum(min_count=1)
    for name in ("outdoor_degC", "approach_K"):
        daily[name] = grouped[name].mean()
    daily.index.name = "day"
    # a register lost nothing while the logger was down
    for name, counted in (("heat_J", table.day_heat_J), ("primary_volume_m3", table.day_volume_m3)):
        if counted is not None and len(counted):
            days = pd.DatetimeIndex(days_to_index(counted.index.to_numpy())).tz_localize("UTC")
            by_day = counted.set_axis(days)
            daily[name] = by_day.reindex(daily.index).fillna(daily[name])
    return daily.reindex(columns=list(COLUMN_ORDER))


def ratios_on(account: Account, days: NDArray[np.int64]) -> tuple[Array, Array]:
    """Return area and channel ratio on given days."""
    row = np.searchsorted(account.table.day, days, side="right") - 1
    return account.area_ratio[row], account.channel_ratio[row]


def concluded_days(account: Account, at: ReferencePoint) -> pd.DataFrame:
    """Return the daily conclusions on the plates, for days after the reference period."""
    info, scores, tracks = account.info, account.scores, account.tracks
    assert info is not None
    assert scores is not None
    assert tracks is not None
    assert account.kept_by is not None
    assert account.alarm is not None
    deposit, sd = account.deposit()
    half = NINE_IN_TEN * deposit_doubt(deposit, sd)
    area, channels = ratios_on(account, info.day)
    UA_clean = at.UA_clean_W_K(at.point, area, channels)
    plate_area = (account.exchanger.area_m2 or 1.0) / at.model.scale_UA_W_K
    columns: dict[str, Array] = {}
    by_reference: dict[str, Array] = {}
    for ending, value in (("", deposit), ("_low", deposit - half), ("_high", deposit + half)):
        clean = at.cleanliness(value, UA_clean, area)
        opposite = {"": "", "_low": "_high", "_high": "_low"}[ending]
        columns["fouling_resistance_m2K_W" + ending] = value * plate_area
        columns["cleanliness_factor" + opposite] = clean
        columns["approach_reference_K" + ending] = at.approach_K(clean * UA_clean)
        columns["duty_reference_W" + opposite] = at.duty_W(clean * UA_clean)
        doubt = {"": 0.0, "_low": 1.0, "_high": -1.0}[ending] * NINE_IN_TEN * at.clean_sd
        now = columns["cleanliness_factor"] * UA_clean
        by_reference["approach_reference_K" + ending] = at.approach_K(now * np.exp(doubt))
        by_reference["duty_reference_W" + opposite] = at.duty_W(now * np.exp(doubt))
        wide = {"": 0.0, "_low": 1.0, "_high": -1.0}[ending] * NINE_IN_TEN * at.clean_sd
        columns["approach_clean_K" + ending] = at.approach_K(UA_clean * np.exp(wide))
    # what is said of today's plates in kelvin and watt shares the doubt about the clean level
    for name in ("approach_reference_K", "duty_reference_W"):
        middle = columns[name]
        for ending, sign in (("_low", -1.0), ("_high", 1.0)):
            apart = np.hypot(columns[name + ending] - middle, by_reference[name + ending] - middle)
            columns[name + ending] = middle + sign * apart
    if account.assumed_secondary_m3_s is not None:
        # without a flow there is no state at the reference condition to speak of
        for name in ESTIMATED_COLUMNS:
            for ending in ("", "_low", "_high"):
                columns[name + ending] = np.full(len(deposit), np.nan)
    columns["evidence"] = tracks.evidence[np.arange(len(info.day)), account.kept_by]
    columns["fouling_alarm"] = account.alarm.astype(float)
    index = pd.DatetimeIndex(days_to_index(info.day), name="day").tz_localize("UTC")
    frame = pd.DataFrame(columns, index=index)
    assert account.ready is not None
    return frame[info.day >= account.ready]


def daily_frame(account: Account, at: ReferencePoint | None) -> pd.DataFrame:
    """Return the daily account; costs are filled in by ``outlook``."""
    daily = logged_days(account)
    if at is not None:
        concluded = concluded_days(account, at)
        daily.loc[concluded.index, list(concluded.columns)] = concluded
    return daily
