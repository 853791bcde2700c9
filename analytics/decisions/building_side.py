"""Is the building to blame: a secondary return warmer than the weather and the supply explain.

Lives here: the regression of the secondary return (and flow) on a reference period, the daily
excess over it, and the alarm. Not here: the exchanger's own heat transfer.

The secondary return is what the building makes of the supply it gets; the exchanger has no part in
it but through that supply, which is among the regressors. So neither deposit nor network supply nor
weather moves the excess; a by-pass, a valve left open or a pump at too high a speed does.

A second look tells a fault from a changed set point, which takes the return along beyond what the
reference period has seen: radiators give off heat by their mean water temperature (EN 442-2, exponent
about 1.3), whatever supply and flow bring it about. Water that comes back unused is warmer than the
heat that was taken from it allows; after a change of set point it is not.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analytics.vocabulary.records import Estimate

Floats = NDArray[np.float64]

EXCESS_K = 1.5
FLOW_EXCESS = 0.15
EMITTER_EXPONENT = 1.3  # EN 442-2: radiators 1.2 to 1.4
UNUSED_SHARE = 0.2  # of the excess of the return, in the mean: half of it where the supply is held
DAYS_OF_EVIDENCE = 14
DAYS_ABOVE = 10
LEAST_HOURS_A_DAY = 4
LEAST_REFERENCE_DAYS = 14
MILD_degC = 12.0  # above it the heating curve bends
_ROUNDS = 8
_HUBER = 1.345


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BuildingSide:
    """The excess of the last day with evidence, and the alarm day by day.

    ``flow_excess`` is a ratio, 0.2 for a fifth more than the regression; ``None`` without a flow.
    ``since`` is the first day of the run of days above that the last alarm stands on.
    """

    excess_K: Estimate | None
    flow_excess: Estimate | None
    since: np.datetime64 | None
    days: NDArray[np.datetime64]
    excess_by_day_K: Floats  # NaN: no evidence
    cold_by_day: NDArray[np.bool_]  # weather in which a fault of the building would show
    active_by_day: NDArray[np.bool_]


def assess_building_side(
    time_utc: NDArray[np.datetime64],
    secondary_return_degC: Floats,
    secondary_supply_degC: Floats,
    outdoor_degC: Floats | None,
    secondary_flow: Floats | None,
    running: NDArray[np.bool_],
    reference: NDArray[np.bool_],
    heat_W: Floats | None = None,
) -> BuildingSide | None:
    """Compare each day's secondary return with what it was in the reference period.

    The alarm of a day stands on at least 10 of the last 14 days with evidence (up to and including
    it) being above the regression by more than 1.5 K, by more than the regression itself may be off
    there, and, where flow is known, by more than 15 % in flow; and, where the heat is, on the mean water
    temperature being above what gave off that heat before. Causal once the reference has ended.

    Parameters
    ----------
    time_utc : ndarray of datetime64, shape (n,)
        Starts of the hours, rising.
    secondary_return_degC, secondary_supply_degC, outdoor_degC, secondary_flow : ndarray, shape (n,)
        Hourly means; NaN: not known. Flow in any unit.
    running : ndarray of bool, shape (n,)
        Hours with flow. Its first hours after a standstill are best left out by the caller.
    reference : ndarray of bool, shape (n,)
        Hours of the reference period. No day before its end raises an alarm.
    heat_W : ndarray, shape (n,), optional
        Heat given off; NaN: not known.

    Returns
    -------
    BuildingSide or None
        ``None`` with fewer than 14 days of evidence in the reference period.
    """
    features = _features(time_utc, secondary_supply_degC, outdoor_degC)
    known = running & np.isfinite(features).all(axis=1) & np.isfinite(secondary_return_degC)
    day = time_utc.astype("datetime64[D]")
    days, number = np.unique(day, return_inverse=True)
    excess = _daily_excess(features, secondary_return_degC, known, reference, number, len(days))
    if excess is None:
        return None
    value, error = excess
    above = (value > EXCESS_K) & (value > 1.645 * error)
    flow: tuple[Floats, Floats] | None = None
    if secondary_flow is not None:
        with np.errstate(invalid="ignore", divide="ignore"):
            ln_flow = np.log(secondary_flow)
        flows = known & np.isfinite(ln_flow)
        flow = _daily_excess(features, ln_flow, flows, reference, number, len(days))
        if flow is not None:
            # a day without flow readings is judged by its temperature alone
            above &= ~(np.expm1(flow[0]) <= FLOW_EXCESS)
    unused = _unused(
        secondary_return_degC, secondary_supply_degC, heat_W, known, reference, number, len(days)
    )
    if unused is not None:
        above &= ~(unused < UNUSED_SHARE * value)
    evidence = np.isfinite(value)
    after = days > day[reference].max()
    active, first = _sustained(above & after, evidence & after)
    last = int(np.flatnonzero(evidence)[-1])
    return BuildingSide(
        excess_K=_estimate(value[last], error[last]),
        flow_excess=_flow_estimate(flow),
        since=days[first] if first is not None else None,
        days=days,
        excess_by_day_K=value,
        cold_by_day=_cold(outdoor_degC, known, number, len(days)),
        active_by_day=active,
    )


def _cold(
    outdoor_degC: Floats | None, known: NDArray[np.bool_], number: NDArray[np.intp], count: int
) -> NDArray[np.bool_]:
    """Tell the days with weather to heat in; all of them where no weather is known."""
    if outdoor_degC is None:
        return np.ones(count, dtype=bool)
    hours = np.bincount(number[known], minlength=count)
    total = np.bincount(number[known], weights=outdoor_degC[known], minlength=count)
    return np.asarray(total < MILD_degC * hours)


def _unused(
    return_degC: Floats, supply_degC: Floats, heat_W: Floats | None, known: NDArray[np.bool_],
    reference: NDArray[np.bool_], number: NDArray[np.intp], count: int,
) -> Floats | None:  # fmt: skip
    """Return by how much each day's mean water is warmer than its heat asks for, K; None: not known."""
    if heat_W is None:
        return None
    with np.errstate(invalid="ignore"):
        driven = np.maximum(heat_W, 0.0) ** (1.0 / EMITTER_EXPONENT)
    features = np.column_stack([np.ones(len(driven)), driven])
    hours = known & np.isfinite(driven)
    found = _daily_excess(
        features, 0.5 * (return_degC + supply_degC), hours, reference, number, count
    )
    return None if found is None else found[0]


def _features(
    time_utc: NDArray[np.datetime64], supply_degC: Floats, outdoor_degC: Floats | None
) -> Floats:
    """Return what explains the return: supply, outdoor with a bend, hour of the day (set-back)."""
    hour = (time_utc.astype("datetime64[h]").astype(int) % 24) * (2.0 * np.pi / 24.0)
    columns = [np.ones(len(hour)), supply_degC]
    if outdoor_degC is not None:
        columns += [outdoor_degC, np.maximum(outdoor_degC - MILD_degC, 0.0)]
    columns += [np.cos(hour), np.sin(hour), np.cos(2.0 * hour), np.sin(2.0 * hour)]
    return np.column_stack(columns)


def _daily_excess(
    features: Floats,
    target: Floats,
    known: NDArray[np.bool_],
    reference: NDArray[np.bool_],
    number: NDArray[np.intp],
    count: int,
) -> tuple[Floats, Floats] | None:
    """Return daily mean of target minus regression, and its standard deviation; NaN: no evidence.

    The standard deviation holds the scatter of whole days in the reference and what the coefficients
    may be off by at that day's weather, which grows outside the reference's range. ``None`` with too
    few days to learn from.
    """
    hours = np.bincount(number[known], minlength=count)
    good = hours >= LEAST_HOURS_A_DAY
    learn = known & reference & good[number]
    learnt = np.unique(number[learn])
    if len(learnt) < LEAST_REFERENCE_DAYS:
        return None
    centre, spread = features[learn].mean(axis=0), features[learn].std(axis=0)
    centre[0], spread[0] = 0.0, 1.0
    scaled = (features - centre) / np.maximum(spread, 0.1)
    # A trace of ridge: supply and outdoor follow each other along the heating curve.
    ridge = np.full(scaled.shape[1], 0.01 * learn.sum() / 24.0)
    ridge[0] = 0.0
    coefficients = _robust(scaled[learn], target[learn], ridge)
    rest = np.where(known, target - np.where(known[:, None], scaled, 0.0) @ coefficients, 0.0)
    safe = np.maximum(hours, 1)
    value = np.where(good, np.bincount(number, weights=rest, minlength=count) / safe, np.nan)
    mean_features = np.column_stack(
        [
            np.bincount(number[known], weights=scaled[known, i], minlength=count) / safe
            for i in range(scaled.shape[1])
        ]
    )
    scatter = float(np.sqrt(np.mean(np.square(value[learnt]))))
    # Whole days are the independent ones, so the coefficients rest on days, not hours.
    gram = mean_features[learnt].T @ mean_features[learnt] + np.diag(ridge / 24.0 + 1e-3)
    leverage = np.einsum("di,ij,dj->d", mean_features, np.linalg.inv(gram), mean_features)
    return value, scatter * np.sqrt(1.0 + 2.0 * leverage)


def _robust(design: Floats, target: Floats, ridge: Floats) -> Floats:
    """Return Huber regression coefficients."""
    weight = np.ones_like(target)
    for _ in range(_ROUNDS):
        weighted = design * weight[:, None]
        coefficients = np.linalg.solve(weighted.T @ design + np.diag(ridge), weighted.T @ target)
        rest = np.abs(target - design @ coefficients)
        scatter = max(1.4826 * float(np.median(rest)), 1e-9)
        weight = np.minimum(1.0, _HUBER * scatter / np.maximum(rest, 1e-12))
    return np.asarray(coefficients)


def _sustained(
    above: NDArray[np.bool_], evidence: NDArray[np.bool_]
) -> tuple[NDArray[np.bool_], int | None]:
    """Return the alarm by day and, if it stands on the last day, the first day above it stands on."""
    at = np.flatnonzero(evidence)
    sums = np.concatenate([[0], np.cumsum(above[at])])
    begin = np.maximum(np.arange(1, len(at) + 1) - DAYS_OF_EVIDENCE, 0)
    alarm = sums[1:] - sums[begin] >= DAYS_ABOVE
    # a day without evidence keeps the alarm of the day before
    latest = np.cumsum(evidence) - 1
    active = np.zeros(len(evidence), dtype=bool)
    active[latest >= 0] = alarm[latest[latest >= 0]]
    if not len(at) or not active[-1]:
        return active, None
    quiet = np.flatnonzero(~alarm)
    start = int(quiet[-1]) + 1 if len(quiet) else 0
    window = at[max(start + 1 - DAYS_OF_EVIDENCE, 0) : start + 1]
    return active, int(window[above[window]][0])


def _estimate(value: float, error: float) -> Estimate:
    return Estimate(
        value=float(value), low=float(value - 1.645 * error), high=float(value + 1.645 * error)
    )


def _flow_estimate(flow: tuple[Floats, Floats] | None) -> Estimate | None:
    if flow is None or not np.isfinite(flow[0]).any():
        return None
    last = int(np.flatnonzero(np.isfinite(flow[0]))[-1])
    ln = _estimate(flow[0][last], flow[1][last])
    return Estimate(
        value=float(np.expm1(ln.value)), low=float(np.expm1(ln.low)), high=float(np.expm1(ln.high))
    )
