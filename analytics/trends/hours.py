"""The table of hours on which all evidence rests: means, slopes and noise, per hour.

Lives here: from a trend frame to hourly arrays of what the exchanger did and how well that is
known. Not here: which hours carry evidence (``evidence``), any model of the exchanger (``model``).
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analytics.physics.fluids import FluidProperties
from analytics.trends.grid import Grid, epoch_seconds, to_grid
from analytics.trends.heat_meter import HEAT_METER_ROLES, metered
from analytics.trends.registers import typical_step
from analytics.vocabulary.quantities import (
    PRIMARY_FLOW,
    PRIMARY_RETURN,
    PRIMARY_SUPPLY,
    SECONDARY_FLOW,
    TEMPERATURES,
)
from analytics.vocabulary.records import Exchanger, Instrumentation, MaintenanceEvent

Array = NDArray[np.float64]
HOUR_s = 3600.0


@dataclass(frozen=True, slots=True, kw_only=True)
class HourTable:
    """Hourly arrays, all of shape (n,) unless said otherwise; NaN: not known.

    ``temperature`` and the like have shape (n, 4) in the order primary supply, primary return,
    secondary supply, secondary return; ``flow`` has shape (n, 2), primary then secondary.
    """

    start: pd.DatetimeIndex
    day: NDArray[np.int64]  # days since 1970, UTC
    temperature: Array
    temperature_variance: Array  # of the noise of a mean: steps of change-of-value logging
    temperature_deviation: Array  # inside the hour
    temperature_slope: Array  # inside the hour, K/h; 0 where not known
    flow: Array  # m3/s as the meter shows it
    flow_variance: Array  # of ln flow, beside the meter's own noise
    primary_flow_deviation: Array  # inside the hour, relative
    power_W: Array  # by the heat meter
    spacing_h: Array  # usual spacing of the temperature samples
    outdoor_degC: Array
    valve: Array
    valve_step: Array  # mean movement from one logged point to the next
    set_point_degC: Array
    pump: Array
    pressure_drop: Array  # shape (n, 2), Pa
    reasons: NDArray[np.int64]  # of samples inside the hour that were refused
    instrumentation: Instrumentation
    day_heat_J: pd.Series | None = None  # by day, as a register counted it
    day_volume_m3: pd.Series | None = None

    def __len__(self) -> int:
        return len(self.start)


def hour_table(
    exchanger: Exchanger,
    trends: pd.DataFrame,
    reasons: pd.DataFrame,
    primary: FluidProperties,
    step_s: float = HOUR_s,
    events: Sequence[MaintenanceEvent] = (),
    gaps: pd.DataFrame | None = None,
) -> HourTable:
    """Assemble the hourly table, or one of shorter intervals to show.

    Parameters
    ----------
    trends : DataFrame
        Trend frame with at least one row.
    reasons : DataFrame
        As :func:`analytics.trends.quality.sample_reasons` returns it.
    primary : FluidProperties
        Fluid of the network side: turns a heat meter's power into a flow.
    events : sequence of MaintenanceEvent
        The maintenance log: a changed meter breaks its registers.
    gaps : DataFrame, optional
        Gap frame (see ``analytics.vocabulary.gaps``).
    """
    kept = trends.where(reasons == 0)
    steps = exchanger.change_increments
    grid = to_grid(kept, step_s, gaps, steps)
    n = len(grid.start)
    temperature = np.column_stack([grid.mean(r) for r in TEMPERATURES])
    meter = metered(exchanger, kept, grid, temperature, primary, events)
    flow_1, variance_1 = meter.flow_m3_s, meter.flow_variance
    flow_2 = grid.mean(SECONDARY_FLOW)
    flow = np.column_stack([flow_1, flow_2])
    flow_variance = np.column_stack(
        [
            variance_1 + _step_variance(kept, grid, PRIMARY_FLOW, steps, relative_to=flow_1),
            _step_variance(kept, grid, SECONDARY_FLOW, steps, relative_to=flow_2),
        ]
    )
    with np.errstate(invalid="ignore", divide="ignore"):
        relative_deviation = grid.deviation(PRIMARY_FLOW) / flow_1
    return HourTable(
        start=grid.start,
        day=np.asarray(np.floor(epoch_seconds(grid.start) / 86400.0), dtype=np.int64),
        temperature=temperature,
        temperature_variance=np.column_stack(
            [_step_variance(kept, grid, r, steps) for r in TEMPERATURES]
        ),
        temperature_deviation=np.column_stack([grid.deviation(r) for r in TEMPERATURES]),
        temperature_slope=np.column_stack([grid.slope(r) for r in TEMPERATURES]),
        flow=flow,
        flow_variance=flow_variance,
        primary_flow_deviation=relative_deviation,
        power_W=meter.power_W,
        spacing_h=_spacing(grid),
        outdoor_degC=grid.mean("outdoor_temperature"),
        valve=grid.mean("valve_position"),
        valve_step=_valve_steps(kept, grid),
        set_point_degC=grid.mean("secondary_supply_set_point"),
        pump=grid.mean("pump_running"),
        pressure_drop=np.column_stack(
            [grid.mean("primary_pressure_drop"), grid.mean("secondary_pressure_drop")]
        ),
        reasons=_hourly_reasons(reasons, grid, n),
        instrumentation=instrumentation_of(trends),
        day_heat_J=meter.heat_J,
        day_volume_m3=meter.volume_m3,
    )


def instrumentation_of(trends: pd.DataFrame) -> Instrumentation:
    """Say what is measured, from which roles hold any reading at all."""
    there = {str(r) for r in trends.columns if trends[r].notna().any()}
    if not set(TEMPERATURES) <= there:
        return Instrumentation.INCOMPLETE
    metered = bool(set(HEAT_METER_ROLES) & there)
    if SECONDARY_FLOW in there:
        both = PRIMARY_FLOW in there or metered
        return Instrumentation.BOTH_FLOWS if both else Instrumentation.SECONDARY_FLOW
    if PRIMARY_FLOW in there:
        return Instrumentation.PRIMARY_FLOW
    return Instrumentation.PRIMARY_POWER if metered else Instrumentation.TEMPERATURES_ONLY


def _step_variance(
    kept: pd.DataFrame,
    grid: Grid,
    role: str,
    increments: Mapping[str, float],
    relative_to: Array | None = None,
) -> Array:
    """Variance of an hourly mean that comes from logging on change: a step's square over 12.

    The step is the increment that the register gives, or what the smallest moves show.
    """
    column = grid.columns.get(role)
    if column is None:
        return np.zeros(len(grid.start))
    step = increments.get(role)
    if step is None:
        step = typical_step(kept[role].dropna().to_numpy(dtype=float), 0.05)
    if relative_to is None:
        return np.where(column.on_change, step**2 / 12.0, 0.0)
    with np.errstate(invalid="ignore", divide="ignore"):
        relative = step / relative_to
    return np.where(column.on_change & (relative_to > 0), relative**2 / 12.0, 0.0)


def _spacing(grid: Grid) -> Array:
    spacings = [grid.columns[r].spacing_s for r in TEMPERATURES if r in grid.columns]
    if not spacings:
        return np.ones(len(grid.start))
    with np.errstate(invalid="ignore"):
        worst = np.fmax.reduce(spacings) / HOUR_s
    return np.where(np.isfinite(worst), worst, 1.0)


def _valve_steps(kept: pd.DataFrame, grid: Grid) -> Array:
    """Mean absolute movement of the valve between logged points, per hour."""
    n = len(grid.start)
    if "valve_position" not in kept.columns:
        return np.full(n, np.nan)
    valve = kept["valve_position"].dropna()
    step = valve.diff().abs()
    hourly = step.groupby(
        pd.DatetimeIndex(valve.index).floor(pd.Timedelta(seconds=grid.step_s))
    ).mean()
    return hourly.reindex(grid.start).to_numpy(dtype=float)


def _hourly_reasons(reasons: pd.DataFrame, grid: Grid, n: int) -> NDArray[np.int64]:
    """Collect the reasons of refused samples by hour."""
    collected = np.zeros(n, dtype=np.int64)
    hour = (
        (epoch_seconds(pd.DatetimeIndex(reasons.index)) - epoch_seconds(grid.start)[0])
        // grid.step_s
    ).astype(int)
    for role in (*TEMPERATURES, PRIMARY_FLOW, SECONDARY_FLOW, "heat_power"):
        if role in reasons.columns:
            bits = reasons[role].to_numpy()
            bad = bits != 0
            np.bitwise_or.at(collected, hour[bad], bits[bad])
    return collected


# The order of the columns of ``temperature``.
T1_IN, T1_OUT, T2_OUT, T2_IN = range(4)
assert TEMPERATURES[:2] == (PRIMARY_SUPPLY, PRIMARY_RETURN)
