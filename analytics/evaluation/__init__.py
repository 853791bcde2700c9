"""The whole chain: what one exchanger's trends say, from a trend frame to an :class:`Evaluation`."""

from collections.abc import Callable, Sequence
from datetime import UTC, datetime

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analytics.decisions.building_side import BuildingSide, assess_building_side
from analytics.decisions.capacity import fit_load_line
from analytics.decisions.diagnosis import Odds, Signs, causes, weigh
from analytics.decisions.signs import hunting, missed_set_point, parallel_flow, pressure_drop
from analytics.evaluation import outlook
from analytics.evaluation.alerts import (
    building_alerts,
    fouling_alerts,
    instrument_alerts,
    piping_alerts,
    silence_alerts,
)
from analytics.evaluation.daily_frame import daily_frame, empty_daily, hourly_duty_W, ratios_on
from analytics.evaluation.health import data_health, empty_health
from analytics.evaluation.intervals import interval_frame, interval_table, latest_interval
from analytics.evaluation.verdict import cannot_tell, decide, early_verdict
from analytics.trends.account import Account, day_number, keep_account
from analytics.trends.model import INSTRUMENTS
from analytics.trends.reference_condition import (
    NINE_IN_TEN,
    ReferencePoint,
    days_to_index,
    estimate,
    ordered,
    reference_point,
)
from analytics.vocabulary.quantities import INTERVAL_COLUMNS, REASON_BITS
from analytics.vocabulary.records import (
    AlertEvent,
    Capacity,
    CauseKind,
    CleanReference,
    CurrentState,
    DataHealth,
    Estimate,
    Evaluation,
    Exchanger,
    Forecast,
    LatestInterval,
    MaintenanceEvent,
    MoneyAccount,
    OffsetFinding,
    Period,
    Remark,
    VerdictKind,
)
from analytics.vocabulary.timebase import check_trends

Progress = Callable[[str, int, int], None]
_STEPS = 6
SUPPLY_CHANGED_K = 1.5
SUPPLY_CHANGED_DAYS = 21
ALIKE_DAYS_BACK = 14
ALIKE_K = 1.5
WIDEN_OFFSETS = 2.0  # stated intervals of thermometer errors were too narrow in experiments


def evaluate(
    exchanger: Exchanger,
    trends: pd.DataFrame,
    events: Sequence[MaintenanceEvent] = (),
    *,
    progress: Progress | None = None,
) -> Evaluation:
    """Assess one exchanger from all its trends.

    Parameters
    ----------
    exchanger : Exchanger
    trends : DataFrame
        Trend frame (see ``analytics.vocabulary.timebase``).
    events : sequence of MaintenanceEvent
        The maintenance log; events of other exchangers are ignored, and so are those after the end
        of the data, which cannot have shown yet.
    progress : callable, optional
        Called with a word on the step, how many are done, and of how many.

    Raises
    ------
    EvaluationError
        If ``trends`` is not a trend frame.
    """
    step = progress or (lambda what, done, total: None)
    trends = check_trends(exchanger.tag, trends)
    trends = trends.loc[:, trends.notna().any()].dropna(how="all")
    if not len(trends):
        return _nothing(exchanger)
    own = sorted(
        (
            e
            for e in events
            if e.tag == exchanger.tag and e.at_utc <= trends.index[-1].to_pydatetime()
        ),
        key=lambda e: e.at_utc,
    )
    step("reading the hours", 0, _STEPS)
    account = keep_account(exchanger, trends, own)
    step("indicators", 2, _STEPS)
    table, width = interval_table(account, trends)
    intervals = interval_frame(account, table, width)
    health = data_health(account, trends)
    latest = latest_interval(account, intervals, width)
    if account.fit is None:
        early = early_verdict(account, health)
        return Evaluation(
            tag=exchanger.tag, through_utc=_end(trends), verdict=early or cannot_tell(), causes=(),
            health=health, reference=None, state=None, offsets=(), forecast=None, money=None,
            capacity=None, proofs=(), alerts=tuple(silence_alerts(trends)), latest=latest,
            daily=daily_frame(account, None), intervals=intervals,
        )  # fmt: skip
    return _concluded(account, trends, intervals, health, latest, step)


def _end(trends: pd.DataFrame) -> datetime:
    return trends.index[-1].to_pydatetime()  # type: ignore[no-any-return]


def _nothing(exchanger: Exchanger) -> Evaluation:
    blank = pd.DataFrame(
        {q.name: pd.Series(dtype=float) for q in INTERVAL_COLUMNS},
        index=pd.DatetimeIndex([], tz="UTC", name="start"),
    )
    return Evaluation(
        tag=exchanger.tag, through_utc=datetime(1970, 1, 1, tzinfo=UTC),
        verdict=cannot_tell(Remark(code="no_readings")), causes=(), health=empty_health(),
        reference=None, state=None, offsets=(), forecast=None, money=None, capacity=None, proofs=(),
        alerts=(), latest=None, daily=empty_daily(), intervals=blank,
    )  # fmt: skip


def _concluded(
    account: Account,
    trends: pd.DataFrame,
    intervals: pd.DataFrame,
    health: DataHealth,
    latest: LatestInterval | None,
    step: Progress,
) -> Evaluation:
    """Draw all conclusions of an account that has a clean reference."""
    exchanger = account.exchanger
    at = reference_point(account)
    daily = daily_frame(account, at)
    building = _building(account)
    alerts = (
        *fouling_alerts(account, daily), *instrument_alerts(account), *building_alerts(building), *piping_alerts(account),
        *silence_alerts(trends),
    )  # fmt: skip
    state = _state(account, at, daily)
    step("forecast and money", 3, _STEPS)
    forecast, money = _outlook(account, at, daily, state)
    step("diagnosis", 5, _STEPS)
    odds = weigh(account)
    capacity = outlook.capacity_record(account, at)
    signs = _signs(account, building, capacity, alerts)
    per_deposit = (exchanger.area_m2 or 1.0) / at.model.scale_UA_W_K
    clean = state.cleanliness_factor
    loss = None if clean is None else ordered(1 - clean.value, 1 - clean.high, 1 - clean.low)
    listed = causes(account, odds, signs, per_deposit, loss)
    early = early_verdict(account, health)
    verdict = early or decide(
        account, odds, listed, state, forecast, money, alerts, health, effectiveness(intervals)
    )
    if money is not None and verdict.kind not in (VerdictKind.CLEAN_NOW, VerdictKind.CLEAN_LATER):
        money = outlook.unproven(money)
    step("done", _STEPS, _STEPS)
    return Evaluation(
        tag=exchanger.tag, through_utc=_end(trends), verdict=verdict, causes=tuple(listed),
        health=health, reference=_reference(account, at), state=state, offsets=_offsets(account, odds),
        forecast=forecast, money=money, capacity=capacity,
        proofs=outlook.proofs(account, at), alerts=alerts, latest=latest, daily=daily,
        intervals=intervals,
    )  # fmt: skip


def effectiveness(intervals: pd.DataFrame) -> Estimate | None:
    """Return the effectiveness of the last 30 days' steady intervals: median and nine in ten."""
    recent = intervals[intervals.index > intervals.index[-1] - pd.Timedelta(days=30)]
    steady = recent.loc[recent["set_aside"] == 0, "effectiveness"].dropna()
    if len(steady) < 24:
        return None
    low, middle, high = steady.quantile([0.05, 0.5, 0.95])
    return Estimate(value=float(middle), low=float(low), high=float(high))


def _last_ratios(account: Account) -> tuple[float, float]:
    assert account.info is not None
    area, channels = ratios_on(account, account.info.day[-1:])
    return float(area[0]), float(channels[0])


def _limit(account: Account, at: ReferencePoint) -> tuple[float, float]:
    """Return the limit as an approach at the reference condition, K, and as a deposit."""
    area, channels = _last_ratios(account)
    UA_clean = float(at.UA_clean_W_K(at.point, area, channels)[0])
    limits = account.exchanger.limits
    if limits.approach_K is None or account.assumed_secondary_m3_s is not None:
        cleanliness = limits.cleanliness_factor
        approach = float(at.approach_K(np.array([cleanliness * UA_clean]))[0])
    else:
        approach = limits.approach_K
        cleanliness = at.cleanliness_at_approach(approach, UA_clean)
    return approach, at.deposit_for(cleanliness, UA_clean, area)


def _state(account: Account, at: ReferencePoint, daily: pd.DataFrame) -> CurrentState:
    """Return the figures of the last day with a conclusion."""
    concluded = daily["evidence"].dropna()
    info = account.info
    assert info is not None
    limit, _ = _limit(account, at)
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
    area, channels = _last_ratios(account)
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


def _outlook(
    account: Account, at: ReferencePoint, daily: pd.DataFrame, state: CurrentState
) -> tuple[Forecast | None, MoneyAccount | None]:
    """Return forecast and money, and fill the daily costs in."""
    if account.assumed_secondary_m3_s is not None:
        return None, None
    foreseen = outlook.foresee(account, at)
    area, channels = _last_ratios(account)
    _, deposit_limit = _limit(account, at)
    forecast = None
    if foreseen is not None:
        forecast = outlook.forecast_record(foreseen, at, deposit_limit, area, channels)
    tariff = account.exchanger.tariff
    if not outlook.priced(tariff):
        return forecast, None
    spent = outlook.costs_so_far(account)
    if spent is None:
        return forecast, None
    so_far, by_hour = spent
    by_day = by_hour.groupby(pd.DatetimeIndex(by_hour.index).floor("D")).sum()
    by_day = by_day[by_day.index.isin(daily.index)]
    daily.loc[by_day.index, list(by_day.columns)] = by_day
    planned = outlook.plan(account, foreseen, at) if foreseen is not None else None
    return forecast, outlook.money_record(account, so_far, planned) if planned is not None else None


def _building(account: Account) -> BuildingSide | None:
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
    flow = table.flow[:, 1] / _load_growth(account, runs & reference) ** 2
    outdoor = table.outdoor_degC
    return assess_building_side(
        np.asarray(table.start.tz_localize(None).as_unit("s")), table.temperature[:, 3],
        table.temperature[:, 2], outdoor if np.isfinite(outdoor).any() else None,
        flow if np.isfinite(flow).any() else None, runs, reference,
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


def _signs(
    account: Account,
    building: BuildingSide | None,
    capacity: Capacity | None,
    alerts: Sequence[AlertEvent],
) -> Signs:
    moves, missed = hunting(account), missed_set_point(account)
    drop, piping = pressure_drop(account), parallel_flow(account)
    # as long as the alert stands, a few mild days at the end of the season acquit nobody
    active = any(a.kind is CauseKind.BUILDING_SIDE and a.ended_utc is None for a in alerts)
    return Signs(
        building_excess_K=None if building is None else building.excess_K,
        building_flow_excess=None if building is None else building.flow_excess,
        building_active=active,
        hunting_step=None if moves is None else moves[0],
        hunting=bool(moves and moves[1]),
        set_point_share=None if missed is None else missed[0],
        set_point_short_K=None if missed is None else missed[1],
        short_of_capacity=bool(missed and missed[2]) or _short(capacity),
        short_at_design_W=_shortfall(capacity),
        pressure_drop_ratio=None if drop is None else drop[0],
        pressure_drop_risen=bool(drop and drop[1]),
        effectiveness=None if piping is None else piping[0],
        parallel_most=None if piping is None else piping[1],
        parallel_flow=bool(piping and piping[2]),
    )


def _short(capacity: Capacity | None) -> bool:
    """Tell whether the load at the design outdoor temperature exceeds what clean plates deliver."""
    return capacity is not None and capacity.load_at_design_W.low > capacity.delivers_clean_W.value


def _shortfall(capacity: Capacity | None) -> Estimate | None:
    if capacity is None or not _short(capacity):
        return None
    load, clean = capacity.load_at_design_W, capacity.delivers_clean_W
    return Estimate(
        value=load.value - clean.value, low=load.low - clean.value, high=load.high - clean.value
    )


def _offsets(account: Account, odds: Odds) -> tuple[OffsetFinding, ...]:
    """Return each instrument's error: as of the reference, plus its change since where it matters."""
    info, fit = account.info, account.fit
    assert info is not None
    assert fit is not None
    tracks = account.tracks
    assert tracks is not None
    state, covariance = tracks.state[1], tracks.covariance[1]
    idle = account.idle.median_K()
    found = []
    for index, role in INSTRUMENTS:
        if index not in odds.moved:
            continue
        position = next(i for i, e in enumerate(odds.explanation) if e.moving == (index,))
        own = odds.share[position] > 0.5
        x = tracks.state[position] if own else state
        P = tracks.covariance[position] if own else covariance
        error = estimate(
            float(fit.point[index] + x[index]), float(WIDEN_OFFSETS * np.sqrt(P[index, index]))
        )
        if index >= 4:
            error = Estimate(
                **{n: float(np.expm1(getattr(error, n))) for n in ("value", "low", "high")}
            )
        rest = None
        if idle is not None and index < 4:
            rest = Estimate(
                value=float(idle[index]),
                low=float(idle[index] - 0.6),
                high=float(idle[index] + 0.6),
            )
        found.append(
            OffsetFinding(
                role=role,
                error=error,
                unit="K" if index < 4 else "",
                from_idle_hours=rest,
                idle_hours=float(len(account.idle.day)),
            )
        )
    return tuple(found)


def _reference(account: Account, at: ReferencePoint) -> CleanReference:
    """Describe the clean reference."""
    period, fit = account.period, account.fit
    assert period is not None
    assert fit is not None
    assert account.info is not None
    half = NINE_IN_TEN * at.clean_sd
    UA = float(at.UA_clean_W_K(at.point)[0])
    UA_estimate = Estimate(value=UA, low=UA * float(np.exp(-half)), high=UA * float(np.exp(half)))
    area = account.exchanger.area_m2
    metered = account.assumed_secondary_m3_s is None
    values = [UA_estimate.value, UA_estimate.low, UA_estimate.high]
    approach = at.approach_K(np.array(values))
    duty = at.duty_W(np.array(values))
    start, end = (
        pd.Timestamp(d).tz_localize("UTC")
        for d in days_to_index(np.array([period.first, period.last + 1]))
    )
    inside = account.info.day < period.last + 1
    scatter = (
        float(1.4826 * np.median(np.abs(np.diff(account.info.deposit[inside]))) / np.sqrt(2))
        if inside.sum() > 5
        else None
    )
    return CleanReference(
        basis=period.basis, period=Period(start_utc=start.to_pydatetime(), end_utc=end.to_pydatetime()),
        hours=float(fit.hours), condition=at.condition, UA_W_K=UA_estimate,
        U_W_m2K=None if area is None or not metered else Estimate(value=UA / area, low=UA_estimate.low / area, high=UA_estimate.high / area),
        approach_K=ordered(approach[0], approach[1], approach[2]),
        duty_W=ordered(duty[0], duty[1], duty[2]) if metered else None, scatter=scatter,
        epochs_utc=tuple(e.at_utc for e in account.events if _touches(e, account)),
        curve=_curve(account, at) if metered else None,
    )  # fmt: skip


def _touches(event: MaintenanceEvent, account: Account) -> bool:
    return day_number(event.at_utc) in account.surface_days


def _curve(account: Account, at: ReferencePoint) -> pd.DataFrame:
    """Clean U (UA without an area) over the primary flow, the secondary in its usual proportion."""
    assert account.hours is not None
    assert account.fit is not None
    _, mass = account.fit.model.streams(account.fit.point, account.hours)
    mass = mass[np.isfinite(mass).all(axis=1)]
    low, high = np.quantile(mass[:, 0], (0.01, 0.995))
    flows = np.linspace(low, high, 40)
    slope = np.polynomial.Polynomial.fit(np.log(mass[:, 0]), np.log(mass[:, 1]), 1)
    secondary = np.exp(slope(np.log(flows)))
    t = account.hours.temperature
    means = np.tile([float(np.nanmedian(t[:, :2])), float(np.nanmedian(t[:, 2:]))], (40, 1))
    logs = tuple(
        np.column_stack(
            [np.log(getattr(f, name)(means[:, i])) for i, f in enumerate(account.fluids)]
        )
        for name in ("conductivity", "heat_capacity", "viscosity")
    )
    area, channels = _last_ratios(account)
    UA = at.model.conductance(
        at.point, np.column_stack([flows, secondary]), means, (logs[0], logs[1], logs[2]), area, channels,
        deposit=0.0,
    )  # fmt: skip
    per = (account.exchanger.area_m2 or 1.0) * (area if account.exchanger.area_m2 else 1.0)
    spread = float(np.exp(NINE_IN_TEN * min(at.clean_sd, 0.3)))
    density = float(account.fluids[0].density(means[0, 0]))
    return pd.DataFrame(
        {
            "primary_flow_m3_s": flows / density,
            "U": UA / per,
            "low": UA / per / spread,
            "high": UA / per * spread,
        }
    )
