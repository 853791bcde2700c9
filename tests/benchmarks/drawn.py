"""Exchangers drawn at random with their hourly trends, fast enough for thousands.

Lives here: the truth by closed forms (counterflow, film law on both sides, wall, deposit), drawn
instruments and readings. Not here: any judgement of the answers (``coverage.py``). Beside the property
polynomials of the simulator nothing is shared with the packages that are judged.

How instruments are drawn: a thermometer's sensor error is rectangular between the limits of its EN 60751
class at 60 degC (JCGM 100:2008, 4.3.7: nothing inside a limit is likelier than the rest), its mounting
normal with 0.2 K; a thermometer of which nobody says anything is normal with 0.5 K. A flow sensor of
class 2 may err by 4 % in service, twice its limit at verification (EN 1434-1, from memory), which is
read as holding 95 in 100, so its gain is normal with 2 % (JCGM 100:2008, 4.3.4). Readings wander
besides (0.05 K, 0.3 %, over 20 days) and scatter (0.05 K, 0.4 % an hour).
"""

from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.signal import lfilter

from analytics.vocabulary.records import Exchanger, FlowMeter, Pipe, Stream, Thermometer
from demo_data.simulator.water import evaluate, water
from service.register.instruments import describe_meter, describe_thermometer

Array = NDArray[np.float64]

KINDS = ("both flows", "primary flow", "heat meter's power", "secondary flow", "four temperatures")
START = datetime(2025, 10, 6, tzinfo=UTC)
CLEAN_DAYS, FOULED_DAYS = 70, 50
WALL_m2K_W = 0.5e-3 / 15.0
TEMPERATURES = (
    "primary_supply_temperature", "primary_return_temperature",
    "secondary_supply_temperature", "secondary_return_temperature",
)  # fmt: skip
# EN 60751 class at 60 degC, K: 0.15 + 0.002 t and 0.3 + 0.005 t (from memory); None: not described.
SENSOR_LIMIT_K = {"A": 0.27, "B": 0.60}
MOUNTING_K, UNDESCRIBED_K = 0.2, 0.5
METER_CLASS, METER_GAIN = 2, 0.02


@dataclass(frozen=True, kw_only=True)
class Drawn:
    """One exchanger: register, trends by the hour, and the truth on the same rows."""

    kind: str
    thermometer_class: str | None
    exchanger: Exchanger
    trends: pd.DataFrame
    truth: (
        pd.DataFrame
    )  # duty_W, UA_W_K, UA_clean_W_K, resistance_K_W, NTU and the like, true temperatures


@dataclass(frozen=True, kw_only=True)
class _Plates:
    pivot_kg_s: tuple[float, float]
    ln_film_W_K: tuple[float, float]  # at the pivot, over the property group there
    exponents: tuple[float, float]
    wall_K_W: float

    def resistance(self, mass: Array, mean_degC: Array) -> Array:
        """1/UA of clean plates, shape (n,)."""
        total = np.full(len(mass), self.wall_K_W)
        for side in (0, 1):
            group = water().film_property(self.exponents[side])
            ln_h = (
                self.ln_film_W_K[side]
                + self.exponents[side] * np.log(mass[:, side] / self.pivot_kg_s[side])
                + evaluate(group, mean_degC[:, side])
                - group(55.0 - 5.0 * side)
            )
            total = total + np.exp(-ln_h)
        return total


def _counterflow(NTU: Array, ratio: Array) -> Array:
    """Effectiveness of the stream on which NTU and ratio are formed (Kays and London)."""
    away = np.where(np.abs(1.0 - ratio) < 1e-7, 1.0 - 1e-7, ratio)
    e = np.exp(-NTU * (1.0 - away))
    return np.asarray((1.0 - e) / (1.0 - away * e))


def _over_the_surface(hot_in: Array, hot_out: Array, warm_out: Array, warm_in: Array) -> Array:
    """Mean temperatures over the surface, (n, 2): hottest end less a share of each change.

    dT1 and dT2 are both proportional to d(T1 - T2), whose mean over the surface is the log mean.
    """
    a, b = hot_in - warm_out, np.maximum(hot_out - warm_in, 1e-3)
    level = np.abs(a / b - 1.0) < 1e-4
    log_mean = np.where(level, a, (a - b) / np.log(np.where(level, 2.0, a / b)))
    share = np.where(level, 0.5, (a - log_mean) / np.where(level, 1.0, a - b))
    return np.column_stack(
        [hot_in - share * (hot_in - hot_out), warm_out - share * (warm_out - warm_in)]
    )


def _by_the_quarter(rng: np.random.Generator, hourly: pd.DataFrame) -> pd.DataFrame:
    """Log four quarters of each hour, which scatter about the hour's mean as samples do."""
    start = pd.date_range(hourly.index[0], periods=4 * len(hourly), freq="15min", name="time_utc")
    logged = pd.DataFrame(np.repeat(hourly.to_numpy(), 4, axis=0), start, hourly.columns)
    for role in hourly.columns:
        each = rng.standard_normal((len(hourly), 4))
        each -= each.mean(axis=1, keepdims=True)
        if role.endswith("temperature"):
            logged[role] += 0.05 * each.ravel()
        else:
            logged[role] *= 1 + 0.004 * each.ravel()
    return logged


def _red(rng: np.random.Generator, n: int, sd: float, hours: float) -> Array:
    """Gaussian wander with a correlation time."""
    a = np.exp(-1.0 / hours)
    steps = rng.standard_normal(n) * sd * np.sqrt(1 - a * a)
    steps[0] = rng.standard_normal() * sd
    return np.asarray(lfilter([1.0], [1.0, -a], steps))


def draw(seed: int, kind: str | None = None, thermometer_class: str | None = "?") -> Drawn:
    """Draw one exchanger; seeds decide everything."""
    rng = np.random.default_rng(seed)
    kind = kind or KINDS[int(rng.integers(len(KINDS) - 1))]
    if thermometer_class == "?":
        thermometer_class = (None, "A", "B")[int(rng.integers(3))]
    n = 24 * (CLEAN_DAYS + FOULED_DAYS)
    hour = np.arange(n)
    duty = float(np.exp(rng.uniform(np.log(60e3), np.log(2e6))))
    cold_in = rng.uniform(38.0, 50.0)
    cold_out = cold_in + rng.uniform(15.0, 25.0)
    approach = rng.uniform(2.5, 8.0)
    hot_in, hot_out = cold_out + rng.uniform(8.0, 30.0), cold_in + approach
    cp = water().heat_capacity
    m1 = duty / (cp(0.5 * (hot_in + hot_out)) * (hot_in - hot_out))
    m2 = duty / (cp(0.5 * (cold_in + cold_out)) * (cold_out - cold_in))
    a, b = hot_in - cold_out, hot_out - cold_in
    UA = duty / ((a - b) / np.log(a / b)) * rng.uniform(1.0, 1.2)
    U = rng.uniform(3500.0, 6000.0)
    area = UA / U
    films_K_W = 1.0 / UA - WALL_m2K_W / area
    share = rng.uniform(0.4, 0.6)
    exponents = (rng.uniform(0.62, 0.76), rng.uniform(0.62, 0.76))
    middles = np.array([[0.5 * (hot_in + hot_out), 0.5 * (cold_in + cold_out)]])
    relative = [
        float(evaluate(water().film_property(exponents[s]), middles[:, s])[0]
              - water().film_property(exponents[s])(55.0 - 5.0 * s)) for s in (0, 1)
    ]  # fmt: skip
    plates = _Plates(
        pivot_kg_s=(m1, m2),
        ln_film_W_K=(-np.log(films_K_W * share) - relative[0], -np.log(films_K_W * (1 - share)) - relative[1]),
        exponents=exponents, wall_K_W=WALL_m2K_W / area,
    )  # fmt: skip
    # weather from autumn into winter, and what the building makes of it
    season = 8.0 - 9.0 * np.sin(np.pi * np.minimum(hour / 24 / 120.0, 1.0) / 2)
    outdoor = season + _red(rng, n, 3.5, 60.0) + 2.5 * np.sin(2 * np.pi * (hour % 24 - 9) / 24)
    cold = np.clip((17.0 - outdoor) / 29.0, 0.05, 1.15)
    day_shape = 1.0 + 0.12 * np.sin(2 * np.pi * (hour % 24 - 3) / 24) + _red(rng, n, 0.03, 4.0)
    load = np.clip(rng.uniform(0.75, 0.95) * cold * day_shape, 0.03, 1.1) * duty
    flow_share = np.clip((load / duty) ** rng.uniform(0.35, 0.6), 0.15, 1.2)
    mass_2 = m2 * flow_share * np.exp(_red(rng, n, 0.01, 24.0))
    supply_2 = 40.0 + (cold_out - 40.0) * np.clip(cold, 0.2, 1.0) + _red(rng, n, 0.4, 3.0)
    supply_2 = np.maximum(supply_2, 30.0 + 0.2 * (cold_out - cold_in))
    return_2 = supply_2 - load / (mass_2 * cp(45.0))
    return_2 = np.maximum(return_2, 22.0)
    mass_2 = load / (evaluate(water().enthalpy, supply_2) - evaluate(water().enthalpy, return_2))
    supply_1 = hot_in - (12.0 * (1 - np.clip(cold, 0, 1))) + _red(rng, n, 0.8, 6.0)
    supply_1 = np.maximum(supply_1, supply_2 + 4.0)
    # deposit: nothing for the clean days, then a law up to a loss of none to 35 % of UA
    lost = rng.uniform(0.03, 0.35) if rng.random() < 0.75 else 0.0
    days = np.maximum(hour / 24 - CLEAN_DAYS, 0.0)
    growth = np.minimum((days / rng.uniform(25.0, FOULED_DAYS)) ** rng.choice([0.5, 1.0]), 1.0)
    deposit = (1.0 / (1.0 - lost) - 1.0) / UA * growth
    h = water().enthalpy

    def solved(ln_m1: Array) -> tuple[Array, Array, Array]:
        """Heat given up, primary outlet, 1/UA clean, at a primary flow."""
        mass = np.exp(ln_m1)
        out = supply_1 - 0.85 * (supply_1 - return_2)
        for _ in range(4):
            c1 = (evaluate(h, supply_1) - evaluate(h, out)) / (supply_1 - out)
            c2 = (evaluate(h, supply_2) - evaluate(h, return_2)) / (supply_2 - return_2)
            means = _over_the_surface(supply_1, out, supply_2, return_2)
            clean = plates.resistance(np.column_stack([mass, mass_2]), means)
            C1, C2 = mass * c1, mass_2 * c2
            P = _counterflow(1.0 / (clean + deposit) / C1, C1 / C2)
            out = supply_1 - P * (supply_1 - return_2)
        return C1 * P * (supply_1 - return_2), out, clean

    low, high = np.full(n, np.log(m1 * 0.01)), np.full(n, np.log(m1 * 4.0))
    for _ in range(26):
        middle = (low + high) / 2
        enough = solved(middle)[0] >= load
        low, high = np.where(enough, low, middle), np.where(enough, middle, high)
    given, return_1, clean = solved((low + high) / 2)
    reached = np.abs(given / load - 1.0) < 1e-4
    # heat given and taken agree exactly by the enthalpies
    mass_1 = load / (evaluate(h, supply_1) - evaluate(h, return_1))
    true_t = np.column_stack([supply_1, return_1, supply_2, return_2])
    trends = pd.DataFrame(index=pd.date_range(START, periods=n, freq="h", name="time_utc"))
    thermometers = {}
    for i, role in enumerate(TEMPERATURES):
        if thermometer_class is None:
            offset = rng.normal(0, UNDESCRIBED_K)
        else:
            limit = SENSOR_LIMIT_K[thermometer_class]
            offset = rng.uniform(-limit, limit) + rng.normal(0, MOUNTING_K)
            u, _ = describe_thermometer(thermometer_class, None)
            thermometers[role] = Thermometer(role=role, standard_uncertainty_K=u)
        trends[role] = true_t[:, i] + offset + _red(rng, n, 0.05, 480.0) + rng.normal(0, 0.05, n)
    u_meter, _ = describe_meter(METER_CLASS, None)
    meters = {}
    flows = {
        "primary_flow": mass_1 / evaluate(water().density, return_1),
        "secondary_flow": mass_2 / evaluate(water().density, return_2),
    }
    measured = {
        role: true * (1 + rng.normal(0, METER_GAIN)
                      + _red(rng, n, 0.003, 480.0) + rng.normal(0, 0.004, n))
        for role, true in flows.items()
    }  # fmt: skip
    if kind in ("both flows", "primary flow"):
        trends["primary_flow"] = measured["primary_flow"]
    if kind in ("both flows", "secondary flow"):
        trends["secondary_flow"] = measured["secondary_flow"]
    if kind == "heat meter's power":
        density = evaluate(water().density, trends[TEMPERATURES[1]].to_numpy())
        fall = evaluate(h, trends[TEMPERATURES[0]].to_numpy()) - evaluate(
            h, trends[TEMPERATURES[1]].to_numpy()
        )
        trends["heat_power"] = measured["primary_flow"] * density * fall
    for role in ("primary_flow", "secondary_flow", "heat_power"):
        if role in trends:
            meters[role] = FlowMeter(
                role=role, pipe=Pipe.RETURN, relative_standard_uncertainty=u_meter
            )
    trends["outdoor_temperature"] = outdoor + rng.normal(0, 0.2, n)
    trends[~reached] = np.nan
    trends = _by_the_quarter(rng, trends)
    exchanger = Exchanger(
        tag=f"HX-{seed}", area_m2=area, design_duty_W=duty,
        primary=Stream(design_inlet_degC=hot_in, design_outlet_degC=hot_out),
        secondary=Stream(design_inlet_degC=cold_in, design_outlet_degC=cold_out),
        thermometers=thermometers, flow_meters=meters,
    )  # fmt: skip
    truth = pd.DataFrame(
        {
            "duty_W": load, "UA_W_K": 1.0 / (clean + deposit), "UA_clean_W_K": 1.0 / clean,
            "resistance_K_W": deposit,
            **{f"true_{r}": true_t[:, i] for i, r in enumerate(TEMPERATURES)},
        },
        index=trends.index[::4],
    )  # fmt: skip
    return Drawn(
        kind=kind, thermometer_class=thermometer_class, exchanger=exchanger, trends=trends, truth=truth
    )  # fmt: skip
