"""The figures people read, as of the last day that knows the plates well: state, limit, effectiveness."""

import numpy as np
import pandas as pd

from analytics.evaluation.reference import last_ratios
from analytics.trends.account import Account
from analytics.trends.reference_condition import (
    NINE_IN_TEN,
    ReferencePoint,
    days_to_index,
    estimate,
    ordered,
)
from analytics.vocabulary.records import (
    CurrentState,
    Estimate,
)


def effectiveness(intervals: pd.DataFrame) -> Estimate | None:
    """Return the effectiveness of the last 30 days' steady intervals: median and nine in ten."""
    recent = intervals[intervals.index > intervals.index[-1] - pd.Timedelta(days=30)]
    steady = recent.loc[recent["set_aside"] == 0, "effectiveness"].dropna()
    if len(steady) < 24:
        return None
    low, middle, high = steady.quantile([0.05, 0.5, 0.95])
    return Estimate(value=float(middle), low=float(low), high=float(high))


def limit_of(account: Account, at: ReferencePoint) -> tuple[float, float]:
    """Return the limit as an approach at the reference condition, K, and as a deposit."""
    area, channels = last_ratios(account)
    UA_clean = float(at.UA_clean_W_K(at.point, area, channels)[0])
    limits = account.exchanger.limits
    if limits.approach_K is None or account.assumed_secondary_m3_s is not None:
        cleanliness = limits.cleanliness_factor
        approach = float(at.approach_K(np.array([cleanliness * UA_clean]))[0])
    else:
        approach = limits.approach_K
        cleanliness = at.cleanliness_at_approach(approach, UA_clean)
    return approach, at.deposit_for(cleanliness, UA_clean, area)


def state_of(account: Account, at: ReferencePoint, daily: pd.DataFrame) -> CurrentState:
    """Return the figures of the last day that knows the plates as well as the season before it did."""
    assert account.info is not None
    last = pd.Timestamp(days_to_index(account.info.day)[account.present_row()]).tz_localize("UTC")
    concluded = daily["evidence"].dropna().loc[:last]
    info = account.info
    assert info is not None
    limit, _ = limit_of(account, at)
    if not len(concluded):
        day = pd.Timestamp(days_to_index(info.day[-1:])[0]).tz_localize("UTC")
        return CurrentState(
            as_of_utc=day.to_pydatetime(), approach_K=None, approach_reference_K=None,
            approach_limit_K=limit, cleanliness_factor=None, fouling_resistance_m2K_W=None,
            duty_reference_W=None, duty_reference_clean_W=None,
        )  # fmt: skip
    day = concluded.index[-1]
    row = daily.loc[day]

    def figure(name: str) -> Estimate:
        return ordered(row[name], row[name + "_low"], row[name + "_high"])

    recent = daily["approach_K"].dropna()
    area, channels = last_ratios(account)
    UA_clean = float(at.UA_clean_W_K(at.point, area, channels)[0])
    metered = account.assumed_secondary_m3_s is None
    if not metered:
        return CurrentState(
            as_of_utc=day.to_pydatetime(),
            approach_K=estimate(float(recent.iloc[-1]), _approach_sd(account)) if len(recent) else None,
            approach_reference_K=None, approach_limit_K=None, cleanliness_factor=None,
            fouling_resistance_m2K_W=None, duty_reference_W=None, duty_reference_clean_W=None,
        )  # fmt: skip
    clean_duty = [
        float(at.duty_W(np.array([UA_clean * np.exp(s * NINE_IN_TEN * at.clean_sd)]))[0])
        for s in (0, -1, 1)
    ]
    return CurrentState(
        as_of_utc=day.to_pydatetime(),
        approach_K=estimate(float(recent.iloc[-1]), _approach_sd(account)) if len(recent) else None,
        approach_reference_K=figure("approach_reference_K"),
        approach_limit_K=limit,
        cleanliness_factor=figure("cleanliness_factor"),
        fouling_resistance_m2K_W=figure("fouling_resistance_m2K_W")
        if metered and account.exchanger.area_m2
        else None,
        duty_reference_W=figure("duty_reference_W") if metered else None,
        duty_reference_clean_W=ordered(*clean_duty) if metered else None,
    )


def _approach_sd(account: Account) -> float:
    """Standard uncertainty of the approach as read: that of the two thermometers, as they are known now."""
    assert account.tracks is not None
    P = account.tracks.covariance[1]
    return float(np.sqrt(max(P[1, 1] + P[3, 3] - 2 * P[1, 3], 0.0) + 0.05**2))
