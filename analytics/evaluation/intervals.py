"""Indicators per grid interval, by the textbook, for people to read: see ``INTERVAL_COLUMNS``.

The conclusions on deposit do not rest on these but on the daily information; both come from the same
readings. UA is worked out with the thermometers corrected by the errors that the reference period
showed, as an uncorrected cold end of one or two kelvin gives nonsense; all other columns are as read.
"""

import numpy as np
import pandas as pd

from analytics.physics.effectiveness import (
    arrangement_of,
    conductance_from_outlets,
    number_of_transfer_units,
    temperature_effectiveness,
)
from analytics.physics.fluids import DOUBT
from analytics.physics.instruments import (
    flow_meter_uncertainty,
    heat_meter_difference_uncertainty,
)
from analytics.physics.temperature_difference import log_mean_temperature_difference
from analytics.trends.account import Account
from analytics.trends.hours import T1_IN, T1_OUT, T2_IN, T2_OUT, HOUR_s, HourTable, hour_table
from analytics.trends.model import Array, film_temperatures, meter_pipe, prepare_hours
from analytics.vocabulary.quantities import (
    INTERVAL_COLUMNS,
    REASON_BITS,
    ROLE_NAMES,
    SECONDARY_FLOW,
    TEMPERATURES,
)
from analytics.vocabulary.records import Exchanger, LatestInterval, Thermometer

SHORT_STEP_s = 900.0
UA_STEP_K = 0.01
SHORT_SPACING_h = 0.34  # logged at least every twenty minutes: quarter-hours can be shown


def interval_table(account: Account, trends: pd.DataFrame) -> tuple[HourTable, float]:
    """Return the table on the grid that people see, and its step in seconds."""
    usual = float(np.nanmedian(account.table.spacing_h)) if len(account.table) else 1.0
    flow_logged = bool({"primary_flow", "heat_power"} & set(map(str, trends.columns)))
    step = SHORT_STEP_s if usual <= SHORT_SPACING_h and flow_logged else HOUR_s
    table = hour_table(
        account.exchanger, trends, account.reasons, account.fluids[0], step, account.events
    )
    return table, step


def interval_frame(account: Account, table: HourTable, step_s: float) -> pd.DataFrame:
    """Return the indicators of every interval of a table."""
    t = table.temperature
    columns = _readings(account, table)
    masses, duties, uncertainties = _duties(account, table)
    columns["duty_primary_W"], columns["duty_secondary_W"] = duties[:, 0], duties[:, 1]
    columns["duty_primary_u_W"], columns["duty_secondary_u_W"] = (
        uncertainties[:, 0],
        uncertainties[:, 1],
    )
    mean = duties.mean(axis=1)
    with np.errstate(invalid="ignore", divide="ignore"):
        columns["balance_residual"] = np.where(
            mean > 0, (duties[:, 1] - duties[:, 0]) / mean, np.nan
        )
        columns["balance_residual_u"] = np.where(
            mean > 0, np.hypot(*uncertainties.T) / mean, np.nan
        )
        fall, rise = t[:, T1_IN] - t[:, T1_OUT], t[:, T2_OUT] - t[:, T2_IN]
        span = t[:, T1_IN] - t[:, T2_IN]
        works = (fall > 0.5) & (rise > 0.5) & (span > 1.0)
        smaller = np.maximum(fall, rise)
        columns["effectiveness"] = np.where(works, smaller / span, np.nan)
        columns["capacity_rate_ratio"] = np.where(works, np.minimum(fall, rise) / smaller, np.nan)
        NTU_1 = number_of_transfer_units(fall / span, rise / fall, _arrangement(account))
        columns["NTU"] = np.where(works, NTU_1 * np.where(fall >= rise, 1.0, fall / rise), np.nan)
        columns["lmtd_K"] = log_mean_temperature_difference(
            t[:, T1_IN], t[:, T1_OUT], t[:, T2_IN], t[:, T2_OUT], _arrangement(account)
        )
        columns["approach_cold_K"] = t[:, T1_OUT] - t[:, T2_IN]
        columns["approach_hot_K"] = t[:, T1_IN] - t[:, T2_OUT]
    columns.update(_conductances(account, table, masses, duties))
    row = np.searchsorted(account.table.start, table.start, side="right") - 1
    row = np.clip(row, 0, len(account.set_aside) - 1)
    columns["set_aside"] = account.set_aside[row].astype(float)
    frame = pd.DataFrame(columns, index=table.start)
    frame.index.name = "start"
    return frame.reindex(columns=[q.name for q in INTERVAL_COLUMNS])


def _arrangement(account: Account) -> str:
    return arrangement_of(account.exchanger.primary.passes, account.exchanger.secondary.passes)


def _readings(account: Account, table: HourTable) -> dict[str, Array]:
    t = table.temperature
    found = dict(zip(ROLE_NAMES[:4], t.T, strict=True))
    found["primary_flow"], found[SECONDARY_FLOW] = table.flow[:, 0], table.flow[:, 1]
    found["primary_pressure_drop"], found["secondary_pressure_drop"] = table.pressure_drop.T
    found["heat_power"], found["outdoor_temperature"] = table.power_W, table.outdoor_degC
    found["secondary_supply_set_point"] = table.set_point_degC
    found["valve_position"], found["pump_running"] = table.valve, table.pump
    return found


def _duties(account: Account, table: HourTable) -> tuple[Array, Array, Array]:
    """Mass flows, duties and their standard uncertainties, each (n, 2)."""
    t, exchanger = table.temperature, account.exchanger
    sides = ((account.fluids[0], T1_IN, T1_OUT, 1.0), (account.fluids[1], T2_IN, T2_OUT, -1.0))
    masses, duties, uncertainties = (np.full((len(table), 2), np.nan) for _ in range(3))
    for side, (fluid, inlet, outlet, sign) in enumerate(sides):
        masses[:, side] = table.flow[:, side] * fluid.density(t[:, meter_pipe(exchanger, side)])
        duties[:, side] = (
            sign * masses[:, side] * (fluid.enthalpy(t[:, inlet]) - fluid.enthalpy(t[:, outlet]))
        )
        uncertainties[:, side] = np.abs(duties[:, side]) * _relative_uncertainty(
            exchanger, side, table.flow[:, side], np.abs(t[:, inlet] - t[:, outlet])
        )
    return masses, duties, uncertainties


def _relative_uncertainty(
    exchanger: Exchanger, side: int, flow: Array, difference_K: Array
) -> Array:
    """First-order (GUM, JCGM 100:2008, eq. 10): parts of flow, temperature difference and liquid."""
    meter = exchanger.meter_of(side)
    kind = (exchanger.primary, exchanger.secondary)[side].fluid.kind
    difference_K = np.where(difference_K > 0, difference_K, np.nan)
    with np.errstate(invalid="ignore", divide="ignore"):
        if meter.least_difference_K is not None:
            pair = heat_meter_difference_uncertainty(difference_K, meter.least_difference_K)
        else:
            both = [
                exchanger.thermometers.get(role, Thermometer(role=role)).standard_uncertainty_K
                for role in TEMPERATURES[2 * side : 2 * side + 2]
            ]
            pair = np.hypot(both[0], both[1]) / difference_K
        parts = flow_meter_uncertainty(meter, flow) ** 2 + pair**2 + DOUBT[kind] ** 2
    return np.asarray(np.sqrt(parts))


def _conductances(
    account: Account, table: HourTable, masses: Array, duties: Array
) -> dict[str, Array]:
    """UA as measured with corrected thermometers, its uncertainty, and clean at the same flows."""
    n = len(table)
    blank = np.full(n, np.nan)
    if account.fit is None or account.assumed_secondary_m3_s is not None:
        return {"UA_W_K": blank, "UA_u_W_K": blank, "UA_clean_W_K": blank, "U_W_m2K": blank}
    model, p = account.fit.model, account.fit.point
    row = np.clip(
        np.searchsorted(account.table.start, table.start, side="right") - 1,
        0,
        len(account.table) - 1,
    )
    ratios = account.area_ratio[row], account.channel_ratio[row]
    everything = np.ones(n, dtype=bool)
    hours = prepare_hours(account.exchanger, table, everything, *account.fluids, *ratios, None)
    t, mass = model.streams(p, hours)
    capacity = mass * hours.heat_capacity
    with np.errstate(invalid="ignore"):
        mean_duty = (
            capacity[:, 0] * (t[:, T1_IN] - t[:, T1_OUT])
            + capacity[:, 1] * (t[:, T2_OUT] - t[:, T2_IN])
        ) / 2
    UA = conductance_from_outlets(
        t[:, T1_IN], t[:, T1_OUT], t[:, T2_IN], t[:, T2_OUT], mean_duty, model.arrangement
    )
    means = film_temperatures(t)
    clean = model.conductance(
        p,
        mass,
        means,
        (hours.ln_conductivity, hours.ln_heat_capacity, hours.ln_viscosity),
        *ratios,
        deposit=0.0,
    )
    area = (account.exchanger.area_m2 or np.nan) * ratios[0]
    return {
        "UA_W_K": UA,
        "UA_u_W_K": _UA_uncertainty(account, t, UA),
        "UA_clean_W_K": clean,
        "U_W_m2K": UA / area,
    }


def _UA_uncertainty(account: Account, t: Array, UA: Array) -> Array:
    """First order, from what is left of the instruments' errors after the reference period.

    The sensitivities of ln UA to the four thermometers are central differences of the very relation
    that gives UA, pass arrangement and all; the duty is the mean of both sides', so each meter counts
    half.
    """
    assert account.info is not None
    assert account.fit is not None
    assert account.ready is not None
    A = account.info.prior_matrix + account.info.matrix[account.info.day < account.ready].sum(
        axis=0
    )
    C = np.linalg.inv(A)[:6, :6]
    g = np.full((len(t), 6), 0.5)
    with np.errstate(invalid="ignore", divide="ignore"):
        for i in range(4):
            step = np.zeros(4)
            step[i] = UA_STEP_K
            ln = [_ln_UA_per_duty(t + s * step, t, account.fit.model.arrangement) for s in (1, -1)]
            g[:, i] = (ln[0] - ln[1]) / (2 * UA_STEP_K)
        return np.asarray(UA * np.sqrt(np.einsum("ni,ij,nj->n", g, C, g)))


def _ln_UA_per_duty(t: Array, level: Array, arrangement: str) -> Array:
    """ln UA for the duty that temperatures ``t`` give at the capacity rates of ``level``."""
    duty = 0.5 * (
        (t[:, T1_IN] - t[:, T1_OUT]) / (level[:, T1_IN] - level[:, T1_OUT])
        + (t[:, T2_OUT] - t[:, T2_IN]) / (level[:, T2_OUT] - level[:, T2_IN])
    )
    UA = conductance_from_outlets(
        t[:, T1_IN], t[:, T1_OUT], t[:, T2_IN], t[:, T2_OUT], duty, arrangement
    )
    return np.asarray(np.log(UA))


def latest_interval(account: Account, frame: pd.DataFrame, step_s: float) -> LatestInterval | None:
    """Return the newest interval with all four temperatures, live."""
    whole = frame.index[frame[list(TEMPERATURES)].notna().all(axis=1)]
    if not len(whole):
        return None
    row = frame.loc[whole[-1]]
    values = {str(k): float(v) for k, v in row.items() if np.isfinite(v) and k != "set_aside"}
    bits = int(row["set_aside"])
    return LatestInterval(
        start_utc=whole[-1].to_pydatetime(),
        minutes=step_s / 60.0,
        values=values,
        set_aside=tuple(name for name, bit in REASON_BITS.items() if bits & bit),
        clean_approach_K=_clean_approach(account, row),
    )


def _clean_approach(account: Account, row: pd.Series) -> float | None:
    """Approach that clean plates would show now, at the same flows and inlets, as the meters read."""
    UA = row["UA_clean_W_K"]
    duties = row[["duty_primary_W", "duty_secondary_W"]].to_numpy(dtype=float)
    duties = duties[np.isfinite(duties)]
    duty = float(duties.mean()) if len(duties) else 0.0
    fall = row["primary_supply_temperature"] - row["primary_return_temperature"]
    rise = row["secondary_supply_temperature"] - row["secondary_return_temperature"]
    if account.fit is None or not (UA > 0 and duty > 0 and fall > 0.5 and rise > 0.5):
        return None
    p = account.fit.point
    span = (row["primary_supply_temperature"] - p[0]) - (row["secondary_return_temperature"] - p[3])
    C1, C2 = duty / fall, duty / rise
    P = float(temperature_effectiveness(UA / C1, C1 / C2, account.fit.model.arrangement))
    shown = span * (1 - P) + p[1] - p[3]  # as the thermometers would show it
    return float(shown)
