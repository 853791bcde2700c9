"""All parameters of one simulated exchanger: what it is, what it serves, what goes wrong with it.

Units end the names; SI and degC. Roles are the plain names of the logged columns.
"""

from dataclasses import dataclass, field
from datetime import datetime
from typing import Literal

from demo_data.simulator.events import Fault

PRIMARY_SUPPLY = "primary_supply_temperature"
PRIMARY_RETURN = "primary_return_temperature"
SECONDARY_SUPPLY = "secondary_supply_temperature"
SECONDARY_RETURN = "secondary_return_temperature"
TEMPERATURES = (PRIMARY_SUPPLY, PRIMARY_RETURN, SECONDARY_SUPPLY, SECONDARY_RETURN)
PRIMARY_FLOW = "primary_flow"
SECONDARY_FLOW = "secondary_flow"
ROLES = (
    *TEMPERATURES,
    PRIMARY_FLOW,
    SECONDARY_FLOW,
    "primary_pressure_drop",
    "secondary_pressure_drop",
    "heat_power",
    "heat_energy",
    "heat_volume",
    "outdoor_temperature",
    "secondary_supply_set_point",
    "valve_position",
    "pump_running",
)

Law = Literal["linear", "falling", "asymptotic", "step", "stops"]


@dataclass(frozen=True, kw_only=True)
class Liquid:
    """Water, or a mixture of it with ethylene (MEG) or propylene glycol (MPG), by mass fraction."""

    kind: Literal["water", "MEG", "MPG"] = "water"
    fraction: float = 0.0


@dataclass(frozen=True, kw_only=True)
class PlantUnit:
    """One plate exchanger with network water on its primary side and its control valve.

    The film constants follow from the design: at the design state the clean UA is
    ``1 + oversizing`` times what the design duty needs, and the films stand as ``film_ratio``.
    """

    tag: str
    design_duty_W: float
    design_primary_degC: tuple[float, float]  # inlet, outlet
    design_secondary_degC: tuple[float, float]  # inlet, outlet
    plates: int
    area_m2: float  # all plates together
    oversizing: float = 0.10
    film_ratio: float = 1.05  # primary over secondary film coefficient at the design state
    primary_exponent: float = 0.68  # of the flow in the film coefficient
    secondary_exponent: float = 0.70
    wall_resistance_m2K_W: float = 0.5e-3 / 15.0
    heat_loss_W_K: float = 4.0  # of the jacket, to the room
    plate_lag_s: float = 45.0  # of plates and water content at design flow
    primary_flow_most: float = 1.25  # valve wide open, times the design flow
    primary_pressure_drop_Pa: float = 15e3  # at design flow, clean
    secondary_pressure_drop_Pa: float = 22e3
    valve_leakage: float = 0.0  # share of the largest flow when shut
    secondary_fluid: Liquid = Liquid()
    secondary_passes: int = 1  # or 2, against one of the primary stream
    cells: int = 24
    constant_properties: bool = False  # for comparison with closed formulae only


@dataclass(frozen=True, kw_only=True)
class Weather:
    """An invented place, and how the network follows its weather."""

    seed: int = 1
    annual_mean_degC: float = 8.5
    annual_swing_K: float = 10.5
    daily_swing_K: float = 3.5
    synoptic_K: float = 4.0  # standard deviation of the passing of fronts
    network_mild_degC: float = 76.0  # primary supply at +15 degC outdoors
    network_cold_degC: float = 100.0  # at -12 degC outdoors
    network_noise_K: float = 0.9


@dataclass(frozen=True, kw_only=True)
class LoadModel:
    """What the building asks for."""

    share_at_design: float = 0.88  # of the design duty, at -12 degC outdoors
    balance_degC: float = 17.0  # outdoor temperature from which no heat is needed
    set_point_mild_degC: float = 40.0  # secondary supply at +15 degC outdoors
    set_point_cold_degC: float = 64.0  # at -12 degC
    thermostatic: bool = True  # building flow follows the need; else constant
    constant_flow_share: float = 0.9  # of the design flow, where not thermostatic
    secondary_flow_most: float = 1.25  # times the design flow
    night_setback_K: float = 6.0
    night_need_share: float = 0.78
    boost_share: float = 0.20  # on top, in the first hours of the morning
    boost_K: float = 3.0
    night_hours: tuple[float, float] = (22.0, 5.5)
    weekend_setback: bool = False
    solar_share: float = 0.07
    noise_share: float = 0.04
    summer_limit_degC: float = 15.0  # three-day mean above which heating is off
    hot_water_draws_per_day: float = 0.0
    hot_water_share: float = 0.22  # of the design duty, while the store is charged
    hot_water_supply_degC: float = 60.0
    hot_water_return_degC: float = 42.0
    service: Literal["heating", "hot water"] = "heating"  # "hot water": nothing else, all year
    draw_share: float = 0.30  # of the design flow, mean of the day; hot-water service alone
    draw_unrest: float = 0.35  # standard deviation of ln(draw), from minute to minute
    circulation_share: float = 0.15  # of the design flow
    circulation_loss_K: float = 4.0
    make_up_degC: float = 10.0  # cold water, mean of the year


@dataclass(frozen=True, kw_only=True)
class ThermometerError:
    """How one thermometer reads: constant offset, slow wander, lag, noise, resolution."""

    offset_K: float = 0.0
    wander_K: float = 0.05  # standard deviation, correlated over about 20 days
    lag_s: float = 90.0
    noise_K: float = 0.05
    step_K: float = 0.1  # resolution


@dataclass(frozen=True, kw_only=True)
class MeterError:
    """How one flow meter reads: gain, curve at low flow, wander, cut-off, resolution."""

    gain: float = 0.0  # 0.01: reads 1 % too much
    curve: float = 0.0  # error in addition, for each factor e below the design flow
    wander: float = 0.003
    noise: float = 0.004
    cut_off: float = 0.015  # of the design flow; below, it shows zero
    step_m3_s: float = 0.01 / 3600.0
    pipe: Literal["supply", "return"] = "return"


@dataclass(frozen=True, kw_only=True)
class Logger:
    """What is logged, how often, and what goes missing."""

    roles: tuple[str, ...]
    interval_minutes: int = 15
    gaps_per_year: float = 5.0  # the whole logger down, hours to a few days
    stuck_per_year: float = 0.5  # one point repeats a value for hours to days
    spikes_per_year: float = 6.0  # single readings off by tens of kelvin
    sentinels_per_year: float = 4.0  # single readings no plant can have
    energy_step_J: float = 3.6e7  # 0.01 MWh
    volume_step_m3: float = 0.1
    register_minutes: int | None = None  # the heat meter's points are read this often; None: as all
    increments: dict[str, float] = field(default_factory=dict)  # by role: logged on change only
    heartbeat_minutes: int = 240  # such a point is written at least this often


@dataclass(frozen=True, kw_only=True)
class Instruments:
    """The errors by role; a role left out reads with the defaults.

    ``controller_reads_supply``: the secondary supply that is logged is the controller's own, which then
    holds the reading at the set point, error and all; else the controller has one of its own that is right.
    """

    thermometers: dict[str, ThermometerError] = field(default_factory=dict)
    meters: dict[str, MeterError] = field(default_factory=dict)
    controller_reads_supply: bool = False


@dataclass(frozen=True, kw_only=True)
class Deposit:
    """Growth of a deposit: the fouling resistance reaches that of ``share_lost`` on ``reached``.

    ``share_lost`` is the share of the clean UA lost at the design state. ``time_constant_days``
    is that of the asymptotic law (Kern and Seaton), ``power`` the exponent of the falling one.
    ``unevenness`` tilts the deposit along the plate: 0 even, 1 none at the cold end. The law
    "stops" is linear until ``reached`` and level from then on. The law's clock may run unevenly:
    ``per_kelvin`` is the relative rate for each kelvin of the network's supply above 85 degC
    (scaling is faster on hot plates), ``seasonal`` the swing of the rate over the year, fastest in
    midwinter; ``reached`` holds by that clock.
    """

    law: Law
    start: datetime
    reached: datetime
    share_lost: float
    time_constant_days: float = 80.0
    power: float = 0.5
    unevenness: float = 0.6
    per_kelvin: float = 0.0
    seasonal: float = 0.0


@dataclass(frozen=True, kw_only=True)
class Cleaning:
    """A cleaning visit and the share of the deposit it removed."""

    at: datetime
    share_recovered: float = 0.9


@dataclass(frozen=True, kw_only=True)
class Scenario:
    """One exchanger with all that happens to it."""

    unit: PlantUnit
    load: LoadModel
    weather: Weather
    instruments: Instruments
    logger: Logger
    seed: int
    deposit: Deposit | None = None
    cleanings: tuple[Cleaning, ...] = ()
    faults: tuple[Fault, ...] = ()
    time_zone: str = "CET"  # of the building's clock
    step_minutes: int = 5  # of the simulation; the logging interval is a multiple of it

    def __post_init__(self) -> None:
        if self.logger.interval_minutes % self.step_minutes:
            raise ValueError(
                f"{self.unit.tag}: interval_minutes must be a multiple of {self.step_minutes}, "
                f"got {self.logger.interval_minutes}."
            )
        unknown = [r for r in self.logger.roles if r not in ROLES]
        if unknown:
            raise ValueError(f"{self.unit.tag}: {unknown[0]!r} is no role that can be logged.")
