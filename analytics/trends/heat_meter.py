"""What the network side's meter says of an interval: power and volume flow, and how well it is known.

Lives here: the choice between flow, power and the two registers, and the flow that a heat meter's power
implies. Not here: how a register becomes a rate (``registers``), the table of hours (``hours``).
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analytics.physics.fluids import FluidProperties, fluid_properties
from analytics.trends.change_of_value import held_mean_variance, increment_of
from analytics.trends.grid import Grid, epoch_seconds
from analytics.trends.registers import (
    ENERGY_COUNTED_IN_J,
    Chain,
    VOLUME_COUNTED_IN_m3,
    day_sums,
    read_chain,
    register_rate,
    typical_step,
)
from analytics.vocabulary.quantities import (
    CUMULATIVE_ROLES,
    PRIMARY_FLOW,
    SECONDARY_FLOW,
    TEMPERATURES,
)
from analytics.vocabulary.records import (
    Deed,
    Exchanger,
    Fluid,
    MaintenanceEvent,
    Pipe,
)

Array = NDArray[np.float64]
LARGEST_POWER_W = 2e7
LARGEST_FLOW_m3_s = 0.3
TIMES_DESIGN = 3.0  # what no exchanger takes of its design duty
FINE = 0.01  # of the flow: steps that hardly matter
LEAST_RISE_K = 3.0  # of the building side, beyond what thermometers at rest disagree by
LEAST_FALL_K = 1.0  # below it a power implies no flow
HEAT_METER_ROLES = ("heat_power", *CUMULATIVE_ROLES)


@dataclass(frozen=True, slots=True, kw_only=True)
class Metered:
    """Power and primary volume flow per interval, with the variance of their logarithms.

    ``power_W`` is heat handed over: a meter that calculates with water in another liquid is put right.
    ``heat_J`` and ``volume_m3`` are what registers counted by day since 1970; empty without one.
    """

    power_W: Array
    flow_m3_s: Array
    flow_variance: Array
    heat_J: pd.Series
    volume_m3: pd.Series


def metered(
    exchanger: Exchanger,
    kept: pd.DataFrame,
    grid: Grid,
    temperature: Array,
    primary: FluidProperties,
    events: Sequence[MaintenanceEvent],
) -> Metered:
    """Return what the network side's meter says.

    The flow is that logged; else that of the volume register, or that which the power implies at the
    temperatures the meter itself saw, whichever is known the better.

    Parameters
    ----------
    kept : DataFrame
        Readings without those refused.
    temperature : array, shape (n, 4)
        Means on the grid, primary supply and return first.
    events : sequence of MaintenanceEvent
        A logged change of the meter breaks its registers.
    """
    edges = _edges(grid)
    energy, volume = (_chain(exchanger, kept, role, events) for role in CUMULATIVE_ROLES)
    early, heated = _earlier(grid), _heated(grid, temperature)
    shown, power_variance = _power(kept, grid, _rate(energy, edges, early, heated))
    supply, back = temperature[:, 0], temperature[:, 1]
    implied, factor = _implied(exchanger, shown, supply, back, primary)
    counted, counted_variance = _rate(volume, edges, early, heated)
    if _volume_first(counted, counted_variance, implied, power_variance):
        order = ((counted, counted_variance), (implied, power_variance))
    else:
        order = ((implied, power_variance), (counted, counted_variance))
    flow = grid.mean(PRIMARY_FLOW)
    variance = np.zeros(len(flow))
    for other, own in order:
        use = ~np.isfinite(flow) & np.isfinite(other)
        flow, variance = np.where(use, other, flow), np.where(use, own, variance)
    water = np.allclose(factor[np.isfinite(factor)], 1.0)
    return Metered(
        power_W=shown * factor, flow_m3_s=flow, flow_variance=variance,
        heat_J=day_sums(energy) if water else pd.Series(dtype=float), volume_m3=day_sums(volume),
    )  # fmt: skip


def _edges(grid: Grid) -> Array:
    start = epoch_seconds(grid.start)
    return np.append(start, start[-1] + grid.step_s)


def _chain(
    exchanger: Exchanger, kept: pd.DataFrame, role: str, events: Sequence[MaintenanceEvent]
) -> Chain:
    register = kept[role] if role in kept.columns else pd.Series(index=kept.index, dtype=float)
    replaced = [
        e.at_utc.timestamp() for e in events
        if e.deed is Deed.METER_CHANGED and e.role in (*HEAT_METER_ROLES, PRIMARY_FLOW)
    ]  # fmt: skip
    duty = exchanger.design_duty_W
    if role == "heat_energy":
        most = LARGEST_POWER_W if duty is None else TIMES_DESIGN * duty
        return read_chain(
            register, largest_rate=most, counted_in=ENERGY_COUNTED_IN_J, replaced_s=replaced
        )
    design = exchanger.primary.design_flow_m3_s
    most = LARGEST_FLOW_m3_s if design is None else TIMES_DESIGN * design
    return read_chain(
        register, largest_rate=most, counted_in=VOLUME_COUNTED_IN_m3, replaced_s=replaced
    )


def _earlier(grid: Grid) -> Array:
    """Return by how much the means of the thermometers lie early: half their spacing, s."""
    there = [grid.columns[r].spacing_s for r in TEMPERATURES[:2] if r in grid.columns]
    if not there:
        return np.zeros(len(grid.start))
    return np.asarray(np.nan_to_num(np.fmin(np.fmax.reduce(there), grid.step_s)) / 2.0)


def _heated(grid: Grid, temperature: Array) -> NDArray[np.bool_]:
    """Tell where the building side takes up heat by its own meter: no register can rest then."""
    with np.errstate(invalid="ignore"):
        rise = temperature[:, 2] - temperature[:, 3]
        return np.asarray((grid.mean(SECONDARY_FLOW) > 0) & (rise > LEAST_RISE_K))


def _rate(
    chain: Chain, edges: Array, early: Array, heated: NDArray[np.bool_]
) -> tuple[Array, Array]:
    """Return the mean rate and the variance of its logarithm; a rest amid heat is not known."""
    found = register_rate(chain, edges, early)
    found.rate[heated & (found.rate == 0.0)] = np.nan
    with np.errstate(invalid="ignore", divide="ignore"):
        relative = (found.deviation / found.rate) ** 2
    return found.rate, np.where(found.rate > 0, relative, 0.0)


def _power(kept: pd.DataFrame, grid: Grid, counted: tuple[Array, Array]) -> tuple[Array, Array]:
    """Return the power the meter shows and the variance of its logarithm: power, else the register."""
    power = grid.mean("heat_power")
    variance = np.zeros(len(power))
    if "heat_power" in kept.columns:
        logged = kept["heat_power"].dropna()
        column, values = grid.columns["heat_power"], logged.to_numpy(dtype=float)
        step = typical_step(values, 0.02)
        rests = increment_of(epoch_seconds(pd.DatetimeIndex(logged.index)), values)
        held = np.where(column.on_change, held_mean_variance(rests, column.updates), 0.0)
        with np.errstate(invalid="ignore", divide="ignore"):
            variance = np.where(power > 0, (step**2 / 12.0 + held) / power**2, 0.0)
    rate, own = counted
    use = ~np.isfinite(power) & np.isfinite(rate)
    return np.where(use, rate, power), np.where(use, own, variance)


def _implied(
    exchanger: Exchanger, power: Array, supply: Array, back: Array, primary: FluidProperties
) -> tuple[Array, Array]:
    """Return the volume flow that the power implies, and the heat handed over per heat shown.

    A heat meter multiplies volume and temperature difference by the heat coefficient of water
    (EN 1434-1), whatever flows through it, unless it was made to know the liquid.
    """
    meter = exchanger.meter_of(0)
    knows = exchanger.primary.fluid == Fluid() or meter.calculates_with == "liquid"
    assumed = primary if knows else fluid_properties(Fluid())
    pipe = supply if meter.pipe is Pipe.SUPPLY else back
    with np.errstate(invalid="ignore", divide="ignore"):
        per_volume = assumed.density(pipe) * (assumed.enthalpy(supply) - assumed.enthalpy(back))
        implied = np.where(
            (supply - back > LEAST_FALL_K) & (power >= 0), power / per_volume, np.nan
        )
        if knows:
            return implied, np.ones(len(power))
        true = primary.density(pipe) * (primary.enthalpy(supply) - primary.enthalpy(back))
        factor = np.where(supply - back > LEAST_FALL_K, true / per_volume, np.nan)
        return implied, np.where(power == 0.0, 1.0, factor)


def _volume_first(counted: Array, variance: Array, implied: Array, its_variance: Array) -> bool:
    """Tell whether the volume register's flow is to be taken, by the first weeks where both are.

    It needs no thermometer, so it comes first unless its steps are coarse and the power's are finer.
    """
    both = np.flatnonzero((counted > 0) & (implied > 0))[:500]
    if not len(both):
        return True
    coarse = max(float(np.median(its_variance[both])), FINE**2)
    return bool(np.median(variance[both]) <= coarse)
