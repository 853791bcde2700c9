"""A wide blind fleet: exchanger-years of many kinds, drawn by (set, group, number).

Lives here: what plant is drawn, how it is instrumented and logged. Not here: what is hidden in it
(``wide_kinds.py``). Sets have seed sequences of their own, so that no case of one can turn up in
another: ``tuning`` to look at, those for judging to be opened once (all six have been, and are looked at).
"""

from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from typing import Literal

import numpy as np

from demo_data.simulator.fleet import draw_instruments, draw_load, draw_unit
from demo_data.simulator.hot_water import draw_hot_water_load, draw_hot_water_unit
from demo_data.simulator.plate import needed_UA_W_K
from demo_data.simulator.scenario import (
    PRIMARY_FLOW,
    SECONDARY_FLOW,
    TEMPERATURES,
    Liquid,
    LoadModel,
    Logger,
    PlantUnit,
    Scenario,
    Weather,
)
from demo_data.simulator.wide_kinds import CLEAN_KINDS, FAULTY_KINDS, Hidden, Slot, hide

SETS = {
    "tuning": 0x7475_6E65, "judging": 0x6A75_6467, "judging-b": 0x6A75_6468,
    "judging-c": 0x6A75_6469, "judging-d": 0x6A75_646A, "judging-e": 0x6A75_646B, "judging-f": 0x6A75_646C, "testing": 0x7465_7374,
}  # fmt: skip
GROUPS = ("clean", "faulty")
_CONTEXT = ("outdoor_temperature", "secondary_supply_set_point", "valve_position")
_METERED = ("heat_energy", "heat_volume")
INSTRUMENTATIONS: dict[str, tuple[float, tuple[str, ...]]] = {
    "both flows": (0.40, (PRIMARY_FLOW, SECONDARY_FLOW)),
    "primary flow": (0.20, (PRIMARY_FLOW,)),
    "secondary flow": (0.10, (SECONDARY_FLOW,)),
    "meter power": (0.10, ("heat_power",)),
    "registers": (0.12, _METERED),
    "four temperatures": (0.08, ()),
}
LOGGINGS: dict[str, float] = {"15 min": 0.55, "5 min": 0.10, "hourly": 0.15, "on change": 0.20}
SERVICES: dict[str, float] = {"space heating": 0.65, "mixed": 0.20, "hot water": 0.15}
_MINUTES = {"15 min": 15, "5 min": 5, "hourly": 60, "on change": 5}
HEATING = ((9, 20), (5, 5))  # month and day between which a heating exchanger has work to do


@dataclass(frozen=True, kw_only=True)
class Case:
    """One exchanger-year: the scenario, and what its owner would say of it."""

    name: str
    kind: str
    scenario: Scenario
    start: datetime
    end: datetime
    hidden: Hidden
    instrumentation: str
    logging: str
    service: Literal["space heating", "mixed", "hot water"]
    fluid: str
    passes: str


def draw_case(of_set: str, group: str, number: int) -> Case:
    """Draw the case ``number`` of a group of a set; the same every time.

    Raises
    ------
    KeyError
        If there is no such set.
    ValueError
        If there is no such group.
    """
    rng = np.random.default_rng((SETS[of_set], GROUPS.index(group), number))
    kinds = CLEAN_KINDS if group == "clean" else FAULTY_KINDS
    kind = kinds[number % len(kinds)]
    seed = int(rng.integers(2**31))
    service = _service(rng, kind)
    unit, load, weather = _plant(rng, service, seed)
    instrumentation = _chosen(rng, {k: w for k, (w, _) in INSTRUMENTATIONS.items()})
    instrumentation = _able(instrumentation, kind)
    logging = _chosen(rng, LOGGINGS)
    logger = _logger(rng, unit, INSTRUMENTATIONS[instrumentation][1], logging)
    scenario = Scenario(
        unit=unit,
        load=load,
        weather=weather,
        instruments=replace(draw_instruments(rng), controller_reads_supply=_reads_supply(seed)),
        logger=logger,
        seed=seed,
        step_minutes=min(15, _MINUTES[logging]),
    )
    start = datetime(2025, 9, 1, tzinfo=UTC) + timedelta(days=float(rng.integers(-10, 60)))
    end = start + timedelta(days=365)
    slot = _slot(rng, start, end, service)
    scenario, hidden = hide(rng, kind, scenario, slot)
    return Case(
        name=f"{of_set}-{group}-{number:04d}",
        kind=kind,
        scenario=scenario,
        start=start,
        end=end,
        hidden=hidden,
        instrumentation=instrumentation,
        logging=logging,
        service=service,
        fluid=unit.secondary_fluid.kind,
        passes="two" if unit.secondary_passes == 2 else "one",
    )


def _reads_supply(seed: int) -> bool:
    """Draw whether the controller reads the thermometer that is logged: half of them do (judgement)."""
    return bool(np.random.default_rng((seed, 61)).random() < 0.5)


def _chosen(rng: np.random.Generator, weights: dict[str, float]) -> str:
    total = sum(weights.values())
    return str(rng.choice(list(weights), p=[w / total for w in weights.values()]))


def _service(rng: np.random.Generator, kind: str) -> Literal["space heating", "mixed", "hot water"]:
    found = _chosen(rng, SERVICES)
    heating_only = ("building side", "load growth", "set back", "summer", "too few", "network")
    if found == "hot water" and not any(word in kind for word in heating_only):
        return "hot water"
    return "mixed" if found == "mixed" else "space heating"


def _able(instrumentation: str, kind: str) -> str:
    """Return an instrumentation that has the instrument at fault."""
    if kind.startswith(PRIMARY_FLOW):
        return "both flows" if "primary" not in instrumentation else instrumentation
    if kind.startswith(SECONDARY_FLOW):
        return "both flows" if "secondary" not in instrumentation else instrumentation
    return instrumentation


def _plant(
    rng: np.random.Generator, service: str, seed: int
) -> tuple[PlantUnit, LoadModel, Weather]:
    if service == "hot water":
        unit = draw_hot_water_unit(rng)
        mild = unit.design_primary_degC[0] + float(rng.uniform(0.0, 3.0))
        weather = Weather(
            seed=seed, network_mild_degC=mild, network_cold_degC=float(rng.uniform(88.0, 102.0))
        )
        return unit, draw_hot_water_load(rng, unit), weather
    unit = draw_unit(rng)
    load = draw_load(rng, unit)
    draws = float(rng.uniform(5.0, 14.0)) if service == "mixed" else 0.0
    load = replace(load, hot_water_draws_per_day=draws)
    weather = Weather(
        seed=seed,
        network_mild_degC=float(rng.uniform(70.0, 80.0)),
        network_cold_degC=unit.design_primary_degC[0] + float(rng.uniform(0.0, 3.0)),
    )
    if service == "space heating" and rng.random() < 0.18:
        kind: Literal["MEG", "MPG"] = "MEG" if rng.random() < 0.5 else "MPG"
        fluid = Liquid(kind=kind, fraction=float(np.round(rng.uniform(0.2, 0.4), 2)))
        unit = replace(unit, secondary_fluid=fluid)
    elif service == "space heating" and rng.random() < 0.12:
        # two passes cannot bring the streams as close together
        hot_in, _ = unit.design_primary_degC
        supply = unit.design_secondary_degC[1]
        single = needed_UA_W_K(unit)
        unit = replace(
            unit,
            secondary_passes=2,
            design_primary_degC=(hot_in, supply + float(rng.uniform(1.0, 5.0))),
        )
        smaller = needed_UA_W_K(unit) / single
        plates = max(2 * round(unit.plates * smaller / 2), 20)
        unit = replace(unit, area_m2=unit.area_m2 * smaller, plates=plates)
    return unit, load, weather


def _logger(
    rng: np.random.Generator, unit: PlantUnit, meters: tuple[str, ...], logging: str
) -> Logger:
    roles = (*TEMPERATURES, *meters, *_CONTEXT)
    if rng.random() < 0.4:
        roles = (*roles, "primary_pressure_drop", "secondary_pressure_drop")
    fine = rng.random() < 0.5
    increments: dict[str, float] = {}
    if logging == "on change":
        increments = {role: float(rng.choice([0.1, 0.2, 0.5])) for role in TEMPERATURES}
        flow = unit.design_duty_W / 4.1e6 / 40.0
        for role in (PRIMARY_FLOW, SECONDARY_FLOW):
            increments[role] = flow * float(rng.choice([0.005, 0.02]))
        increments |= {"heat_power": unit.design_duty_W * 0.01, "valve_position": 0.02}
    return Logger(
        roles=roles,
        interval_minutes=_MINUTES[logging],
        increments=increments,
        energy_step_J=3.6e6 if fine else 3.6e7 if unit.design_duty_W < 4e5 else 3.6e8,
        volume_step_m3=0.001 if fine else 0.01 if rng.random() < 0.5 else 0.1,
        register_minutes=60 if "heat_energy" in meters else None,
    )


def _in_season(day: datetime, service: str) -> bool:
    at = (day.month, day.day)
    return service == "hot water" or at >= HEATING[0] or at <= HEATING[1]


def _slot(rng: np.random.Generator, start: datetime, end: datetime, service: str) -> Slot:
    """Draw when something begins: 60 working days before it and 60 after, so that it can be told."""
    days = [start + timedelta(days=i) for i in range((end - start).days)]
    works = np.array([_in_season(day, service) for day in days])
    before = np.cumsum(works)
    fit = np.flatnonzero(works & (before >= 60) & (before[-1] - before >= 60))
    first = int(rng.choice(fit))
    hour = timedelta(hours=float(rng.uniform(6.0, 18.0)))
    working = tuple(
        d + hour for d, on in zip(days[first + 1 :], works[first + 1 :], strict=True) if on
    )
    return Slot(start=start, end=end, begins=days[first] + hour, working=working)
