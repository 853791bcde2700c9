"""Made-up evaluations for the tests of the pages: plausible, varied, and none of them computed.

Every figure here is invented. Shapes follow a heating year: no evidence in summer, a weekly wobble,
intervals that widen where data is thin.
"""

from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from functools import cache
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from analytics.vocabulary.gaps import GAP_COLUMNS
from analytics.vocabulary.quantities import (
    DAILY_COLUMNS,
    ESTIMATED_COLUMNS,
    INTERVAL_COLUMNS,
    REASON_BITS,
)
from analytics.vocabulary.records import (
    AlertEvent,
    Capacity,
    Cause,
    CauseKind,
    CleanReference,
    Comparison,
    CostLine,
    CurrentState,
    DataHealth,
    Deed,
    Estimate,
    Evaluation,
    Exchanger,
    Forecast,
    Instrumentation,
    LatestInterval,
    Limits,
    MaintenanceEvent,
    MoneyAccount,
    MonthBasis,
    OffsetFinding,
    Period,
    Proposal,
    ReferenceCondition,
    Remark,
    Stream,
    Tariff,
    Verdict,
    VerdictKind,
    VisitProof,
)
from ingest.outages import Outage
from service.register.plant import DisplayUnits, Plant
from service.usecases.stored_outages import StoredOutages

THROUGH = datetime(2026, 11, 23, 7, 30, tzinfo=UTC)
ZONE = ZoneInfo("CET")


def around(value: float, half: float) -> Estimate:
    """Return an estimate with a symmetric interval."""
    return Estimate(value=value, low=value - half, high=value + half)


def exchanger(tag: str, building: str, duty_kW: float = 620.0) -> Exchanger:
    """Return a registered exchanger with a full nameplate."""
    return Exchanger(
        tag=tag,
        building=building,
        room="Plant room 1",
        primary=Stream(
            design_inlet_degC=95.0,
            design_outlet_degC=48.0,
            design_flow_m3_s=11.6 / 3600,
            design_pressure_drop_Pa=14e3,
            pressure_rating_Pa=16e5,
        ),
        secondary=Stream(
            design_inlet_degC=45.0,
            design_outlet_degC=70.0,
            design_flow_m3_s=21.6 / 3600,
            design_pressure_drop_Pa=25e3,
            pressure_rating_Pa=6e5,
        ),
        plates=94,
        plates_most=120,
        area_m2=12.9,
        tightening_dimension_m=0.287,
        design_duty_W=duty_kW * 1e3,
        limits=Limits(approach_K=7.0),
        tariff=Tariff(
            heat_per_J=68.0 / 3.6e9,
            return_temperature_per_J_K=0.55 / 3.6e9,
            return_temperature_free_degC=40.0,
            visit_clean_in_place=650.0,
            visit_open_and_clean=1450.0,
        ),
        design_outdoor_degC=-12.0,
    )


def bare_exchanger(tag: str) -> Exchanger:
    """Return an exchanger of which nothing is known."""
    return Exchanger(tag=tag)


def plant(*exchangers: Exchanger, units: DisplayUnits | None = None) -> Plant:
    """Return a made-up plant."""
    return Plant(
        name="Example heat network",
        zone=ZONE,
        exchangers=exchangers,
        points=(),
        units=units or DisplayUnits(),
        notes={e.tag: ("without thermometers: taken as BMS thermometers",) for e in exchangers},
    )


def empty_daily() -> pd.DataFrame:
    """Return a daily frame without rows."""
    names = [q.name for q in DAILY_COLUMNS]
    names += [f"{name}_{end}" for name in ESTIMATED_COLUMNS for end in ("low", "high")]
    index = pd.DatetimeIndex([], tz="UTC", name="day")
    return pd.DataFrame(columns=names, index=index, dtype=float)


def empty_intervals() -> pd.DataFrame:
    """Return an interval frame without rows."""
    index = pd.DatetimeIndex([], tz="UTC", name="time_utc")
    return pd.DataFrame(columns=[q.name for q in INTERVAL_COLUMNS], index=index, dtype=float)


def daily(
    *,
    seed: int = 3,
    clean_K: float = 3.0,
    now_K: float = 5.9,
    visit_day: int | None = 32,
    before_K: float = 6.2,
    step_day: int | None = None,
    stops_day: int | None = None,
    days: int = 385,
) -> pd.DataFrame:
    """Return a year of daily accounts: ``clean_K`` after the visit, ``now_K`` on the last day."""
    rng = np.random.default_rng(seed)
    index = pd.date_range(end=THROUGH.date(), periods=days, freq="D", tz="UTC", name="day")
    position = np.arange(days)
    from_day = visit_day or 0
    grown = clean_K + (now_K - clean_K) * np.clip((position - from_day) / (days - from_day), 0, 1)
    if step_day is not None:
        grown = np.where(position < step_day, clean_K, now_K)
    if visit_day is not None:
        grown = np.where(position < visit_day, before_K, grown)
    wobble = np.convolve(rng.normal(0, 0.22, days + 6), np.ones(7) / 7, "valid")
    approach = grown + 1.6 * wobble
    summer = (index.month >= 6) & (index.month <= 8)
    gone = summer | ((position > 90) & (position < 97))
    if stops_day is not None:
        gone = gone | (position >= stops_day)
    approach = np.where(gone, np.nan, approach)
    half = 0.35 + 0.15 * rng.random(days)
    factor = 1 - 0.1 * (approach - clean_K)
    outdoor = (
        8
        + 10 * np.cos(2 * np.pi * (index.day_of_year - 200 + 182) / 365.25)
        + rng.normal(0, 2.5, days)
    )
    load = np.clip(18e3 * (17.5 - outdoor), 0, None) * (1 + rng.normal(0, 0.04, days))
    frame = pd.DataFrame(
        {
            "hours_running": np.where(summer, 0.0, 22.0),
            "hours_evidence": np.where(gone, 0.0, rng.uniform(4, 14, days)),
            "heat_J": np.where(gone, np.nan, load * 86400),
            "primary_volume_m3": np.where(gone, np.nan, load / 2e6 * 86.4),
            "outdoor_degC": outdoor,
            "approach_K": approach * 0.8,
            "fouling_resistance_m2K_W": (1 / factor - 1) * 2e-4,
            "cleanliness_factor": factor,
            "approach_reference_K": approach,
            "approach_clean_K": np.where(gone, np.nan, clean_K),
            "duty_reference_W": 620e3 * factor**0.2,
            "evidence": np.where(gone, np.nan, np.clip(position / 60, 0, None)),
            "fouling_alarm": (approach > clean_K + 0.7).astype(float),
            "avoidable_cost": np.where(gone, np.nan, np.clip(approach - clean_K, 0, None) * 1.3),
        },
        index=index,
    )
    spread = {
        "fouling_resistance_m2K_W": 1e-5, "cleanliness_factor": 0.03, "approach_reference_K": half,
        "approach_clean_K": 0.3, "duty_reference_W": 9e3, "avoidable_cost": 0.8,
    }  # fmt: skip
    for name in ESTIMATED_COLUMNS:
        frame[f"{name}_low"] = frame[name] - spread[name]
        frame[f"{name}_high"] = frame[name] + spread[name]
    return frame


def intervals(*, seed: int = 5, days: int = 21, loss: float = 0.29) -> pd.DataFrame:
    """Return quarter-hours of the last days with a daily load, transients, a gap and a spike."""
    rng = np.random.default_rng(seed)
    end = pd.Timestamp(THROUGH).floor("15min")
    index = pd.date_range(end=end, periods=days * 96, freq="15min", tz="UTC", name="time_utc")
    hour = (index.hour + index.minute / 60).to_numpy()
    load = 300e3 + 70e3 * np.cos(2 * np.pi * (hour - 7) / 24) + 15e3 * np.cos(4 * np.pi * hour / 24)
    load = load * (1 + rng.normal(0, 0.015, len(index)))
    flow = load / 350e3 * 8.6 / 3600
    clean = 3900 * (flow * 3600 / 8) ** 0.5
    u = clean * (1 - loss) * (1 + rng.normal(0, 0.015, len(index)))
    secondary_return = 45 + rng.normal(0, 0.3, len(index))
    approach = 1.2 + 4.5 * loss + load / 4e5
    primary_return = secondary_return + approach
    primary_supply = primary_return + load / (flow * 4.1e6)
    frame = pd.DataFrame(
        {
            "primary_supply_temperature": primary_supply,
            "primary_return_temperature": primary_return,
            "secondary_supply_temperature": secondary_return + load / (19 / 3600 * 4.13e6),
            "secondary_return_temperature": secondary_return,
            "primary_flow": flow,
            "secondary_flow": 19 / 3600 * np.ones(len(index)),
            "outdoor_temperature": 4 - 3 * np.cos(2 * np.pi * hour / 24),
            "duty_primary_W": load,
            "duty_primary_u_W": load * 0.02,
            "duty_secondary_W": load * 0.989 * (1 + rng.normal(0, 0.008, len(index))),
            "duty_secondary_u_W": load * 0.02,
            "balance_residual_u": 0.014,
            "effectiveness": 0.9 + 0.02 * np.cos(hour),
            "NTU": 3.6,
            "capacity_rate_ratio": 0.45,
            "lmtd_K": 9.7,
            "approach_cold_K": approach,
            "approach_hot_K": 18.0,
            "UA_W_K": u * 12.9,
            "UA_u_W_K": u * 0.3,
            "UA_clean_W_K": clean * 12.9,
            "U_W_m2K": u,
        },
        index=index,
    )
    frame["balance_residual"] = frame["duty_secondary_W"] / frame["duty_primary_W"] - 1
    mask = np.zeros(len(index), dtype=int)
    mask[(hour > 5.5) & (hour < 7.5)] |= REASON_BITS["transient"]
    mask[(hour > 1) & (hour < 4)] |= REASON_BITS["low_load"]
    gap = slice(len(index) - 400, len(index) - 370)
    mask[gap] |= REASON_BITS["gap"]
    mask[len(index) - 150] |= REASON_BITS["spike"]
    frame.iloc[gap] = np.nan
    frame["set_aside"] = mask
    return frame.reindex(columns=[q.name for q in INTERVAL_COLUMNS])


def told_gaps() -> pd.DataFrame:
    """Return two gaps of one log in the last week, 5 and 2 hours that overlap by one, and an old one."""
    supply, flow = "primary_supply_temperature", "primary_flow"
    end = pd.Timestamp(THROUGH)
    rows = [
        (supply, end - pd.Timedelta(hours=50), end - pd.Timedelta(hours=45), "log disabled"),
        (supply, end - pd.Timedelta(hours=46), end - pd.Timedelta(hours=44), "no usable value"),
        (flow, end - pd.Timedelta(days=90), end - pd.Timedelta(days=89), "records missing"),
    ]
    return pd.DataFrame(rows, columns=list(GAP_COLUMNS))


def outages(count: int = 10) -> StoredOutages:
    """Return nights without a row, and one in which one point alone was silent."""
    begin = datetime(2026, 11, 1, 20, tzinfo=UTC)
    nights = [
        Outage(begin_utc=begin - timedelta(days=n), end_utc=begin - timedelta(days=n, hours=-6),
               hours=6.0, roles=() if n else ("primary_flow", "heat_power"))
        for n in range(count)
    ]  # fmt: skip
    return StoredOutages(regular=True, found=tuple(nights))


def health(
    instrumentation: Instrumentation = Instrumentation.BOTH_FLOWS,
    grade: str = "good",
    hours: float = 214.0,
    missing: tuple[str, ...] = (),
    consequences: tuple[Remark, ...] = (),
) -> DataHealth:
    """Return the state of the data over the last 30 days."""
    return DataHealth(
        instrumentation=instrumentation,
        first_utc=THROUGH - timedelta(days=385),
        last_utc=THROUGH,
        hours_logged_30d=710.0,
        hours_running_30d=660.0,
        hours_evidence_30d=hours,
        set_aside_30d={"transient": 207.0, "low_load": 126.0, "gap": 26.0, "spike": 0.75},
        missing_roles=missing,
        consequences=consequences,
        grade=grade,  # type: ignore[arg-type]
    )


def reference(clean_K: float = 3.0) -> CleanReference:
    """Return the clean level of an exchanger, with its curve."""
    flow = np.linspace(4, 12.5, 30)
    u = 3900 * (flow / 8) ** 0.5
    return CleanReference(
        basis="known clean period",
        period=Period(
            start_utc=datetime(2025, 12, 13, tzinfo=UTC), end_utc=datetime(2026, 1, 20, tzinfo=UTC)
        ),
        hours=260.0,
        condition=ReferenceCondition(
            primary_flow_m3_s=11.6 / 3600,
            secondary_flow_m3_s=21.6 / 3600,
            primary_inlet_degC=95.0,
            secondary_inlet_degC=45.0,
            source="design",
        ),
        UA_W_K=around(58e3, 1.8e3),
        U_W_m2K=around(4500.0, 140.0),
        approach_K=around(clean_K, 0.3),
        duty_W=around(620e3, 10e3),
        scatter=0.012,
        curve=pd.DataFrame(
            {"primary_flow_m3_s": flow / 3600, "U": u, "low": u * 0.965, "high": u * 1.035}
        ),
    )


def forecast(now_K: float = 5.9, monthly_K: float = 0.4, limit_K: float = 7.0) -> Forecast:
    """Return a straight forecast whose interval widens with time."""
    days = np.arange(0, 731, 7)
    index = pd.DatetimeIndex(pd.Timestamp(THROUGH) + pd.to_timedelta(days, unit="D"), name="day")
    middle = now_K + monthly_K * days / 30.44
    spread = 0.3 + 0.45 * monthly_K * days / 30.44
    fan = pd.DataFrame(
        {
            "q05": middle - spread, "q25": middle - 0.45 * spread, "q50": middle,
            "q75": middle + 0.45 * spread, "q95": middle + spread,
        },
        index=index,
    )  # fmt: skip

    def crossing(column: str) -> datetime | None:
        over = fan.index[fan[column] >= limit_K]
        return over[0].to_pydatetime() if len(over) else None

    return Forecast(
        made_utc=THROUGH,
        horizon_days=730,
        date_5=crossing("q95"),
        date_50=crossing("q50"),
        date_95=crossing("q05"),
        chance_within_horizon=0.99,
        fan=fan,
        laws={"linear": 0.7, "falling rate": 0.2, "asymptotic": 0.1},
    )


def money(month: Estimate | None = None, *, price: float | None = 1450.0) -> MoneyAccount:
    """Return an account in euro with benefits by date of the visit."""
    index = pd.date_range(THROUGH.date(), periods=24, freq="7D", tz="UTC", name="day")
    benefit = 1430 - 62 * np.clip(np.arange(24) - 2.5, 0, None) ** 1.15
    table = pd.DataFrame({"q05": benefit - 720, "q50": benefit, "q95": benefit + 690, "mean": benefit},
                         index=index)  # fmt: skip
    lines = (
        CostLine(code="return temperature", so_far=Estimate(value=882, low=690, high=1080),
                 next_year=around(3600, 800)),
        CostLine(code="pumping", so_far=Estimate(value=24.4, low=15, high=35),
                 next_year=around(250, 40)),
        CostLine(code="unmet heat", so_far=Estimate(value=0, low=0, high=0),
                 next_year=around(0, 0)),
    )  # fmt: skip
    return MoneyAccount(
        currency="EUR",
        since_utc=datetime(2026, 1, 20, tzinfo=UTC),
        lines=lines,
        avoidable_so_far=Estimate(value=906.4, low=710, high=1110),
        next_month=month or around(390, 85),
        next_year_untouched=Estimate(value=3850, low=3000, high=4700),
        next_year_after_visit=Estimate(value=970, low=600, high=1400),
        visit_price=price,
        net_benefit_now=Estimate(value=1430, low=700, high=2110) if price else None,
        best_visit_utc=datetime(2026, 12, 7, tzinfo=UTC) if price else None,
        best_net_benefit=Estimate(value=1430, low=710, high=2120) if price else None,
        benefit_by_date=table if price else None,
        chance_visit_pays=0.999 if price else None,
        counted_from="loss began",
        month_basis=MonthBasis(
            cost_before=around(130, 30),
            load_before_W=240e3,
            load_W=410e3,
            outdoor_before_degC=6.0,
            outdoor_degC=-1.0,
            months_seen=True,
        ),
    )


def capacity(short_W: float = 0.0, add: int | None = None) -> Capacity:
    """Return the load line of a year and what the plates deliver."""
    rng = np.random.default_rng(8)
    outdoor = rng.uniform(-6, 18, 150)
    fitted = 19.0e3 * (17.5 - outdoor)
    return Capacity(
        design_outdoor_degC=-12.0,
        load_at_design_W=around(560e3, 30e3),
        delivers_clean_W=around(620e3 - short_W, 12e3),
        delivers_now_W=around(582e3 - short_W, 12e3),
        plates_to_add=add,
        delivers_with_more_W=around(623e3, 12e3) if add else None,
        line=pd.DataFrame(
            {
                "outdoor_degC": outdoor,
                "load_W": fitted * (1 + rng.normal(0, 0.05, 150)),
                "fitted_W": fitted,
            }
        ),
    )


def state(approach: Estimate, factor: Estimate) -> CurrentState:
    """Return the figures people read."""
    return CurrentState(
        as_of_utc=THROUGH,
        approach_K=around(approach.value * 0.8, 0.4),
        approach_reference_K=approach,
        approach_limit_K=7.0,
        cleanliness_factor=factor,
        fouling_resistance_m2K_W=Estimate(value=0.88e-4, low=0.79e-4, high=0.98e-4),
        duty_reference_W=around(582e3, 9e3),
        duty_reference_clean_W=around(620e3, 10e3),
    )


def latest() -> LatestInterval:
    """Return the newest quarter-hour."""
    return LatestInterval(
        start_utc=THROUGH - timedelta(minutes=15),
        minutes=15.0,
        values={
            "primary_supply_temperature": 84.2,
            "primary_return_temperature": 47.7,
            "secondary_supply_temperature": 62.1,
            "secondary_return_temperature": 44.6,
            "primary_flow": 8.9 / 3600,
            "secondary_flow": 18.3 / 3600,
            "duty_primary_W": 368e3,
            "duty_secondary_W": 365e3,
            "effectiveness": 0.92,
            "lmtd_K": 9.7,
            "approach_cold_K": 3.1,
            "UA_W_K": 38e3,
            "UA_u_W_K": 1.2e3,
            "NTU": 3.6,
        },
        set_aside=(),
        clean_approach_K=1.5,
    )


def causes() -> tuple[Cause, ...]:
    """Return the competing explanations of a fouled exchanger."""
    return (
        Cause(
            kind=CauseKind.DEPOSIT, chances=0.97, times_less_likely=1.0,
            magnitude=Estimate(value=0.88e-4, low=0.79e-4, high=0.98e-4), magnitude_unit="m**2*K/W",
            since_utc=datetime(2026, 1, 20, tzinfo=UTC),
            speaks_for=(
                Remark(code="loss_at_reference", numbers={"loss_low": 0.24, "loss_high": 0.31}),
                Remark(code="one_resistance_fits", numbers={"resistance_m2K_W": 0.88e-4}),
            ),
        ),
        Cause(
            kind=CauseKind.THERMOMETER, subject="primary_return_temperature", chances=0.02,
            times_less_likely=41.3, magnitude=around(2.9, 0.3), magnitude_unit="K",
            speaks_against=(
                Remark(code="offset_needed",
                       numbers={"offset_K": 2.9, "idle_low_K": -0.1, "idle_high_K": 0.5}),
            ),
        ),
        Cause(
            kind=CauseKind.FLOW_METER, subject="primary_flow", chances=0.006,
            times_less_likely=168.0, magnitude=around(-0.24, 0.04),
            speaks_for=(Remark(code="balance_off", numbers={"residual": -0.011}),),
            speaks_against=(Remark(code="gain_needed", numbers={"gain": -0.24}),),
        ),
        Cause(
            kind=CauseKind.STRAINER, chances=0.002, times_less_likely=403.0,
            speaks_against=(Remark(code="pressure_drop_same", numbers={"ratio": 1.02}),),
        ),
        Cause(
            kind=CauseKind.BUILDING_SIDE, chances=1e-5, times_less_likely=2e4,
            speaks_for=(Remark(code="return_above_curve", numbers={"excess_K": 1.8}),),
            speaks_against=(Remark(code="u_itself_fell"),),
        ),
        Cause(
            kind=CauseKind.CAPACITY, chances=0.0, times_less_likely=float("inf"),
            speaks_against=(
                Remark(code="enough_plates", numbers={"delivers_W": 620e3, "needed_W": 560e3}),
            ),
        ),
    )  # fmt: skip


def offsets(primary_return_K: float = 0.2) -> tuple[OffsetFinding, ...]:
    """Return how far each thermometer seems off."""
    seen = {
        "primary_supply_temperature": -0.1, "primary_return_temperature": primary_return_K,
        "secondary_supply_temperature": 0.05, "secondary_return_temperature": 0.0,
    }  # fmt: skip
    return tuple(
        OffsetFinding(
            role=role, error=around(value, 0.3), unit="K",
            from_idle_hours=around(value, 0.35), idle_hours=61.0,
        )
        for role, value in seen.items()
    )  # fmt: skip


def deposit(tag: str = "HX-03") -> Evaluation:
    """Return an exchanger that has to be cleaned, with everything known."""
    leading, runner_up, *_ = causes()
    return Evaluation(
        tag=tag,
        through_utc=THROUGH,
        verdict=Verdict(
            kind=VerdictKind.CLEAN_NOW, cause=leading, runner_up=runner_up,
            since_utc=leading.since_utc, reasons=(leading.speaks_for[0],),
        ),
        causes=causes(),
        health=health(),
        reference=reference(),
        state=state(around(5.9, 0.5), around(0.71, 0.03)),
        offsets=offsets(),
        forecast=forecast(),
        money=money(),
        capacity=capacity(),
        proofs=(),
        alerts=(
            AlertEvent(
                kind=CauseKind.DEPOSIT, subject=None,
                raised_utc=datetime(2026, 3, 9, tzinfo=UTC), ended_utc=None,
                remark=Remark(code="drift_alert", numbers={"approach_K": 3.7, "clean_K": 3.0}),
            ),
        ),
        latest=latest(),
        daily=daily(),
        intervals=intervals(),
    )  # fmt: skip


def _with_verdict(
    base: Evaluation, kind: VerdictKind, cause: Cause | None, *reasons: Remark
) -> Verdict:
    return Verdict(
        kind=kind, cause=cause, runner_up=None, since_utc=base.through_utc, reasons=reasons
    )


def with_kind(base: Evaluation, kind: VerdictKind) -> Evaluation:
    """Return ``base`` with another verdict and no cause for it."""
    return replace(base, verdict=replace(base.verdict, kind=kind))


def clean(tag: str = "HX-07") -> Evaluation:
    """Return an exchanger that has lost nothing."""
    base = deposit(tag)
    cause = Cause(kind=CauseKind.NOTHING, chances=0.95, times_less_likely=1.0)
    return replace(
        base,
        verdict=_with_verdict(base, VerdictKind.LEAVE, cause, Remark(code="within_limits")),
        causes=(cause,),
        state=state(around(3.1, 0.3), around(0.99, 0.04)),
        forecast=forecast(3.1, 0.0),
        money=replace(
            money(Estimate(value=0, low=0, high=0)), best_visit_utc=None, counted_from="clean level"
        ),
        alerts=(),
        daily=daily(now_K=3.1, visit_day=None, seed=9),
        intervals=intervals(loss=0.01),
    )


def proposal(known: datetime = datetime(2026, 3, 24, tzinfo=UTC)) -> Proposal:
    """Return a visit that nobody logged."""
    day = known - timedelta(days=6)
    words = {"day": "18 March 2026", "before": "17 March 2026", "after": "24 March 2026"}
    return Proposal(
        deed=Deed.OPENED_AND_CLEANED, role=None, at_utc=day, earliest_utc=day - timedelta(days=1),
        latest_utc=day, known_utc=known, size=Estimate(value=0.21, low=0.14, high=0.28), unit="",
        remark=Remark(
            code="visit_unlogged", words=words,
            numbers={"before_K": 6.2, "after_K": 3.4, "low": 0.14, "high": 0.28, "gain": 0.21},
        ),
        evidence=(Remark(code="step_ahead", numbers={"times": 40.0}),),
    )  # fmt: skip


def compared(before: float, after: float, gain: Estimate) -> Comparison:
    """Return the plates before and after a visit of 2 November 2026."""
    return Comparison(
        before=around(before, 0.03), after=around(after, 0.03), gain=gain,
        first_utc=datetime(2026, 10, 18, tzinfo=UTC), last_utc=datetime(2026, 11, 16, tzinfo=UTC),
    )  # fmt: skip


def visited(tag: str = "HX-01") -> Evaluation:
    """Return an exchanger whose visit worked."""
    base = clean(tag)
    event = MaintenanceEvent(
        tag=tag, at_utc=datetime(2026, 11, 2, 9, tzinfo=UTC), deed=Deed.OPENED_AND_CLEANED
    )
    return replace(
        base,
        verdict=_with_verdict(
            base, VerdictKind.LEAVE, None,
            Remark(code="visit_worked", numbers={"recovered": 0.94}, words={"day": "2 November"}),
        ),
        proofs=(
            VisitProof(
                event=event,
                measured=compared(0.75, 0.96, around(0.28, 0.02)),
                at_visit=compared(0.74, 0.98, around(0.32, 0.03)),
                recovered=around(0.94, 0.06), days_before=30, days_after=14, outcome="worked",
            ),
        ),
        daily=daily(visit_day=364, before_K=6.6, now_K=3.1, seed=12),
    )  # fmt: skip


def thermometer(tag: str = "HX-04") -> Evaluation:
    """Return an exchanger whose primary return thermometer drifted."""
    base = deposit(tag)
    cause = Cause(
        kind=CauseKind.THERMOMETER, subject="primary_return_temperature", chances=0.9,
        times_less_likely=1.0, magnitude=around(-1.6, 0.4), magnitude_unit="K",
    )  # fmt: skip
    says = Remark(code="offset_seen", numbers={"offset_K": -1.6, "low_K": -2.0, "high_K": -1.2})
    return replace(
        base,
        verdict=_with_verdict(base, VerdictKind.CHECK_INSTRUMENT, cause, says),
        causes=(
            cause,
            replace(
                base.causes[0],
                chances=0.05,
                times_less_likely=18.0,
                speaks_against=(Remark(code="step_on", numbers={"step_K": -1.5}),),
            ),
        ),
        health=health(grade="doubtful"),
        state=state(around(1.5, 0.4), Estimate(value=0.97, low=0.88, high=1.06)),
        offsets=offsets(-1.6),
        forecast=forecast(3.0, 0.0),
        money=money(Estimate(value=4, low=-15, high=25), price=None),
        daily=daily(visit_day=None, step_day=330, now_K=1.5, seed=4),
    )


def building_side(tag: str = "HX-06") -> Evaluation:
    """Return an exchanger whose building sends back water that is too warm."""
    base = clean(tag)
    cause = Cause(kind=CauseKind.BUILDING_SIDE, chances=0.93, times_less_likely=1.0,
                  speaks_for=(Remark(code="return_above_curve", numbers={"excess_K": 6.1}),))  # fmt: skip
    return replace(
        base,
        verdict=_with_verdict(base, VerdictKind.BUILDING_SIDE, cause, *cause.speaks_for),
        causes=(cause,),
        money=replace(money(around(260, 65)), best_visit_utc=None, net_benefit_now=None),
    )


def add_plates(tag: str = "HX-02") -> Evaluation:
    """Return an exchanger that is clean and too small."""
    base = clean(tag)
    cause = Cause(kind=CauseKind.CAPACITY, chances=0.9, times_less_likely=1.0)
    says = Remark(code="plates_fit", numbers={"plates": 12})
    return replace(
        base,
        verdict=_with_verdict(base, VerdictKind.ADD_PLATES, cause, says),
        causes=(cause,),
        capacity=capacity(short_W=90e3, add=12),
        money=money(around(150, 95), price=None),
    )


def clean_later(tag: str = "HX-05") -> Evaluation:
    """Return an exchanger with a deposit that is still mild, and thin data."""
    base = deposit(tag)
    says = Remark(code="mild", numbers={"loss": 0.16})
    later = datetime(2027, 4, 12, tzinfo=UTC)
    return replace(
        base,
        verdict=_with_verdict(base, VerdictKind.CLEAN_LATER, base.causes[0], says),
        health=health(grade="thin", hours=38.0),
        state=state(around(4.6, 0.5), around(0.84, 0.04)),
        forecast=forecast(4.6, 0.3),
        money=replace(money(around(70, 35)), best_visit_utc=later),
        alerts=(),
        daily=daily(visit_day=None, now_K=4.6, seed=6),
        latest=None,
    )


def temperatures_only(tag: str = "HX-09") -> Evaluation:
    """Return an exchanger with four temperatures and nothing else."""
    base = clean(tag)
    says = Remark(
        code="effectiveness_only", numbers={"effectiveness": 0.88, "low": 0.85, "high": 0.91}
    )
    frame = base.intervals.copy()
    lost = [
        c
        for c in frame.columns
        if c.startswith(("duty", "UA", "U_", "primary_flow", "secondary_flow", "balance"))
    ]
    frame[lost] = np.nan
    return replace(
        base,
        verdict=Verdict(kind=VerdictKind.CANNOT_TELL, cause=None, runner_up=None, since_utc=None,
                        reasons=(says,)),
        causes=(),
        health=health(Instrumentation.TEMPERATURES_ONLY, "thin", missing=("primary_flow",),
                      consequences=(Remark(code="temperatures_only"), Remark(code="no_area"))),
        reference=None, state=None, offsets=(), forecast=None, money=None, capacity=None,
        intervals=frame, daily=empty_daily(),
    )  # fmt: skip


def stopped(tag: str = "HX-08") -> Evaluation:
    """Return an exchanger whose flow stopped coming."""
    base = clean(tag)
    since = datetime(2026, 11, 4, 1, 15, tzinfo=UTC)
    says = Remark(code="missing_role", words={"role": "primary_flow"})
    return replace(
        base,
        verdict=Verdict(kind=VerdictKind.CANNOT_TELL, cause=None, runner_up=None, since_utc=since,
                        reasons=(says,)),
        causes=(),
        health=replace(health(Instrumentation.TEMPERATURES_ONLY, "stopped", hours=0.0,
                              missing=("primary_flow",)), last_utc=since),
        state=replace(state(around(3.8, 0.4), around(0.91, 0.05)), as_of_utc=since),
        forecast=None,
        money=money(Estimate(value=20, low=-40, high=90), price=None),
        alerts=(
            AlertEvent(kind="data stopped", subject="primary_flow", raised_utc=since,
                       ended_utc=None, remark=Remark(code="data_stopped_alert", numbers={"days": 19})),
        ),
        daily=daily(visit_day=None, now_K=3.8, clean_K=3.2, seed=15, stops_day=365),
        latest=None,
    )  # fmt: skip


def nothing_known(tag: str = "HX-10") -> Evaluation:
    """Return an evaluation with every optional field empty and frames without rows."""
    return Evaluation(
        tag=tag,
        through_utc=THROUGH,
        verdict=Verdict(kind=VerdictKind.CANNOT_TELL, cause=None, runner_up=None, since_utc=None),
        causes=(),
        health=DataHealth(
            instrumentation=Instrumentation.INCOMPLETE, first_utc=None, last_utc=None,
            hours_logged_30d=0.0, hours_running_30d=0.0, hours_evidence_30d=0.0,
            set_aside_30d={}, missing_roles=(), consequences=(), grade="none",
        ),
        reference=None, state=None, offsets=(), forecast=None, money=None, capacity=None,
        proofs=(), alerts=(), latest=None, daily=empty_daily(), intervals=empty_intervals(),
    )  # fmt: skip


def all_gaps(tag: str = "HX-11") -> Evaluation:
    """Return a fouled exchanger whose frames hold nothing but gaps."""
    base = deposit(tag)
    return replace(base, daily=base.daily * np.nan, intervals=base.intervals * np.nan)


@cache
def every_case() -> Mapping[str, Evaluation]:
    """Return all made-up evaluations by name."""
    return {
        "deposit": deposit(),
        "building side": building_side(),
        "add plates": add_plates(),
        "thermometer": thermometer(),
        "clean later": clean_later(),
        "stopped": stopped(),
        "temperatures only": temperatures_only(),
        "visited": visited(),
        "clean": clean(),
        "nothing known": nothing_known(),
        "all gaps": all_gaps(),
    }


BUILDINGS = ("Block A", "School", "Swimming hall", "Library", "Block B", "Clinic", "Depot",
             "Block A", "Workshop", "", "Hall")  # fmt: skip


def whole_plant() -> Plant:
    """Return a plant that registers every made-up exchanger; one of them without a nameplate."""
    registered = [
        bare_exchanger(e.tag) if name == "nothing known" else exchanger(e.tag, building)
        for (name, e), building in zip(every_case().items(), BUILDINGS, strict=True)
    ]
    return plant(*registered)


def events() -> tuple[MaintenanceEvent, ...]:
    """Return a maintenance log of the fouled exchanger."""
    return (
        MaintenanceEvent(
            tag="HX-03",
            at_utc=datetime(2025, 12, 12, 9, tzinfo=UTC),
            deed=Deed.OPENED_AND_CLEANED,
            note="gaskets kept, tightened to 287 mm",
        ),
        MaintenanceEvent(
            tag="HX-03", at_utc=datetime(2026, 6, 3, 8, tzinfo=UTC), deed=Deed.STRAINER_RINSED
        ),
    )
