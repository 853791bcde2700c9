"""Random exchangers with one fault each, for blind tests on fleets."""

from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np

from demo_data.simulator.events import (
    BlockedStrainer,
    BuildingFault,
    Fault,
    Hunting,
    LoadChange,
    MeterFault,
    ParallelFlow,
    SetPointChange,
    ThermometerFault,
)
from demo_data.simulator.scenario import (
    TEMPERATURES,
    Deposit,
    Instruments,
    Law,
    LoadModel,
    Logger,
    MeterError,
    PlantUnit,
    Scenario,
    ThermometerError,
    Weather,
)

_LAWS: tuple[Law, ...] = ("linear", "falling", "asymptotic", "step")
_BOTH_FLOWS = (*TEMPERATURES, "primary_flow", "secondary_flow")
_CONTEXT = (
    "outdoor_temperature",
    "secondary_supply_set_point",
    "valve_position",
    "primary_pressure_drop",
)


def draw_instruments(rng: np.random.Generator) -> Instruments:
    """Return ordinary instruments: offsets of 0.3 K, gains of 1 to 2 %."""
    thermometers = {
        role: ThermometerError(
            offset_K=float(rng.normal(0.0, 0.3)),
            wander_K=float(rng.uniform(0.03, 0.08)),
            lag_s=float(rng.uniform(60.0, 180.0)),
            noise_K=float(rng.uniform(0.03, 0.08)),
        )
        for role in TEMPERATURES
    }
    meters = {
        role: MeterError(
            gain=float(rng.normal(0.0, 0.012)),
            curve=float(rng.normal(0.0, 0.004)),
            wander=float(rng.uniform(0.002, 0.004)),
        )
        for role in ("primary_flow", "secondary_flow")
    }
    return Instruments(thermometers=thermometers, meters=meters)


def draw_unit(rng: np.random.Generator) -> PlantUnit:
    """Return a unit of 150 to 1500 kW with a design approach of 3 to 6 K."""
    duty = float(np.exp(rng.uniform(np.log(150e3), np.log(1500e3))))
    back, rise = float(rng.uniform(38.0, 48.0)), float(rng.uniform(18.0, 26.0))
    approach, hot = float(rng.uniform(3.0, 6.0)), float(rng.uniform(86.0, 105.0))
    supply = min(back + rise, hot - 14.0)
    end_a, end_b = hot - supply, approach
    needed = duty / ((end_a - end_b) / np.log(end_a / end_b))
    area = needed / float(rng.uniform(3600.0, 5200.0))
    plates = int(np.clip(round(area / 0.17), 20, 220))
    return PlantUnit(
        tag="HX",
        design_duty_W=duty,
        design_primary_degC=(hot, back + approach),
        design_secondary_degC=(back, supply),
        plates=plates,
        area_m2=area,
        oversizing=float(rng.uniform(0.05, 0.15)),
        film_ratio=float(rng.uniform(0.9, 1.2)),
        primary_exponent=float(rng.uniform(0.63, 0.74)),
        secondary_exponent=float(rng.uniform(0.63, 0.74)),
        heat_loss_W_K=float(rng.uniform(2.0, 6.0)),
        valve_leakage=float(rng.choice([0.0, 0.0, 0.001, 0.003])),
    )


def draw_load(rng: np.random.Generator, unit: PlantUnit) -> LoadModel:
    """Return a building that fits the unit."""
    return LoadModel(
        share_at_design=float(rng.uniform(0.7, 0.95)),
        set_point_mild_degC=float(rng.uniform(38.0, 43.0)),
        set_point_cold_degC=unit.design_secondary_degC[1] - float(rng.uniform(0.0, 2.0)),
        thermostatic=bool(rng.random() < 0.7),
        night_setback_K=float(rng.choice([0.0, 4.0, 8.0])),
        weekend_setback=bool(rng.random() < 0.2),
        hot_water_draws_per_day=float(rng.choice([0.0, 0.0, 7.0])),
    )


Maker = Callable[[np.random.Generator, datetime], Fault]


def _sign(rng: np.random.Generator) -> float:
    return float(rng.choice([-1.0, 1.0]))


def _thermometer(rng: np.random.Generator, start: datetime) -> Fault:
    drifts = rng.random() < 0.5
    return ThermometerFault(
        role=str(rng.choice(TEMPERATURES)),
        start=start,
        error_K=_sign(rng) * float(rng.uniform(1.0, 2.5)),
        full=start + timedelta(days=float(rng.uniform(40, 100))) if drifts else None,
    )


def _meter(rng: np.random.Generator, start: datetime) -> Fault:
    drifts = rng.random() < 0.5
    return MeterFault(
        role=str(rng.choice(["primary_flow", "secondary_flow"])),
        start=start,
        gain=_sign(rng) * float(rng.uniform(0.06, 0.15)),
        full=start + timedelta(days=float(rng.uniform(40, 100))) if drifts else None,
    )


_MAKERS: dict[str, Maker] = {
    "thermometer": _thermometer,
    "flow meter": _meter,
    "building side": lambda rng, start: BuildingFault(
        start=start, bypass_share=float(rng.uniform(0.3, 0.6))
    ),
    "controls": lambda rng, start: Hunting(
        start=start,
        amplitude=float(rng.uniform(0.25, 0.5)),
        period_minutes=float(rng.uniform(12.0, 40.0)),
    ),
    "too few plates": lambda rng, start: LoadChange(
        start=start, factor=float(rng.uniform(1.4, 1.6))
    ),
    "load growth": lambda rng, start: LoadChange(start=start, factor=float(rng.uniform(1.1, 1.2))),
    "set point": lambda rng, start: SetPointChange(
        start=start, shift_K=_sign(rng) * float(rng.uniform(3.0, 6.0))
    ),
    "parallel flow": lambda _rng, start: ParallelFlow(start=start),
    "blocked strainer": lambda rng, start: BlockedStrainer(
        start=start,
        full=start + timedelta(days=60),
        pressure_factor=float(rng.uniform(2.5, 5.0)),
    ),
}
FAULTS: tuple[str, ...] = ("deposit", *_MAKERS)


def random_scenario(
    rng: np.random.Generator,
    fault: str | None = None,
    *,
    start: datetime = datetime(2025, 10, 15, tzinfo=UTC),
    clean_days: int = 50,
    roles: tuple[str, ...] = (*_BOTH_FLOWS, *_CONTEXT),
    interval_minutes: int = 15,
) -> Scenario:
    """Draw an exchanger; the fault begins ``clean_days`` after ``start``, up to 30 days later.

    Parameters
    ----------
    fault
        One of :data:`FAULTS`, or ``None`` for an exchanger on which nothing moves.
    roles, interval_minutes
        What is logged, and how often.

    Raises
    ------
    ValueError
        If the fault is not known.
    """
    if fault is not None and fault not in FAULTS:
        raise ValueError(f"fault: {fault!r} is not known. One of: {', '.join(FAULTS)}.")
    seed = int(rng.integers(2**31))
    unit = draw_unit(rng)
    load = draw_load(rng, unit)
    if fault == "too few plates":
        load = replace(load, share_at_design=0.85)
    scenario = Scenario(
        unit=unit,
        load=load,
        weather=Weather(
            seed=seed,
            network_mild_degC=float(rng.uniform(72.0, 80.0)),
            network_cold_degC=unit.design_primary_degC[0] + float(rng.uniform(0.0, 3.0)),
        ),
        instruments=draw_instruments(rng),
        logger=Logger(roles=roles, interval_minutes=interval_minutes),
        seed=seed,
    )
    begins = start + timedelta(days=clean_days + float(rng.uniform(0.0, 30.0)))
    if fault is None:
        return scenario
    if fault == "deposit":
        law = _LAWS[int(rng.integers(len(_LAWS)))]
        deposit = Deposit(
            law=law,
            start=begins,
            reached=begins + timedelta(days=110),
            share_lost=float(rng.uniform(0.15, 0.30)),
            time_constant_days=float(rng.uniform(25.0, 90.0)),
            power=float(rng.uniform(0.4, 0.7)),
            unevenness=float(rng.uniform(0.0, 0.8)),
        )
        return replace(scenario, deposit=deposit)
    return replace(scenario, faults=(_MAKERS[fault](rng, begins),))
