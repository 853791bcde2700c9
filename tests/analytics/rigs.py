"""Exchangers with any liquid and any passes, worked out by general-purpose libraries alone.

Liquids come from CoolProp, the effectiveness of the passes from `ht`; nothing of ``analytics`` takes part
in what is logged, so that a wrong formula there cannot cancel itself out.
"""

from dataclasses import dataclass, field

import CoolProp.CoolProp as library
import ht
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analytics.vocabulary.records import Exchanger, Fluid, PropertyTable, Stream, Tariff

Array = NDArray[np.float64]
STEP_s = 1800.0
ROUNDS = 6  # until the outlets belong to the properties at their means, to 1e-6 K
TARIFF = Tariff(return_temperature_per_J_K=1.5e-10, visit_open_and_clean=900.0)


@dataclass(frozen=True, kw_only=True)
class Rig:
    """What passes through an exchanger, and how: the library's name and the register's record."""

    secondary: str = "IF97::Water"
    fluid: Fluid = field(default_factory=Fluid)
    passes: tuple[int, int] = (1, 1)
    UA_W_K: float = 40e3  # at the design flows
    wall_share: float = 0.12
    exponent: float = 0.7
    capacity_W_K: tuple[float, float] = (12e3, 16e3)


@dataclass(frozen=True, kw_only=True)
class Season:
    """A season of a rig: as registered, as logged, and the true UA."""

    exchanger: Exchanger
    logged: pd.DataFrame
    UA_W_K: pd.Series
    duty_W: pd.Series


def ask(name: str, quantity: str, t_degC: Array) -> Array:
    """Ask the property library."""
    return np.asarray(library.PropsSI(quantity, "T", t_degC + 273.15, "P", 6e5, name))


def table_of(name: str, low: float, high: float) -> PropertyTable:
    """Return a data sheet with a row each ten kelvin."""
    t = np.arange(low, high + 1.0, 10.0)
    return PropertyTable(
        temperature_degC=tuple(t), density_kg_m3=tuple(ask(name, "D", t)),
        heat_capacity_J_kgK=tuple(ask(name, "C", t)), viscosity_Pa_s=tuple(ask(name, "V", t)),
        conductivity_W_mK=tuple(ask(name, "L", t)), name="sheet.csv",
    )  # fmt: skip


def _effectiveness(NTU: Array, R: Array, passes: tuple[int, int]) -> Array:
    one = np.vectorize(
        lambda n, r: ht.temperature_effectiveness_plate(r, n, Np1=passes[0], Np2=passes[1])
    )
    return np.asarray(one(NTU, R))


def _film(name: str, t_degC: Array, n: float) -> Array:
    """k^(2/3) cp^(1/3) mu^(1/3 - n): what Nu ~ Re^n Pr^(1/3) leaves at one mass flow."""
    k, cp, mu = (ask(name, q, t_degC) for q in "LCV")
    return np.asarray(k ** (2 / 3) * cp ** (1 / 3) * mu ** (1 / 3 - n))


def season(
    rig: Rig, days: int = 100, deposit_share: float = 0.0, from_day: int = 60, seed: int = 1
) -> Season:
    """Run a rig; a deposit grows evenly from ``from_day`` to the end, to a share of UA at design."""
    rng = np.random.default_rng(seed)
    index = pd.date_range("2025-10-20", periods=days * 48, freq="30min", tz="UTC")
    hours = np.arange(len(index)) / 2.0
    load = 0.62 + 0.2 * np.sin(hours / 24 / 6.1) + 0.13 * np.sin(2 * np.pi * hours / 24)
    names = ("IF97::Water", rig.secondary)
    cp0 = [float(ask(n, "C", np.array([50.0]))[0]) for n in names]
    design = [C / cp for C, cp in zip(rig.capacity_W_K, cp0, strict=True)]
    slow = 0.06 * np.sin(hours / 24 / 3.3)
    flow = np.column_stack([design[0] * load, design[1] * (0.45 + 0.5 * load + slow)])
    hot, cold = 78.0 + 14.0 * load, 31.0 + 12.0 * load + 2.0 * np.sin(hours / 24 / 4.7)
    mean = [hot - 15.0, cold + 10.0]
    wall = rig.wall_share / rig.UA_W_K
    film = 2.0 * rig.UA_W_K / (1.0 - rig.wall_share)
    day = hours / 24
    grown = np.clip((day - from_day) / (days - from_day), 0.0, None)
    resistance = (1.0 / (1.0 - deposit_share) - 1.0) / rig.UA_W_K * grown
    level = [float(_film(n, np.array([50.0]), rig.exponent)[0]) for n in names]
    for _ in range(ROUNDS):
        films = [
            film * (flow[:, i] / design[i]) ** rig.exponent
            * _film(names[i], mean[i], rig.exponent) / level[i]
            for i in (0, 1)
        ]  # fmt: skip
        clean = 1.0 / films[0] + 1.0 / films[1] + wall
        C = [flow[:, i] * ask(names[i], "C", mean[i]) for i in (0, 1)]
        P = _effectiveness(1.0 / (clean + resistance) / C[0], C[0] / C[1], rig.passes)
        fall = P * (hot - cold)
        outlets = hot - fall, cold + fall * C[0] / C[1]
        mean = [(hot + outlets[0]) / 2, (cold + outlets[1]) / 2]
    t = np.column_stack([hot, outlets[0], outlets[1], cold])
    read = np.round((t + rng.normal(0.0, 0.05, t.shape)) / 0.1) * 0.1
    volume = [flow[:, i] / ask(names[i], "D", t[:, (1, 3)[i]]) for i in (0, 1)]
    logged = pd.DataFrame(
        read, index=index,
        columns=["primary_supply_temperature", "primary_return_temperature",
                 "secondary_supply_temperature", "secondary_return_temperature"],
    )  # fmt: skip
    for i, role in enumerate(("primary_flow", "secondary_flow")):
        logged[role] = volume[i] * (1.0 + rng.normal(0.0, 0.004, len(index)))
    exchanger = Exchanger(
        tag="HX", area_m2=8.0, plates=60, tariff=TARIFF,
        primary=Stream(passes=rig.passes[0], design_inlet_degC=92.0),
        secondary=Stream(passes=rig.passes[1], fluid=rig.fluid, design_inlet_degC=43.0),
    )  # fmt: skip
    return Season(
        exchanger=exchanger, logged=logged, UA_W_K=pd.Series(1.0 / clean, index=index),
        duty_W=pd.Series(C[0] * fall, index=index),
    )  # fmt: skip
