"""The running account of one exchanger: from trends to the daily deposit and its rivals.

Lives here: the order of the steps, each of which is a module of its own, and the record of all that
they found. Not here: what it means (``analytics.decisions``), what is shown (``evaluation``).
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analytics.physics.effectiveness import arrangement_of
from analytics.physics.fluids import FluidProperties, liquid_of
from analytics.trends.clean_reference import (
    CleanFit,
    ReferencePeriod,
    fit_clean,
    reference_period,
)
from analytics.trends.daily import (
    DailyInformation,
    Renewal,
    Statement,
    daily_information,
    with_statements,
)
from analytics.trends.drift import (
    LEAST_LOSS,
    DriftScores,
    alarm_threshold,
    deposit_alarm_days,
    deposit_left_days,
    drift_scores,
)
from analytics.trends.evidence import set_aside
from analytics.trends.hours import T1_OUT, T2_IN, HourTable, hour_table
from analytics.trends.idle import IdleOffsets, idle_offsets
from analytics.trends.model import (
    DEPOSIT,
    INDEX,
    Array,
    ModelHours,
    nominal_flow,
    prepare_hours,
)
from analytics.trends.piping import exchanged_after_service, exchanged_days, parallel_days
from analytics.trends.priors import build_model
from analytics.trends.quality import sample_reasons
from analytics.trends.reference_condition import reference_point
from analytics.trends.thermometer_offsets import ThermometerOffsets, track_offsets
from analytics.trends.thermometer_steps import ThermometerStep, denied, thermometer_steps
from analytics.trends.tracking import (
    Tracks,
    deposit_beside_instrument_days,
    explanations,
    leading,
    track,
    with_onsets,
)
from analytics.trends.yardstick import yardstick_moves
from analytics.vocabulary.quantities import (
    PRIMARY_FLOW,
    REASON_BITS,
    SECONDARY_FLOW,
    TEMPERATURES,
)
from analytics.vocabulary.records import (
    SURFACE_DEEDS,
    Deed,
    Exchanger,
    Instrumentation,
    MaintenanceEvent,
)

VISIT_SPREAD = 0.3  # what a visit may change the deposit by, times U0
KNOWN_DAYS, LATELY_DAYS = 14, 240  # whose hours count together, and how far back "lately" reaches
SPARSE_h, SPARSE_TIMES = (
    0.75,
    1.5,
)  # spacing of readings, and what an alarm then asks for more (by simulation)
STANDS_OUT = 4.0  # standard deviations of the deposit (by simulation)
KNOWN_TIMES, KNOWN_SD = (
    4.0,
    0.008,
)
LEAST_APART_K = 3.0  # supply from return, for a flow implied by the balance
UNBALANCED = 0.12  # of the duty, away from the day's middle: not one instant's readings


@dataclass(frozen=True, slots=True, kw_only=True)
class Account:
    """All that the steps found; ``None`` from the first step that had too little to go on."""

    exchanger: Exchanger
    events: tuple[MaintenanceEvent, ...]
    fluids: tuple[FluidProperties, FluidProperties]
    reasons: pd.DataFrame  # by sample
    table: HourTable
    gaps: pd.DataFrame | None  # gap frame
    nominal: tuple[float, float]
    set_aside: NDArray[np.int64]  # by hour
    area_ratio: Array  # by hour
    channel_ratio: Array
    assumed_secondary_m3_s: float | None
    idle: IdleOffsets
    period: ReferencePeriod | None = None
    fit: CleanFit | None = None
    hours: ModelHours | None = None  # hours with evidence from the reference period on
    hour_rows: NDArray[np.int64] | None = None  # their rows in the table
    info: DailyInformation | None = None
    scores: DriftScores | None = None
    tracks: Tracks | None = None
    kept_by: NDArray[np.int64] | None = None  # (d,) explanation whose filter keeps the account
    alarm: NDArray[np.bool_] | None = None  # (d,) drift alarm for deposit
    parallel: NDArray[np.bool_] | None = None  # (d,) as if in parallel flow
    exchanged: NDArray[np.bool_] | None = None  # (d,) as if both returns were taken for each other
    surface_days: tuple[int, ...] = ()
    steps: tuple[
        ThermometerStep, ...
    ] = ()  # thermometers that idle hours show to have been changed
    offsets: ThermometerOffsets | None = None
    denied: NDArray[np.bool_] | None = None  # (d, instruments in play) idle hours speak against it
    least_deposit: float = np.inf  # worth an alert, times U0

    @property
    def ready(self) -> int | None:
        """First day after the reference period, days since 1970."""
        return None if self.period is None else self.period.last + 1

    def may_be_named(self) -> tuple[int, ...]:
        """Return the instruments that may be named as of the last day."""
        denied = () if self.denied is None else self.denied[-1]
        no = [i for i, d in zip(instruments_in_play(self.table), denied, strict=False) if d]
        return tuple(i for i in accusable(self.table) if i not in no)

    def well_known(self) -> NDArray[np.bool_]:
        """Tell by day whether the last weeks' hours speak of the deposit as they lately did, shape (d,).

        A few hours of summer load do not: what is uncertain then is the reading of the plates, not
        what the season before showed of them.
        """
        info = self.info
        assert info is not None
        at = pd.to_datetime(info.day, unit="D")
        told = pd.Series(np.maximum(info.deposit_se, 1e-9) ** -2.0, index=at)
        error = told.rolling(f"{KNOWN_DAYS}D").sum().to_numpy() ** -0.5
        best = pd.Series(error, index=at).rolling(f"{LATELY_DAYS}D").min().to_numpy()
        return np.asarray(error <= np.maximum(KNOWN_TIMES * best, KNOWN_SD))

    @property
    def alarm_threshold(self) -> float:
        """Log likelihood ratio from which a deposit is alarmed, as its owner's rate of false alerts asks.

        One reading an hour stands for sixty minutes that it did not see: on clean simulated exchangers the
        ratios reach half as high again as with four readings an hour.
        """
        asked = alarm_threshold(self.exchanger.limits.false_alerts_per_year)
        sparse = float(np.nanmedian(self.table.spacing_h)) > SPARSE_h
        return asked * (SPARSE_TIMES if sparse else 1.0)

    def loss_of(self, deposit: float) -> float:
        """Return the share of U at the reference condition that a deposit (times U0) takes."""
        added = deposit / self.least_deposit * LEAST_LOSS / (1.0 - LEAST_LOSS)
        return added / (1.0 + added)

    def present_row(self) -> int:
        """Return the row of the last day on which the deposit is well known."""
        known = np.flatnonzero(self.well_known())
        return int(known[-1])

    def deposit(self) -> tuple[Array, Array]:
        """Return the account's deposit (times U0) and its standard deviation, by day."""
        assert self.tracks is not None
        assert self.kept_by is not None
        assert self.info is not None
        rows = np.arange(len(self.kept_by))
        deposit = self.tracks.deposit[rows, self.kept_by]
        sd = self.tracks.deposit_sd[rows, self.kept_by]
        return deposit - yardstick_moves(self.info.day, deposit, sd, self.surface_days), sd


def day_number(moment: datetime | pd.Timestamp) -> int:
    """Return the UTC day of a moment as days since 1970."""
    return int(pd.Timestamp(moment).timestamp() // 86400)


def keep_account(
    exchanger: Exchanger,
    trends: pd.DataFrame,
    events: Sequence[MaintenanceEvent],
    gaps: pd.DataFrame | None = None,
) -> Account:
    """Run all steps on a trend frame with at least one row, and its gap frame.

    Causal: what is concluded for a day uses that day and earlier ones alone, once the reference
    period has ended.
    """
    fluids = (liquid_of(exchanger.primary), liquid_of(exchanger.secondary))
    reasons = sample_reasons(
        trends,
        {
            role: (fluids[i // 2].low_degC, fluids[i // 2].high_degC)
            for i, role in enumerate(TEMPERATURES)
        },
        exchanger.change_increments,
    )
    table = hour_table(exchanger, trends, reasons, fluids[0], events=events, gaps=gaps)
    nominal = (nominal_flow(exchanger, table, 0), nominal_flow(exchanger, table, 1))
    assumed = None
    if table.instrumentation is Instrumentation.TEMPERATURES_ONLY:
        assumed = exchanger.secondary.design_flow_m3_s or 1e-3
    area_ratio, channel_ratio = plate_ratios(exchanger, table, events)
    least = [exchanger.meter_of(side).low_flow_m3_s or 0.0 for side in (0, 1)]
    bits = set_aside(table, nominal, (least[0], least[1]))
    bits[np.isin(table.day, _days_of_work(events)) & (bits == 0)] |= REASON_BITS["day_of_work"]
    base = Account(
        exchanger=exchanger, events=tuple(events), fluids=fluids, reasons=reasons, table=table,
        gaps=gaps,
        nominal=nominal, set_aside=bits, area_ratio=area_ratio, channel_ratio=channel_ratio,
        assumed_secondary_m3_s=assumed, idle=idle_offsets(table),
    )  # fmt: skip
    if table.instrumentation is Instrumentation.INCOMPLETE:
        return base
    return _with_reference(base)


def _days_of_work(events: Sequence[MaintenanceEvent]) -> list[int]:
    """Return the days on which something became another that the account follows."""
    changes = (*SURFACE_DEEDS, Deed.METER_CHANGED, Deed.THERMOMETER_CALIBRATED)
    return [day_number(e.at_utc) for e in events if e.deed in changes]


def plate_ratios(
    exchanger: Exchanger, table: HourTable, events: Sequence[MaintenanceEvent]
) -> tuple[Array, Array]:
    """Return surface and channels over those at the start, per hour.

    A pack of N plates has N - 2 that transfer heat and (N - 1) channels, half on each side; the
    register's number is that at the start of the record.
    """
    area, channels = np.ones(len(table)), np.ones(len(table))
    if exchanger.plates is None:
        return area, channels
    first = exchanger.plates
    for event in sorted(events, key=lambda e: e.at_utc):
        if event.deed is Deed.PLATES_CHANGED and event.plates_after:
            later = table.day >= day_number(event.at_utc)
            area[later] = (event.plates_after - 2) / (first - 2)
            channels[later] = (event.plates_after - 1) / (first - 1)
    return area, channels


def _with_reference(base: Account) -> Account:
    """Add the clean reference and, once it is ready, the days after it."""
    exchanger, table = base.exchanger, base.table
    usable = base.set_aside == 0
    registered = None
    if exchanger.clean_period is not None:
        clean = exchanger.clean_period
        registered = (day_number(clean.start_utc), day_number(clean.end_utc))
    period = reference_period(table.day, usable, registered)
    if period is None:
        return base
    rows = np.flatnonzero(usable & (table.day >= period.first))
    chosen = np.zeros(len(table), dtype=bool)
    chosen[rows] = True
    hours = prepare_hours(
        exchanger, table, chosen, *base.fluids, base.area_ratio, base.channel_ratio,
        base.assumed_secondary_m3_s,
    )  # fmt: skip
    inside = table.day[rows] <= period.last
    arrangement = arrangement_of(exchanger.primary.passes, exchanger.secondary.passes)
    model = build_model(exchanger, hours.subset(inside), *base.fluids, arrangement)
    extra = base.idle.statements(before=period.last + 1)

    def fitted(kept: NDArray[np.bool_]) -> CleanFit:
        return fit_clean(
            model, hours.subset(kept), table.day[rows][kept], extra,
            assumed_secondary=base.assumed_secondary_m3_s is not None,
        )  # fmt: skip

    fit = fitted(inside)
    unbalanced = _unbalanced(fit, hours, table.day[rows])
    bits = base.set_aside.copy()
    bits[rows[unbalanced]] |= REASON_BITS["unbalanced"]
    if (unbalanced & inside).any():
        fit = fitted(inside & ~unbalanced)
    rows, hours = rows[~unbalanced], hours.subset(~unbalanced)
    return _with_days(base, period, fit, hours, rows, bits)


def _unbalanced(fit: CleanFit, hours: ModelHours, day: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Hours whose heat balance is far from their day's middle: readings of different instants."""
    if not hours.both.any():
        return np.zeros(len(hours), dtype=bool)
    t, mass = fit.model.streams(fit.point, hours)
    capacity = mass * hours.heat_capacity
    duty_1, duty_2 = capacity[:, 0] * (t[:, 0] - t[:, 1]), capacity[:, 1] * (t[:, 2] - t[:, 3])
    with np.errstate(invalid="ignore", divide="ignore"):
        residual = np.where(hours.both, (duty_2 - duty_1) / np.maximum(duty_1, duty_2), 0.0)
    middle = pd.Series(residual).groupby(day).transform("median").to_numpy()
    return np.asarray(np.abs(residual - middle) > UNBALANCED)


def _renewals(
    base: Account, fit: CleanFit, period: ReferencePeriod
) -> tuple[tuple[Renewal, ...], tuple[int, ...]]:
    """Turn the maintenance log after the start of the reference into renewed unknowns."""
    renewals, surface = [], []
    for event in base.events:
        day = day_number(event.at_utc)
        if day <= period.first:
            continue
        if event.deed in SURFACE_DEEDS:
            renewals.append(Renewal(day=day, index=DEPOSIT, sd=VISIT_SPREAD))
            surface.append(day)
        elif event.deed in (Deed.METER_CHANGED, Deed.THERMOMETER_CALIBRATED):
            index = instrument_index(event.role)
            if index is not None:
                renewals.append(
                    Renewal(day=day, index=index, sd=float(fit.model.prior_sd[index]) * 2)
                )
    return tuple(renewals), tuple(sorted(surface))


def _steps(base: Account, ready: int, evidence: NDArray[np.int64]) -> tuple[ThermometerStep, ...]:
    """Return the thermometers that idle hours after the reference show to have been changed."""
    steps = thermometer_steps(base.idle.blocks(0, np.unique(evidence)))
    return tuple(s for s in steps if s.known >= ready)


def _denied(
    base: Account, info: DailyInformation, tracks: Tracks, instruments: tuple[int, ...],
    steps: Sequence[ThermometerStep], ready: int,
) -> NDArray[np.bool_]:  # fmt: skip
    """Tell by day which instruments idle hours acquit; a meter is never heard there."""
    found = np.zeros((len(info.day), len(instruments)), dtype=bool)
    claimed = np.stack([tracks.moved[:, 2 + j, 0] for j in range(4)], axis=1)
    stretches = base.idle.blocks(0, info.day)
    found[:, :4] = denied(info.day, claimed, stretches, steps, ready)
    return found


def _offsets(
    base: Account,
    fit: CleanFit,
    info: DailyInformation,
    ready: int,
    steps: Sequence[ThermometerStep],
) -> ThermometerOffsets:
    """Follow the thermometers' errors by the reference period and the idle hours after it."""
    known = info.prior_matrix + info.matrix[info.day < ready].sum(axis=0)
    stretches = [
        stretch
        for circulating in (False, True)
        for stretch in base.idle.blocks(ready, info.day, circulating=circulating)
    ]
    covariance = np.linalg.inv(known)[:4, :4]
    return track_offsets(ready, fit.point[:4], covariance, stretches, steps)


def side_flow(account: Account, side: int) -> Array:
    """Return a side's flow as metered, else as the other side's heat and its own cooling give it, m3/s."""
    table = account.table
    own, other = table.flow[:, side], table.flow[:, 1 - side]
    if np.isfinite(own).any() or not np.isfinite(other).any():
        return own
    t = table.temperature.reshape(-1, 2, 2)
    apart = np.abs(t[:, :, 0] - t[:, :, 1])
    heat = [
        f.density(m) * f.heat_capacity(m)
        for f, m in zip(account.fluids, t.mean(axis=2).T, strict=True)
    ]
    with np.errstate(invalid="ignore", divide="ignore"):
        implied = other * heat[1 - side] * apart[:, 1 - side] / (heat[side] * apart[:, side])
        return np.where(apart[:, side] > LEAST_APART_K, implied, np.nan)


def instrument_index(role: str | None) -> int | None:
    """Return the unknown that is the error of an instrument."""
    if role in TEMPERATURES:
        return TEMPERATURES.index(str(role))
    if role in (PRIMARY_FLOW, "heat_power", "heat_energy", "heat_volume"):
        return INDEX["gain_primary_meter"]
    return INDEX["gain_secondary_meter"] if role == SECONDARY_FLOW else None


def instruments_in_play(account_table: HourTable) -> tuple[int, ...]:
    """Return the unknowns of the instruments whose error the readings can show."""
    kind = account_table.instrumentation
    meters = {
        Instrumentation.BOTH_FLOWS: (4, 5),
        Instrumentation.PRIMARY_FLOW: (4,),
        Instrumentation.PRIMARY_POWER: (4,),
        Instrumentation.SECONDARY_FLOW: (5,),
        Instrumentation.TEMPERATURES_ONLY: (5,),
    }.get(kind, ())
    return (0, 1, 2, 3, *meters)


def accusable(table: HourTable) -> tuple[int, ...]:
    """Return the instruments that may be named.

    A single meter may not: its error and a change of the plates look alike, and no second meter
    speaks for either. Nor may the supply thermometer of the other side, which beside the single
    meter does no more than set the flow that is not measured.
    """
    kind = table.instrumentation
    barred = {
        Instrumentation.PRIMARY_FLOW: (2, 4, 5),
        Instrumentation.PRIMARY_POWER: (2, 4, 5),
        Instrumentation.SECONDARY_FLOW: (0, 4, 5),
        Instrumentation.TEMPERATURES_ONLY: (4, 5),
    }.get(kind, ())
    return tuple(i for i in instruments_in_play(table) if i not in barred)


def _turned(base: Account, days: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Tell by day whether the cold end turned its sign at a logged service."""
    table = base.table
    halted = REASON_BITS["stopped"] | REASON_BITS["gap"]
    runs = (base.set_aside & halted) == 0
    services = [day_number(e.at_utc) for e in base.events if e.deed in SURFACE_DEEDS]
    cold_end = table.temperature[runs, T1_OUT] - table.temperature[runs, T2_IN]
    return exchanged_after_service(table.day[runs], cold_end, services, days)


def exchanged_since(account: Account) -> int | None:
    """Return the day since which the two returns are taken for each other; ``None``: they are not, at the end.

    Streams that cross as read may leave no evidence from that day on, so running hours are asked as well.
    """
    assert account.info is not None
    days = np.unique(account.table.day)
    for day, found in ((days, _turned(account, days)), (account.info.day, account.exchanged)):
        if found is not None and len(found) and found[-1]:
            right = np.flatnonzero(~found)
            return int(day[right[-1] + 1 if len(right) else 0])
    return None


def _with_alarm(account: Account) -> Account:
    """Add by day whether a deposit is alarmed: by its drift, beside an instrument, or as left by a visit."""
    info, scores, tracks, kept_by = account.info, account.scores, account.tracks, account.kept_by
    assert info is not None
    assert scores is not None
    assert tracks is not None
    assert kept_by is not None
    at = reference_point(account)
    least = at.deposit_for(1.0 - LEAST_LOSS, float(at.UA_clean_W_K(at.point)[0]))
    threshold = account.alarm_threshold
    row = np.arange(len(kept_by))
    alarm = deposit_alarm_days(scores, threshold, least)
    alarm |= deposit_beside_instrument_days(tracks, threshold, least)
    if account.assumed_secondary_m3_s is not None:
        alarm[:] = False  # four temperatures cannot tell a deposit from a change of flow
    alarm |= deposit_left_days(
        info.day, alarm, tracks.deposit[row, kept_by], tracks.deposit_sd[row, kept_by],
        account.surface_days, threshold, least,
    )  # fmt: skip
    for otherwise in (account.parallel, account.exchanged):
        if otherwise is not None:
            alarm &= ~otherwise
    return replace(account, alarm=alarm & _told(account), least_deposit=least)


def _told(account: Account) -> NDArray[np.bool_]:
    """Tell the days on which an alarm says something: their hours speak of the plates, or the level stands out.

    On days of little load nothing new is learnt of the plates; what changes the odds then is what is
    forgotten of the instruments.
    """
    deposit, sd = account.deposit()
    return account.well_known() | (deposit > STANDS_OUT * sd)


def _with_days(
    base: Account,
    period: ReferencePeriod,
    fit: CleanFit,
    hours: ModelHours,
    rows: NDArray[np.int64],
    bits: NDArray[np.int64],
) -> Account:
    renewals, surface = _renewals(base, fit, period)
    steps = _steps(base, period.last + 1, base.table.day[rows])
    renewals += tuple(
        Renewal(
            day=s.known + 1,
            index=s.index,
            sd=max(abs(s.size_K), float(fit.model.prior_sd[s.index])),
        )
        for s in steps
    )
    info = daily_information(
        fit, hours, base.table.day[rows], renewals, ready=period.last + 1,
        assumed_secondary=base.assumed_secondary_m3_s is not None,
    )  # fmt: skip
    ready = period.last + 1
    at_rest = tuple(
        Statement(day=day, row=row, value=value, sd=sd)
        for day, (row, value, sd) in base.idle.statements_after(ready, info.day)
    )
    info = with_statements(info, fit.point, at_rest)
    instruments = instruments_in_play(base.table)
    may_be_named = accusable(base.table)
    rivals = tuple(i for i in instruments if i < 4 or i in may_be_named)
    scores = drift_scores(info, (DEPOSIT, *instruments), ready, surface, rivals)
    tracks = with_onsets(track(info, explanations(instruments), ready), scores)
    parallel = parallel_days(fit, hours, base.table.day[rows], info.day)
    exchanged = _turned(base, info.day)
    if base.assumed_secondary_m3_s is None:  # else what the model misses by may be a change of flow
        exchanged |= exchanged_days(fit, hours, base.table.day[rows], info.day)
    parallel &= ~exchanged
    not_it = _denied(base, info, tracks, instruments, steps, ready)
    kept_by = leading(tracks, may_be_named, not_it)
    concluded = Account(
        exchanger=base.exchanger, events=base.events, fluids=base.fluids, reasons=base.reasons,
        table=base.table, nominal=base.nominal, set_aside=bits, area_ratio=base.area_ratio,
        channel_ratio=base.channel_ratio, assumed_secondary_m3_s=base.assumed_secondary_m3_s,
        gaps=base.gaps, idle=base.idle, period=period, fit=fit, hours=hours, hour_rows=rows, info=info,
        scores=scores, tracks=tracks, kept_by=kept_by,
        parallel=parallel, exchanged=exchanged, surface_days=surface, steps=steps, denied=not_it,
        offsets=_offsets(base, fit, info, ready, steps),
    )  # fmt: skip
    return _with_alarm(concluded)
