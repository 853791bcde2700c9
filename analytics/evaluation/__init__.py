"""The whole chain: what one exchanger's trends say, from a trend frame to an :class:`Evaluation`."""

from collections.abc import Callable, Sequence
from datetime import UTC, datetime

import pandas as pd

from analytics.decisions.building_side import BuildingSide
from analytics.decisions.causes import causes
from analytics.decisions.diagnosis import Signs, weigh
from analytics.decisions.pressure import pressure_sides, single_meter_gain
from analytics.decisions.set_point import SetPointHold, held_set_point
from analytics.decisions.signs import hunting, missed_set_point, parallel_flow
from analytics.decisions.unlogged import Unlogged, recurring, unlogged_changes
from analytics.evaluation import outlook
from analytics.evaluation.alerts import (
    building_alerts,
    fouling_alerts,
    instrument_alerts,
    piping_alerts,
    silence_alerts,
)
from analytics.evaluation.answers import cannot_tell
from analytics.evaluation.building import building_side_of
from analytics.evaluation.coincidence import began_with_building
from analytics.evaluation.daily_frame import daily_frame, empty_daily
from analytics.evaluation.early import early_verdict
from analytics.evaluation.health import data_health, empty_health
from analytics.evaluation.intervals import interval_frame, interval_table, latest_interval
from analytics.evaluation.month_basis import month_basis, usual_year
from analytics.evaluation.present import effectiveness, limit_of, state_of
from analytics.evaluation.reference import (
    instrument_errors,
    last_ratios,
    nameplate_reference,
    reference_record,
)
from analytics.evaluation.thermometer_pairs import pair_offsets
from analytics.evaluation.unlogged import proposals_of, with_proposals
from analytics.evaluation.verdict import decide
from analytics.trends.account import Account, exchanged_since, keep_account
from analytics.trends.reference_condition import (
    ReferencePoint,
    ordered,
    reference_point,
)
from analytics.vocabulary.quantities import INTERVAL_COLUMNS
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
    Remark,
    VerdictKind,
)
from analytics.vocabulary.timebase import check_trends

Progress = Callable[[str, int, int], None]
_STEPS = 6


def evaluate(
    exchanger: Exchanger,
    trends: pd.DataFrame,
    events: Sequence[MaintenanceEvent] = (),
    *,
    gaps: pd.DataFrame | None = None,
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
    gaps : DataFrame, optional
        Gap frame: where the logger says that it did not log (see ``analytics.vocabulary.gaps``).
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
    account = keep_account(exchanger, trends, own, gaps)
    step("indicators", 2, _STEPS)
    table, width = interval_table(account, trends)
    intervals = interval_frame(account, table, width)
    health = data_health(account, trends)
    latest = latest_interval(account, intervals, width)
    if account.fit is None:
        early = early_verdict(account, health)
        return Evaluation(
            tag=exchanger.tag, through_utc=_end(trends), verdict=early or cannot_tell(), causes=(),
            health=health, reference=nameplate_reference(account), state=None, offsets=(), forecast=None, money=None,
            capacity=None, proofs=(), alerts=tuple(silence_alerts(trends)), latest=latest,
            daily=daily_frame(account, None), intervals=intervals, pairs=pair_offsets(account),
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
    building = building_side_of(account)
    of_building = building_alerts(building)
    with_building = began_with_building(account, of_building)
    alerts = (
        *fouling_alerts(account, daily, with_building), *instrument_alerts(account), *of_building, *piping_alerts(account),
        *silence_alerts(trends),
    )  # fmt: skip
    state = state_of(account, at, daily)
    step("forecast and money", 3, _STEPS)
    forecast, money = _outlook(account, at, daily, state)
    step("diagnosis", 5, _STEPS)
    hold = held_set_point(account)
    odds = weigh(account, hold)
    capacity = outlook.capacity_record(account, at)
    steps = unlogged_changes(account)
    signs = _signs(account, building, capacity, alerts, hold, recurring(steps))
    per_deposit = (exchanger.area_m2 or 1.0) / at.model.scale_UA_W_K
    clean = state.cleanliness_factor
    loss = None if clean is None else ordered(1 - clean.value, 1 - clean.high, 1 - clean.low)
    listed = causes(account, odds, signs, per_deposit, loss)
    early = early_verdict(account, health)
    verdict = early or decide(
        account,
        odds,
        listed,
        state,
        forecast,
        money,
        alerts,
        health,
        effectiveness(intervals),
        with_building=bool(with_building[account.present_row()]),
    )
    wrong_unit = any(r.code == "flow_unit" for r in health.consequences)  # nothing else can be read
    swings = any(c.kind is CauseKind.CONTROLS and c.chances > 0.5 for c in listed)
    exchanged = exchanged_since(account) is not None
    # what a loop that hunts, or a return taken for the other, makes of the readings is nobody's doing
    misread = wrong_unit or swings or exchanged
    proposals = () if misread else proposals_of(account, at, daily, steps, alerts)
    if early is None:
        verdict = with_proposals(verdict, proposals)
    if money is not None and verdict.kind not in (VerdictKind.CLEAN_NOW, VerdictKind.CLEAN_LATER):
        money = outlook.unproven(money)
    elif money is not None and verdict.since_utc is not None:
        money = outlook.since_loss_began(account, money, verdict.since_utc)
    step("done", _STEPS, _STEPS)
    return Evaluation(
        tag=exchanger.tag, through_utc=_end(trends), verdict=verdict, causes=tuple(listed),
        health=health, reference=_stated_reference(account, at), state=state, offsets=instrument_errors(account, odds),
        forecast=forecast, money=money, capacity=capacity,
        proofs=outlook.proofs(account, at), alerts=alerts, latest=latest, daily=daily,
        intervals=intervals, pairs=pair_offsets(account), proposals=proposals,
    )  # fmt: skip


def _stated_reference(account: Account, at: ReferencePoint) -> CleanReference | None:
    """Describe the clean level; ``None`` from four temperatures, which know no conductance."""
    return reference_record(account, at) if account.assumed_secondary_m3_s is None else None


def _outlook(
    account: Account, at: ReferencePoint, daily: pd.DataFrame, state: CurrentState
) -> tuple[Forecast | None, MoneyAccount | None]:
    """Return forecast and money, and fill the daily costs in."""
    if account.assumed_secondary_m3_s is not None:
        return None, None
    foreseen = outlook.foresee(account, at)
    area, channels = last_ratios(account)
    _, deposit_limit = limit_of(account, at)
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
    if foreseen is None:
        return forecast, None
    hours, rows = outlook.running_hours(account)
    year = usual_year(account, hours)
    planned = outlook.plan(account, foreseen, year, rows)
    basis = month_basis(account, hours, year, by_hour, foreseen.made)
    return forecast, outlook.money_record(account, so_far, planned, basis)


def _signs(
    account: Account,
    building: BuildingSide | None,
    capacity: Capacity | None,
    alerts: Sequence[AlertEvent],
    set_point: SetPointHold | None,
    recurring_steps: Sequence[Unlogged],
) -> Signs:
    moves, missed = hunting(account), missed_set_point(account)
    piping, sides = parallel_flow(account), pressure_sides(account)
    # as long as the alert stands, a few mild days at the end of the season acquit nobody
    active = any(a.kind is CauseKind.BUILDING_SIDE and a.ended_utc is None for a in alerts)
    return Signs(
        building_excess_K=None if building is None else building.excess_K,
        building_flow_excess=None if building is None else building.flow_excess,
        building_active=active,
        hunting_step=None if moves is None else moves[0],
        hunting_before=None if moves is None else moves[1],
        hunting=bool(moves and moves[2]),
        set_point=set_point,
        steps_recur=len(recurring_steps),
        steps_since_day=recurring_steps[0].day if recurring_steps else None,
        set_point_share=None if missed is None else missed[0],
        set_point_short_K=None if missed is None else missed[1],
        short_of_capacity=bool(missed and missed[2]) or _short(capacity),
        short_at_design_W=_shortfall(capacity),
        pressure=sides,
        meter_gain=single_meter_gain(account, sides),
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
