"""Forecast, money, capacity and proofs for one account: from its deposit to the decisions' inputs.

Lives here: turning an account into what ``analytics.decisions`` asks for, and back into records.
"""

from dataclasses import dataclass, replace
from datetime import datetime
from functools import cache

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analytics.decisions.capacity import DesignPoint, assess_capacity
from analytics.decisions.forecast import FoulingForecast, forecast_fouling
from analytics.decisions.money import AvoidableCost, Hydraulics, RunningHours, avoidable
from analytics.decisions.proof import prove_visit
from analytics.decisions.usual_year import TypicalYear, cost_table
from analytics.decisions.visit import VisitPlan, plan_visit
from analytics.evaluation.daily_frame import hourly_duty_W, ratios_on
from analytics.evaluation.reference import last_ratios
from analytics.physics.fluids import FluidProperties
from analytics.trends.account import Account, day_number
from analytics.trends.frozen_reference import frozen_days, tracked_days
from analytics.trends.hours import T1_IN, T2_IN
from analytics.trends.model import Array, Model, prepare_hours
from analytics.trends.priors import design_streams
from analytics.trends.reference_condition import (
    NINE_IN_TEN,
    ReferencePoint,
    days_to_index,
    deposit_doubt,
)
from analytics.trends.yardstick import yardstick_moves
from analytics.vocabulary.quantities import REASON_BITS
from analytics.vocabulary.records import (
    SURFACE_DEEDS,
    Capacity,
    CostLine,
    Deed,
    Estimate,
    Forecast,
    MoneyAccount,
    MonthBasis,
    Tariff,
    VisitProof,
)

HORIZON_DAYS = 730
ONSET_MARGIN_DAYS = 14  # by which an alarm may date the beginning of a deposit late
FUTURES = 400
LEAST_FORECAST_DAYS = 15
FAR_LIKELIER = (
    20.0  # log evidence of an instrument beside the deposit, over that of a deposit alone
)
MOST_FLOW = 0.999  # quantile of the hourly flows taken for the most the valve lets through


_GRID_degC = np.arange(0.5, 160.0, 0.5)  # straight between: viscosity to 2e-5, the others better


@cache
def _ln_property(fluid: FluidProperties, name: str) -> Array:
    """Return the logarithm of a property on the grid; the money asks for it a million times."""
    with np.errstate(invalid="ignore"):
        return np.asarray(np.log(getattr(fluid, name)(_GRID_degC)))


@dataclass(frozen=True, slots=True, kw_only=True)
class AccountConductance:
    """The account's model as the decisions ask for it; fouling in the model's own deposit."""

    model: Model
    point: Array
    fluids: tuple[FluidProperties, FluidProperties]
    area_ratio: float
    channel_ratio: float

    @property
    def arrangement(self) -> str:
        """Name of the pass arrangement."""
        return self.model.arrangement

    def UA_W_K(
        self,
        primary_kg_s: Array,
        secondary_kg_s: Array,
        primary_mean_degC: Array,
        secondary_mean_degC: Array,
        fouling: Array,
    ) -> Array:
        """Return UA of the pack as it is now, W/K."""
        means = np.column_stack([primary_mean_degC, secondary_mean_degC])
        logs = [
            np.column_stack(
                [
                    np.interp(means[:, i], _GRID_degC, _ln_property(f, name))
                    for i, f in enumerate(self.fluids)
                ]
            )
            for name in ("conductivity", "heat_capacity", "viscosity")
        ]
        mass = np.column_stack([primary_kg_s, secondary_kg_s])
        return self.model.conductance(
            self.point, mass, means, (logs[0], logs[1], logs[2]), self.area_ratio, self.channel_ratio,
            deposit=fouling,
        )  # fmt: skip


def conductance_of(account: Account, row: int) -> AccountConductance:
    """Return the conductance of the pack as it was in one row of the hour table."""
    assert account.fit is not None
    return AccountConductance(
        model=account.fit.model, point=account.fit.point, fluids=account.fluids,
        area_ratio=float(account.area_ratio[row]), channel_ratio=float(account.channel_ratio[row]),
    )  # fmt: skip


def epoch_start(account: Account) -> int:
    """Return the day of the last visit to the plates, or the end of the reference period less 21 days."""
    assert account.info is not None
    assert account.ready is not None
    visits = [v for v in account.surface_days if v <= account.info.day[-1]]
    return max(visits) if visits else account.ready - 21


def foresee(account: Account, at: ReferencePoint) -> FoulingForecast | None:
    """Foresee the deposit from the days since the last visit; ``None``: too few of them."""
    info = account.info
    assert info is not None
    assert account.kept_by is not None
    assert account.ready is not None
    since = max(epoch_start(account), account.ready)
    begun = None
    if account.kept_by[-1] != 1:  # an instrument has a say: its error is not deposit
        days = tracked_days(info.day, *account.deposit(), since)
    elif (beside := _beside_an_instrument(account)) is not None:
        days = tracked_days(info.day, *beside, since)
    else:
        clean_until = _clean_until(account)
        since = max(since, clean_until)
        days = frozen_days(info, max(account.ready, clean_until), since)
        begun = max(clean_until + ONSET_MARGIN_DAYS - since, 0.0) if clean_until else None
    if len(days.day) < LEAST_FORECAST_DAYS:
        return None
    turn = float(at.U_clean_over_U0(*last_ratios(account))[0])
    return forecast_fouling(
        days_to_index(days.day), days.deposit * turn, days.standard_error * turn,
        unit_fouling=_unit_of_account(account, at.model) / turn,
        clean_since=np.datetime64(since, "D"), reference=days.reference * turn**2,
        wander=days.wander * turn**2, begun=begun,
        made=np.datetime64(int(account.table.day[-1]), "D"), horizon_days=HORIZON_DAYS,
        start_sd=0.1 if since in account.surface_days else 0.005,
    )  # fmt: skip


def _unit_of_account(account: Account, model: Model) -> float:
    """Return the fouling resistance of one unit of the account's deposit, m2 K/W."""
    return (account.exchanger.area_m2 or 1.0) / model.scale_UA_W_K


def _clean_until(account: Account) -> int:
    """Return the day up to which an alarm takes the plates for clean; 0: none stands, or a visit came between.

    All that was seen until then is the clean reference: a winter's days know its film law far better than
    the first five weeks do.
    """
    info, scores, alarm = account.info, account.scores, account.alarm
    assert info is not None
    assert scores is not None
    assert alarm is not None
    if account.surface_days and account.surface_days[0] <= info.day[-1]:
        return 0
    rows = np.flatnonzero(alarm & (scores.ratio[:, 0] > 0))
    return int(scores.onset[rows[0], 0]) - ONSET_MARGIN_DAYS if len(rows) else 0


def _beside_an_instrument(account: Account) -> tuple[Array, Array] | None:
    """Return the deposit as known beside the instrument that errs by far likeliest, if one does.

    It may be one that nobody may name, as a change of the plates looks like it: what it shows is not
    named here, it is only kept out of the deposit.
    """
    tracks, info = account.tracks, account.info
    assert tracks is not None
    assert info is not None
    pairs = [j for j, e in enumerate(tracks.explanations) if len(e.moving) == 2]
    best = max(pairs, key=lambda j: float(tracks.evidence[-1, j]), default=1)
    if tracks.evidence[-1, best] <= tracks.evidence[-1, 1] + FAR_LIKELIER:
        return None
    deposit, sd = tracks.deposit[:, best], tracks.deposit_sd[:, best]
    return deposit - yardstick_moves(info.day, deposit, sd, account.surface_days), sd


def forecast_record(
    forecast: FoulingForecast,
    at: ReferencePoint,
    deposit_limit: float,
    area: float,
    channels: float,
) -> Forecast:
    """Turn the deposit's future into approach temperatures and dates."""
    UA_clean = at.UA_clean_W_K(at.point, area, channels)
    turn = float(at.U_clean_over_U0(area, channels)[0])
    made = pd.Timestamp(forecast.made).tz_localize("UTC")
    index = pd.DatetimeIndex(made + pd.to_timedelta(forecast.days_ahead, unit="D"), name="day")
    names = ("q05", "q25", "q50", "q75", "q95")
    clean = [at.cleanliness(q / turn, UA_clean, area) for q in forecast.quantiles]
    fan = pd.DataFrame(
        {n: at.approach_K(c * UA_clean) for n, c in zip(names, clean, strict=True)}, index=index
    )
    cleanliness = pd.DataFrame(dict(zip(names, clean[::-1], strict=True)), index=index)
    crossing = forecast.crossing(deposit_limit * turn)
    dates = [
        None if d is None else (made + pd.Timedelta(days=d)).to_pydatetime()
        for d in (crossing.day_5, crossing.day_50, crossing.day_95)
    ]
    return Forecast(
        made_utc=made.to_pydatetime(), horizon_days=HORIZON_DAYS, date_5=dates[0], date_50=dates[1],
        date_95=dates[2], chance_within_horizon=crossing.chance_within_horizon, fan=fan,
        laws=forecast.laws, cleanliness_fan=cleanliness,
    )  # fmt: skip


# --- money -----------------------------------------------------------------------------------------


def running_hours(account: Account) -> tuple[RunningHours, NDArray[np.int64]]:
    """Return the hours with heat since the reference was ready, and their rows in the table."""
    table = account.table
    assert account.fit is not None
    assert account.ready is not None
    assert account.info is not None
    duty = hourly_duty_W(account)
    halted = REASON_BITS["stopped"] | REASON_BITS["gap"]
    rows = np.flatnonzero(
        ((account.set_aside & halted) == 0) & (duty > 0) & (table.day >= account.ready)
    )
    chosen = np.zeros(len(table), dtype=bool)
    chosen[rows] = True
    hours = prepare_hours(
        account.exchanger,
        table,
        chosen,
        *account.fluids,
        account.area_ratio,
        account.channel_ratio,
        None,
    )
    t, mass = account.fit.model.streams(account.fit.point, hours)
    deposit, sd = account.deposit()
    known = np.searchsorted(account.info.day, table.day[rows], side="right") - 1
    level, half = deposit[known], (NINE_IN_TEN * deposit_doubt(deposit, sd))[known]
    return RunningHours(
        time_utc=np.asarray(table.start.tz_localize(None).as_unit("s"))[rows],
        hours=np.ones(len(rows)),
        primary_inlet_degC=t[:, T1_IN], secondary_inlet_degC=t[:, T2_IN], heat_W=duty[rows],
        secondary_kg_s=mass[:, 1], secondary_cp_J_kgK=hours.heat_capacity[:, 1],
        primary_cp_J_kgK=hours.heat_capacity[:, 0], primary_density_kg_m3=hours.density[:, 0],
        fouling=np.maximum(level, 0.0), fouling_low=np.maximum(level - half, 0.0),
        fouling_high=np.maximum(level + half, 0.0),
    ), rows  # fmt: skip


def hydraulics_of(account: Account, rows: NDArray[np.int64] | None = None) -> Hydraulics:
    """Return the largest primary flow: a quarter above design, or the most that was seen.

    For given rows of the hour table: the most that was seen by then, so that what a day cost never
    changes with the days after it; without rows, of the whole record, for what is to come.
    """
    flow = pd.Series(account.table.flow[:, 0])
    seen: Array | float
    if rows is None:
        seen = float(flow.quantile(MOST_FLOW)) if flow.notna().any() else 0.0
    else:
        seen = flow.expanding().quantile(MOST_FLOW).fillna(0.0).to_numpy()[rows]
    most = np.maximum(seen, max(1.25 * account.nominal[0], 1e-6)) * 980.0
    drop = account.exchanger.primary.design_pressure_drop_Pa
    if drop is None or account.exchanger.primary.design_flow_m3_s is None:
        return Hydraulics(primary_most_kg_s=most)
    return Hydraulics(
        primary_most_kg_s=most, pressure_drop_Pa=drop,
        at_kg_s=account.exchanger.primary.design_flow_m3_s * 980.0,
    )  # fmt: skip


def _counted_from(account: Account) -> int:
    """Return the day from which the cost is counted: the last visit's, or that of the clean level."""
    assert account.ready is not None
    return max(epoch_start(account), account.ready)


def costs_so_far(account: Account) -> tuple[AvoidableCost, pd.DataFrame] | None:
    """Return what the deposit cost since the last visit, and by hour since the reference."""
    hours, rows = running_hours(account)
    if not len(rows):
        return None
    day = account.table.day[rows]
    assert account.ready is not None
    edges = [v for v in account.surface_days if v > account.ready]
    segment = np.searchsorted(edges, day, side="right")
    parts = [_spent(account, hours, rows, segment == number) for number in np.unique(segment)]
    return parts[-1], pd.concat([part.by_hour for part in parts])


def _spent(
    account: Account, hours: RunningHours, rows: NDArray[np.int64], chosen: NDArray[np.bool_]
) -> AvoidableCost:
    """Return what the deposit cost in the chosen hours, priced with the pack of the last of them."""
    part = hours.subset(chosen).usable()
    kept = rows[chosen][np.isin(hours.time_utc[chosen], part.time_utc)]
    model = conductance_of(account, int(rows[chosen][-1]))
    return avoidable(part, model, account.exchanger.tariff, hydraulics_of(account, kept))


def priced(tariff: Tariff) -> bool:
    """Tell whether the tariff puts a price on anything that a deposit changes."""
    return any(
        x > 0
        for x in (
            tariff.return_temperature_per_J_K, tariff.volume_per_m3, tariff.electricity_per_J,
            tariff.unmet_heat_per_J,
        )
    )  # fmt: skip


def plan(
    account: Account, forecast: FoulingForecast, year: TypicalYear, rows: NDArray[np.int64]
) -> VisitPlan:
    """Weigh a visit against waiting under the load of a usual year; ``rows``: the hours that it is made of."""
    rng = np.random.default_rng(20240 + len(rows) % 97)
    futures = forecast.draw(FUTURES, rng)
    assert account.fit is not None
    unit = forecast.unit_fouling / _unit_of_account(account, account.fit.model)
    deposit = np.maximum(futures.deposit[:, :367] * unit, 0.0)
    refouling = np.maximum(futures.refouling[:, :367] * unit, 0.0)
    most = float(max(np.quantile(deposit, 0.999), np.quantile(refouling, 0.999), 0.05))
    table = cost_table(
        year, conductance_of(account, int(rows[-1])), account.exchanger.tariff,
        hydraulics_of(account), fouling_most=most,
    )  # fmt: skip
    price = account.exchanger.tariff.visit_price
    return plan_visit(deposit, refouling, table, made=forecast.made, price=price, rng=rng)


def money_record(
    account: Account, so_far: AvoidableCost, found: VisitPlan, basis: MonthBasis | None
) -> MoneyAccount:
    """Join what was lost and what is foreseen into one account."""
    since = _counted_from(account)
    lines = tuple(
        CostLine(code=code, so_far=so_far.lines[code], next_year=found.next_year_lines[code])
        for code in so_far.lines
        if code != "heat"
    )
    best = None if found.best_visit is None else pd.Timestamp(found.best_visit).tz_localize("UTC")
    return MoneyAccount(
        currency=account.exchanger.tariff.currency, since_utc=_midnight(since), lines=lines,
        counted_from="last visit" if since in account.surface_days else "clean level",
        avoidable_so_far=so_far.total, next_month=found.next_month,
        next_year_untouched=found.next_year_untouched,
        next_year_after_visit=found.next_year_after_visit if found.visit_price is not None else None,
        visit_price=found.visit_price, net_benefit_now=found.net_benefit_now,
        best_visit_utc=None if best is None else best.to_pydatetime(),
        best_net_benefit=found.best_net_benefit, benefit_by_date=found.benefit_by_date,
        chance_visit_pays=found.chance_visit_pays, month_basis=basis,
    )  # fmt: skip


def _midnight(day: int) -> datetime:
    at: datetime = (
        pd.Timestamp(days_to_index(np.array([day]))[0]).tz_localize("UTC").to_pydatetime()
    )
    return at


def since_loss_began(account: Account, money: MoneyAccount, began_utc: datetime) -> MoneyAccount:
    """Return the account of an established deposit, counted since its loss began.

    What the days before seem to have cost is the doubt about the clean level. Days that the reference
    takes for clean cost nothing. A loss older than the last visit stays counted from that visit.
    """
    began, counted = day_number(began_utc), _counted_from(account)
    if began < counted and money.counted_from == "last visit":
        return money
    dated = replace(money, since_utc=_midnight(began), counted_from="loss began")
    if began <= counted:
        return dated
    hours, rows = running_hours(account)
    late = account.table.day[rows] >= began
    if not late.any():
        return dated
    spent = _spent(account, hours, rows, late)
    lines = tuple(replace(line, so_far=spent.lines[line.code]) for line in money.lines)
    return replace(dated, lines=lines, avoidable_so_far=spent.total)


def unproven(money: MoneyAccount) -> MoneyAccount:
    """Return the account where no deposit is established: it may have cost, and cost, nothing."""

    def from_nought(cost: Estimate) -> Estimate:
        return replace(cost, low=min(cost.low, 0.0))

    lines = tuple(
        replace(line, so_far=from_nought(line.so_far), next_year=from_nought(line.next_year))
        for line in money.lines
    )
    basis = money.month_basis
    if basis is not None:
        basis = replace(basis, cost_before=from_nought(basis.cost_before))
    return replace(
        money, lines=lines, month_basis=basis, avoidable_so_far=from_nought(money.avoidable_so_far),
        next_month=from_nought(money.next_month),
        next_year_untouched=from_nought(money.next_year_untouched),
        best_visit_utc=None, best_net_benefit=None,
    )  # fmt: skip


# --- capacity and proofs ---------------------------------------------------------------------------


def capacity_record(account: Account, at: ReferencePoint) -> Capacity | None:
    """Set the load at the design outdoor temperature against what the plates deliver."""
    outdoor_design = account.exchanger.design_outdoor_degC
    design = design_streams(account.exchanger, *account.fluids)
    if outdoor_design is None or design is None or account.info is None:
        return None
    duty = hourly_duty_W(account)
    day = pd.DataFrame(
        {"outdoor": account.table.outdoor_degC, "load": duty}, index=account.table.start
    )
    known = np.isfinite(duty) & np.isfinite(account.table.outdoor_degC)
    grouped = day[known].groupby(account.table.start[known].floor("D"))
    whole = grouped.size() >= 20
    means = grouped.mean()[whole]
    deposit, sd = account.deposit()
    half = NINE_IN_TEN * float(deposit_doubt(deposit, sd)[account.present_row()])
    d = float(deposit[account.present_row()])
    cp = [float(c / m) for c, m in zip(at.capacity_W_K, at.mass_flow_kg_s, strict=True)]
    return assess_capacity(
        means["outdoor"].to_numpy(), means["load"].to_numpy(),
        design_outdoor_degC=outdoor_design, model=conductance_of(account, len(account.table) - 1),
        point=DesignPoint(
            primary_kg_s=float(at.mass_flow_kg_s[0]), secondary_kg_s=float(at.mass_flow_kg_s[1]),
            primary_cp_J_kgK=cp[0], secondary_cp_J_kgK=cp[1],
            primary_inlet_degC=at.condition.primary_inlet_degC,
            secondary_inlet_degC=at.condition.secondary_inlet_degC,
        ),
        fouling=Estimate(value=max(d, 0.0), low=max(d - half, 0.0), high=max(d + half, 0.0)),
        UA_relative_sd=at.clean_sd, plates=_plates_now(account), plates_most=account.exchanger.plates_most,
        passes=account.exchanger.primary.passes,
    )  # fmt: skip


def _plates_now(account: Account) -> int | None:
    changed = [e for e in account.events if e.deed is Deed.PLATES_CHANGED and e.plates_after]
    if not changed:
        return account.exchanger.plates
    return max(changed, key=lambda e: e.at_utc).plates_after


def proofs(account: Account, at: ReferencePoint) -> tuple[VisitProof, ...]:
    """Compare before and after each visit to the plates that the account covers."""
    info = account.info
    assert info is not None
    if account.ready is None:
        return ()
    found = []
    for event in account.events:
        day = day_number(event.at_utc)
        if event.deed not in SURFACE_DEEDS or not account.ready < day <= info.day[-1]:
            continue
        # with all else as the reference left it: what the account learns later leans on the deposit
        known = frozen_days(info, account.ready, account.ready, about=day)
        area, channels = ratios_on(account, known.day)
        # deposit times U0 to deposit times U clean there
        turn = at.U_clean_over_U0(area, channels)
        shared = np.outer(turn, turn)
        found.append(
            prove_visit(
                event, days_to_index(known.day), known.deposit * turn, known.standard_error * turn,
                common_sd=at.clean_sd, reference=known.reference * shared, wander=known.wander * shared,
                others=[np.datetime64(v, "D") for v in account.surface_days if v != day],
            )
        )  # fmt: skip
    return tuple(found)
