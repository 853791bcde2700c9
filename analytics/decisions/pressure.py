"""Pressure drop of each side, hour by hour and day by day, over that of clean plates at the same flow.

    ln dp = a + n ln V + (2 - n) ln mu + ln ratio

(turbulent: dp ~ rho V^2 f, f ~ Re^(n-2); the density hardly moves and is left out). The power n is
fitted on the reference period with a prior of 1.8 +- 0.05 (1.7 to 1.9, common practice for plate
channels). A blocked strainer or channel raises the ratio and leaves heat transfer alone; a film of deposit
takes heat transfer and narrows the channel by little, on its own side.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analytics.trends.account import Account, side_flow
from analytics.trends.evidence import LEAST_FLOW
from analytics.trends.model import Array
from analytics.trends.reference_condition import NINE_IN_TEN
from analytics.vocabulary.quantities import REASON_BITS
from analytics.vocabulary.records import Estimate

POWER, POWER_SD = 1.8, 0.05
LEAST_CLEAN_HOURS, LEAST_DAY_HOURS, LEAST_DAYS = 48, 3, 5
RECENT_DAYS = 14  # with readings
INDEPENDENT_HOURS = 6.0  # hours that tell as much as one
DRIFT = 0.015  # of two pressure sensors over a season (judgement)
RISEN = 1.35  # and more: a strainer or channel
SURELY_RISEN = 1.2  # beyond doubt
RISEN_BY_DEPOSIT = 2.0  # a thick deposit may narrow the channels by as much
FILM = 0.05  # more than two sensors differ by over a season
# What thermometers may come to be off by in the difference that a flow nobody measures is taken from, K.
ASTRAY_K, IMPLIED_APART_K = 1.0, 6.0
METER_OFF, METER_SURE = 0.06, 4.0  # least gain of a meter, and standard deviations, by both sides
LEAST_PRESSURE_Pa = 300.0  # below, a sensor's resolution is what is seen


@dataclass(frozen=True, slots=True, kw_only=True)
class PressureSide:
    """One side's pressure drop against its clean law.

    Attributes
    ----------
    power : Estimate
        Of the flow, as fitted.
    day : (d,) days since 1970
    ratio, ratio_sd : (d,) daily median over clean at the same flow, and its standard deviation
    recent : Estimate
        Of the last two weeks with readings.
    meter_gain, meter_gain_sd : float
        Of the flow meter, ln, that would bring the same about.
    """

    power: Estimate
    day: NDArray[np.int64]
    ratio: Array
    ratio_sd: Array
    recent: Estimate
    meter_gain: float = 0.0
    meter_gain_sd: float = np.inf

    @property
    def blocked(self) -> bool:
        """Tell whether something is in the way: far more than a film of deposit narrows a channel."""
        return self.recent.value > RISEN and self.recent.low > SURELY_RISEN


def pressure_sides(account: Account) -> tuple[PressureSide | None, PressureSide | None]:
    """Return both sides; ``None`` where nothing is logged or there is no clean law to hold it to."""
    return _side(account, 0), _side(account, 1)


def single_meter_gain(
    account: Account, sides: tuple[PressureSide | None, PressureSide | None]
) -> Estimate | None:
    """Return the gain of a single flow meter that both pressure drops show alike; ``None``: none for sure.

    Where one side's flow is taken from the other's heat, an error of the meter moves both ratios by the same
    power of it. A deposit or a strainer sits on one side; a thermometer moves the side without a meter.
    """
    metered = [bool(np.isfinite(account.table.flow[:, i]).any()) for i in (0, 1)]
    first, second = sides
    if sum(metered) != 1 or first is None or second is None:
        return None
    gains = np.array([first.meter_gain, second.meter_gain])
    sds = np.array([first.meter_gain_sd, second.meter_gain_sd])
    weight = sds**-2.0 / (sds**-2.0).sum()
    gain, sd = float(weight @ gains), float((sds**-2.0).sum() ** -0.5)
    alike = abs(gains[0] - gains[1]) < 2.0 * float(np.hypot(*sds))
    own = metered.index(True)  # the meter's own side must show it without the other
    if not alike or abs(gains[own]) < max(METER_OFF, METER_SURE * sds[own]):
        return None
    low, high = gain - NINE_IN_TEN * sd, gain + NINE_IN_TEN * sd
    return Estimate(
        value=float(np.expm1(gain)), low=float(np.expm1(low)), high=float(np.expm1(high))
    )


def hourly_log_ratio(account: Account, side: int) -> tuple[Array, float, float] | None:
    """Return ln of the ratio by hour (NaN: not known), the power of flow, and its deviation.

    From steady hours, as the mean of a pressure drop is more than the pressure drop of the mean where a flow
    comes and goes; where there are too few of them, as with hot water, from all.
    """
    halted = REASON_BITS["stopped"] | REASON_BITS["gap"]
    steady = _log_ratio(account, side, halted | REASON_BITS["transient"])
    if steady is not None and _enough_days(account, steady[0]):
        return steady
    return _log_ratio(account, side, halted)


def _enough_days(account: Account, ratio: Array) -> bool:
    by_day = pd.Series(np.isfinite(ratio)).groupby(account.table.day).sum()
    return (
        int((by_day[by_day.index >= (account.ready or 0)] >= LEAST_DAY_HOURS).sum()) >= LEAST_DAYS
    )


def _log_ratio(account: Account, side: int, unsuited: int) -> tuple[Array, float, float] | None:
    table, fluid = account.table, account.fluids[side]
    drop, flow = table.pressure_drop[:, side], side_flow(account, side)
    t = table.temperature[:, 2 * side : 2 * side + 2].mean(axis=1)
    apart = np.abs(table.temperature[:, 2 * side] - table.temperature[:, 2 * side + 1])
    least_apart = 0.0 if np.isfinite(table.flow[:, side]).any() else IMPLIED_APART_K
    with np.errstate(invalid="ignore"):
        good = (
            (apart > least_apart)
            & (drop > LEAST_PRESSURE_Pa)
            & (flow > 2 * LEAST_FLOW * account.nominal[side])
        )
        good &= (account.set_aside & unsuited) == 0
        good &= np.isfinite(t)
    clean = good & (table.day < (account.ready or 0))
    if account.period is None or clean.sum() < LEAST_CLEAN_HOURS:
        return None
    # plates added share the flow among more channels
    x = np.where(good, np.log(np.where(good, flow / account.channel_ratio, 1.0)), np.nan)
    viscosity = np.log(fluid.viscosity(np.where(good, t, 50.0)))
    y = np.where(good, np.log(np.where(good, drop, 1.0)), np.nan)
    power, sd, level = _law(x[clean], viscosity[clean], y[clean])
    found = y - level - power * x - (2.0 - power) * viscosity
    return found, power, sd


def _law(x: Array, viscosity: Array, y: Array) -> tuple[float, float, float]:
    """Fit the power with its prior; return it, its standard deviation, and the level."""
    # ln dp - 2 ln mu = a + n (ln V - ln mu)
    u, v = x - viscosity, y - 2.0 * viscosity
    mean_u, mean_v = float(np.median(u)), float(np.median(v))
    scatter = max(float(1.4826 * np.median(np.abs(v - mean_v - POWER * (u - mean_u)))), 0.005)
    weight = ((u - mean_u) ** 2).sum() / scatter**2 / INDEPENDENT_HOURS
    slope = ((u - mean_u) * (v - mean_v)).sum() / scatter**2 / INDEPENDENT_HOURS
    precision = weight + POWER_SD**-2.0
    power = float((slope + POWER / POWER_SD**2) / precision)
    return power, float(precision**-0.5), float(np.median(v - power * u))


def _side(account: Account, side: int) -> PressureSide | None:
    hourly = hourly_log_ratio(account, side)
    if hourly is None:
        return None
    ln_ratio, power, power_sd = hourly
    frame = pd.DataFrame({"day": account.table.day, "r": ln_ratio}).dropna()
    grouped = frame.groupby("day")["r"]
    count = grouped.count()
    daily = grouped.median()[count >= LEAST_DAY_HOURS]
    days = daily.index.to_numpy(dtype=np.int64)
    inside = days < (account.ready or 0)
    later = daily.to_numpy()[~inside][-RECENT_DAYS:]
    if inside.sum() < LEAST_DAYS or len(later) < LEAST_DAYS:
        return None
    scatter = max(float(np.std(daily.to_numpy()[inside], ddof=1)), 0.005)
    middle = float(np.median(later))
    # the power's doubt matters as far as flows are now others than in the reference period
    lever = _lever(account, side)
    spread = np.sqrt(
        scatter**2 * (1.57 / len(later) + 1.57 / inside.sum()) + DRIFT**2 + (power_sd * lever) ** 2
    )
    half = NINE_IN_TEN * float(np.hypot(spread, power * _astray(account, side)))
    return PressureSide(
        meter_gain=-middle / power, meter_gain_sd=float(spread) / power,
        power=Estimate(value=power, low=power - NINE_IN_TEN * power_sd, high=power + NINE_IN_TEN * power_sd),
        day=days, ratio=np.exp(daily.to_numpy()), ratio_sd=np.full(len(days), np.hypot(scatter, DRIFT)),
        recent=Estimate(
            value=float(np.exp(middle)), low=float(np.exp(middle - half)), high=float(np.exp(middle + half))
        ),
    )  # fmt: skip


def _astray(account: Account, side: int) -> float:
    """Return the relative doubt of a flow that rests on the other side's heat; 0: it is metered."""
    table = account.table
    if np.isfinite(table.flow[:, side]).any():
        return 0.0
    recent = (account.set_aside == 0) & (table.day > table.day[-1] - RECENT_DAYS)
    t = table.temperature[recent if recent.any() else account.set_aside == 0]
    apart = np.abs(t[:, 2 * side] - t[:, 2 * side + 1])
    return ASTRAY_K / float(np.median(apart)) if len(apart) else 0.0


def _lever(account: Account, side: int) -> float:
    flow, day = side_flow(account, side), account.table.day
    runs = np.isfinite(flow) & (flow > 2 * LEAST_FLOW * account.nominal[side])
    before, now = runs & (day < (account.ready or 0)), runs & (day > day[-1] - RECENT_DAYS)
    if not (before.any() and now.any()):
        return 0.0
    return float(np.median(np.log(flow[now])) - np.median(np.log(flow[before])))
