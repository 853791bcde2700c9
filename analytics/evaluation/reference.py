"""The clean reference and the instruments' errors of an account, as records."""

import numpy as np
import pandas as pd

from analytics.decisions.diagnosis import Odds
from analytics.evaluation.daily_frame import ratios_on
from analytics.physics.effectiveness import arrangement_of, temperature_effectiveness
from analytics.trends.account import Account, day_number
from analytics.trends.idle import UNEVEN_PIPES_K
from analytics.trends.model import INSTRUMENTS, film_temperatures
from analytics.trends.priors import (
    CAPACITY_MARGIN,
    CAPACITY_SPREAD,
    design_streams,
    nameplate_UA,
)
from analytics.trends.reference_condition import (
    NINE_IN_TEN,
    ReferencePoint,
    days_to_index,
    estimate,
    ordered,
)
from analytics.vocabulary.records import (
    CleanReference,
    Estimate,
    MaintenanceEvent,
    OffsetFinding,
    Period,
    ReferenceCondition,
)

IDLE_SD_K = UNEVEN_PIPES_K  # of one thermometer against the mean of the four, at rest
WIDEN_OFFSETS = 2.0  # stated intervals of thermometer errors were too narrow in experiments


def last_ratios(account: Account) -> tuple[float, float]:
    assert account.info is not None
    area, channels = ratios_on(account, account.info.day[-1:])
    return float(area[0]), float(channels[0])


def instrument_errors(account: Account, odds: Odds) -> tuple[OffsetFinding, ...]:
    """Return each instrument's error: as of the reference, plus its change since where it matters."""
    info, fit = account.info, account.fit
    assert info is not None
    assert fit is not None
    tracks = account.tracks
    assert tracks is not None
    state, covariance = tracks.state[1], tracks.covariance[1]
    idle = account.idle.stretches()[-1:]
    found = []
    for index, role in INSTRUMENTS:
        if index not in odds.moved:
            continue
        position = next(i for i, e in enumerate(odds.explanation) if e.moving == (index,))
        own = odds.share[position] > 0.5
        x = tracks.state[position] if own else state
        P = tracks.covariance[position] if own else covariance
        row = info.total_row(index, int(info.day[-1]))
        error = estimate(
            float(fit.point[index] + row @ x), float(WIDEN_OFFSETS * np.sqrt(row @ P @ row))
        )
        if index < 4 and not own:
            error = _followed(account, index)
        if index >= 4:
            error = Estimate(
                **{n: float(np.expm1(getattr(error, n))) for n in ("value", "low", "high")}
            )
        rest = None
        if idle and index < 4:
            rest = estimate(float(idle[0].middle_K[index]), IDLE_SD_K)
        found.append(
            OffsetFinding(
                role=role,
                error=error,
                unit="K" if index < 4 else "",
                from_idle_hours=rest,
                idle_hours=float(idle[0].hours) if idle else 0.0,
            )
        )
    return tuple(found)


def _followed(account: Account, index: int) -> Estimate:
    """Return a thermometer's error from the reference period and idle hours, as of the last day."""
    assert account.offsets is not None
    value, sd = account.offsets.pair(np.eye(4)[index], int(account.table.day[-1]))
    return estimate(value, sd)


def reference_record(account: Account, at: ReferencePoint) -> CleanReference:
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


def nameplate_reference(account: Account) -> CleanReference | None:
    """Return what the nameplate alone lets expect of clean plates; None where it says too little.

    Stands in until the exchanger's own first weeks are there. Its range is that of makers' margins.
    """
    exchanger, (primary, secondary) = account.exchanger, account.fluids
    arrangement = arrangement_of(exchanger.primary.passes, exchanger.secondary.passes)
    UA = nameplate_UA(exchanger, primary, secondary, arrangement)
    design = design_streams(exchanger, primary, secondary)
    if UA is None or design is None:
        return None
    hot_in, hot_out, cold_in, _, C1, C2 = design
    value = UA * (1 + CAPACITY_MARGIN)
    values = value * np.exp(NINE_IN_TEN * CAPACITY_SPREAD * np.array([0.0, -1.0, 1.0]))
    reached = temperature_effectiveness(values / C1, np.full(3, C1 / C2), arrangement)
    duty = C1 * (hot_in - cold_in) * reached
    approach = hot_in - duty / C1 - cold_in
    flows = [
        C / float(f.density(t) * f.heat_capacity(t))
        for f, C, t in ((primary, C1, hot_out), (secondary, C2, cold_in))
    ]
    area = exchanger.area_m2
    condition = ReferenceCondition(
        primary_flow_m3_s=flows[0], secondary_flow_m3_s=flows[1], primary_inlet_degC=hot_in,
        secondary_inlet_degC=cold_in, source="design",
    )  # fmt: skip
    return CleanReference(
        basis="nameplate", period=None, hours=0.0, condition=condition,
        UA_W_K=ordered(*values), U_W_m2K=None if area is None else ordered(*(values / area)),
        approach_K=ordered(*approach), duty_W=ordered(*duty), scatter=None,
    )  # fmt: skip


def _touches(event: MaintenanceEvent, account: Account) -> bool:
    return day_number(event.at_utc) in account.surface_days


def _curve(account: Account, at: ReferencePoint) -> pd.DataFrame:
    """Clean U (UA without an area) over the primary flow, the secondary in its usual proportion."""
    assert account.hours is not None
    assert account.fit is not None
    _, mass = account.fit.model.streams(account.fit.point, account.hours)
    known = np.isfinite(mass).all(axis=1)
    mass = mass[known]
    low, high = np.quantile(mass[:, 0], (0.01, 0.995))
    flows = np.linspace(low, high, 40)
    films = film_temperatures(account.hours.temperature[known])
    usual = [
        np.polynomial.Polynomial.fit(np.log(mass[:, 0]), y, 1)(np.log(flows))
        for y in (np.log(mass[:, 1]), films[:, 0], films[:, 1])
    ]
    secondary, means = np.exp(usual[0]), np.column_stack(usual[1:])
    logs = tuple(
        np.column_stack(
            [np.log(getattr(f, name)(means[:, i])) for i, f in enumerate(account.fluids)]
        )
        for name in ("conductivity", "heat_capacity", "viscosity")
    )
    area, channels = last_ratios(account)
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
