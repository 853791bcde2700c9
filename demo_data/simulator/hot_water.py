"""Hot-water service: an exchanger that does nothing but make hot tap water, all year.

Cold make-up water mixes with the returning circulation before the exchanger; draws come and go, at
night the circulation runs alone.
"""

import numpy as np
import pandas as pd

from demo_data.simulator.plate import design_flows
from demo_data.simulator.scenario import LoadModel, PlantUnit, Scenario
from demo_data.simulator.water import Array
from demo_data.simulator.weather import smoothed, wandering

# Share of a day's hot water by local hour: morning, a little at noon, evening.
DRAW_BY_HOUR = np.concatenate(
    (
        (0.3, 0.1, 0.1, 0.1, 0.4, 1.5, 3.0, 3.0, 2.0, 1.2, 0.9, 1.0),
        (1.3, 1.0, 0.7, 0.7, 0.9, 1.5, 2.2, 2.4, 2.0, 1.5, 1.0, 0.6),
    )
)
_MAKE_UP_SWING_K = 4.0
_COLDEST_DAY = 50.0  # ground water lags behind the air
_LEAST_DRAW = 0.02  # of the design flow; below, all taps count as shut


def tap_water(
    scenario: Scenario, index: pd.DatetimeIndex, supply_degC: Array
) -> tuple[Array, Array]:
    """Return flow in kg/s and temperature in degC at the secondary inlet, shape (n,)."""
    load, step, n = scenario.load, float(scenario.step_minutes), len(index)
    design = design_flows(scenario.unit)[1]
    rng = np.random.default_rng((scenario.seed, 23))
    local = index.tz_convert(scenario.time_zone)
    hour = np.asarray(local.hour) + np.asarray(local.minute) / 60.0
    weekly = np.interp(hour, np.arange(24) + 0.5, DRAW_BY_HOUR, period=24.0)
    unrest = wandering(rng, n, step, load.draw_unrest, 0.5) + wandering(rng, n, step, 0.15, 24.0)
    share = load.draw_share * weekly / DRAW_BY_HOUR.mean() * np.exp(unrest)
    draw = design * np.where(share < _LEAST_DRAW, 0.0, np.minimum(share, 1.1))
    circulation = design * load.circulation_share
    day = np.asarray(index.day_of_year, dtype=float)
    season = np.cos(2.0 * np.pi * (day - _COLDEST_DAY) / 365.25)
    cold = load.make_up_degC - _MAKE_UP_SWING_K * season
    back = smoothed(supply_degC, step, 20.0) - load.circulation_loss_K
    mixed = (draw * cold + circulation * back) / (draw + circulation)
    return draw + circulation, smoothed(mixed, step, 3.0)


def draw_hot_water_unit(rng: np.random.Generator) -> PlantUnit:
    """Return a unit of 80 to 500 kW, designed for the network's supply in summer."""
    duty = float(np.exp(rng.uniform(np.log(80e3), np.log(500e3))))
    cold, warm = float(rng.uniform(14.0, 22.0)), float(rng.uniform(55.0, 60.0))
    hot, approach = float(rng.uniform(68.0, 74.0)), float(rng.uniform(5.0, 9.0))
    end_a, end_b = hot - warm, approach
    needed = duty / ((end_a - end_b) / np.log(end_a / end_b))
    area = needed / float(rng.uniform(3600.0, 5200.0))
    return PlantUnit(
        tag="HX",
        design_duty_W=duty,
        design_primary_degC=(hot, cold + approach),
        design_secondary_degC=(cold, warm),
        plates=int(np.clip(round(area / 0.1), 16, 160)),
        area_m2=area,
        oversizing=float(rng.uniform(0.05, 0.15)),
        film_ratio=float(rng.uniform(0.9, 1.2)),
        primary_exponent=float(rng.uniform(0.63, 0.74)),
        secondary_exponent=float(rng.uniform(0.63, 0.74)),
        heat_loss_W_K=float(rng.uniform(1.5, 5.0)),
    )


def draw_hot_water_load(rng: np.random.Generator, unit: PlantUnit) -> LoadModel:
    """Return the taps of a building that fits the unit."""
    return LoadModel(
        service="hot water",
        hot_water_supply_degC=unit.design_secondary_degC[1] - float(rng.uniform(0.0, 2.0)),
        draw_share=float(rng.uniform(0.22, 0.38)),
        draw_unrest=float(rng.uniform(0.15, 0.6)),
        circulation_share=float(rng.uniform(0.10, 0.25)),
        circulation_loss_K=float(rng.uniform(3.0, 6.0)),
        make_up_degC=float(rng.uniform(8.0, 12.0)),
    )
