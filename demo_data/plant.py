"""The ten exchangers of the demonstration plant, and what is wrong with each.

The place, the buildings and all that happens are invented. What the register says of each exchanger
beside its design stands here too, so that files, register and maintenance log agree.
"""

from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime

import numpy as np

from demo_data.simulator import (
    BuildingFault,
    Cleaning,
    Deposit,
    Instruments,
    LoadChange,
    LoadModel,
    Logger,
    PlantUnit,
    PlatesChanged,
    Scenario,
    ThermometerFault,
    Weather,
)
from demo_data.simulator.fleet import draw_instruments
from demo_data.simulator.scenario import TEMPERATURES

# From a Monday to a Sunday, local midnights.
START = datetime(2025, 9, 7, 22, tzinfo=UTC)
END = datetime(2026, 11, 22, 23, tzinfo=UTC)
WEATHER = Weather(seed=20250908)


@dataclass(frozen=True, kw_only=True)
class Visit:
    """A line of the maintenance log."""

    on: date
    deed: str
    role: str = ""
    plates_after: str = ""
    note: str = ""


@dataclass(frozen=True, kw_only=True)
class DemoExchanger:
    """A scenario, what the register says beside it, and what it hides."""

    scenario: Scenario
    building: str
    room: str
    plates_most: int
    hides: str
    clean: tuple[date, date] | None
    approach_limit_K: float | None = None
    secondary_tolerance_K: float | None = 1.0
    visits: tuple[Visit, ...] = field(default_factory=tuple)

    @property
    def tag(self) -> str:
        """Return the tag."""
        return self.scenario.unit.tag


_CONTEXT = ("outdoor_temperature", "secondary_supply_set_point", "valve_position", "pump_running")


def _instruments(number: int, **offsets_K: float) -> Instruments:
    """Ordinary instruments; ``offsets_K`` replaces the drawn offset of a thermometer."""
    drawn = draw_instruments(np.random.default_rng((WEATHER.seed, number)))
    changed = {r: replace(drawn.thermometers[r], offset_K=k) for r, k in offsets_K.items()}
    return replace(drawn, thermometers={**drawn.thermometers, **changed})


def _logger(*roles: str, minutes: int = 15) -> Logger:
    return Logger(roles=(*TEMPERATURES, *roles), interval_minutes=minutes)


def _utc(year: int, month: int, day: int, hour: int = 0) -> datetime:
    return datetime(year, month, day, hour, tzinfo=UTC)


EXCHANGERS: tuple[DemoExchanger, ...] = (
    DemoExchanger(
        building="Mill block",
        room="Cellar, plant room 1",
        plates_most=90,
        hides="nothing: clean plates, ordinary instruments",
        clean=(date(2025, 9, 15), date(2025, 11, 30)),
        approach_limit_K=8.0,
        visits=(Visit(on=date(2026, 6, 9), deed="strainer rinsed", note="yearly service"),),
        scenario=Scenario(
            seed=101,
            weather=WEATHER,
            unit=PlantUnit(
                tag="HX-01",
                design_duty_W=600e3,
                design_primary_degC=(95.0, 49.0),
                design_secondary_degC=(45.0, 65.0),
                plates=62,
                area_m2=10.9,
            ),
            load=LoadModel(share_at_design=0.86, set_point_cold_degC=65.0),
            instruments=_instruments(1),
            logger=_logger("primary_flow", "secondary_flow", "secondary_pressure_drop", *_CONTEXT),
        ),
    ),
    DemoExchanger(
        building="School",
        room="Boiler house, ground floor",
        plates_most=150,
        hides="a deposit that grows steadily since October 2025",
        clean=(date(2025, 9, 8), date(2025, 10, 15)),
        approach_limit_K=7.0,
        visits=(Visit(on=date(2025, 8, 20), deed="opened and cleaned", note="before the season"),),
        scenario=Scenario(
            seed=102,
            weather=WEATHER,
            unit=PlantUnit(
                tag="HX-02",
                design_duty_W=1500e3,
                design_primary_degC=(95.0, 50.0),
                design_secondary_degC=(45.0, 70.0),
                plates=134,
                area_m2=27.4,
                oversizing=0.08,
            ),
            load=LoadModel(
                share_at_design=0.95,
                set_point_cold_degC=70.0,
                set_point_mild_degC=52.0,
                thermostatic=False,
                constant_flow_share=0.95,
                night_setback_K=2.0,
                night_need_share=0.9,
                boost_K=1.0,
            ),
            instruments=_instruments(2, secondary_return_temperature=0.25),
            logger=_logger("primary_flow", "secondary_flow", "secondary_pressure_drop", *_CONTEXT),
            deposit=Deposit(
                law="linear",
                start=_utc(2025, 10, 16),
                reached=_utc(2026, 11, 22),
                share_lost=0.26,
            ),
        ),
    ),
    DemoExchanger(
        building="Clinic",
        room="Basement, east",
        plates_most=110,
        hides="a deposit from October 2025 on, cleaned on 7 October 2026",
        clean=(date(2025, 9, 8), date(2025, 10, 5)),
        visits=(
            Visit(
                on=date(2025, 8, 27), deed="opened and cleaned", note="new gaskets on the hot side"
            ),
            Visit(
                on=date(2026, 10, 7),
                deed="opened and cleaned",
                note="brown film on the building side, thickest near the ports",
            ),
        ),
        scenario=Scenario(
            seed=103,
            weather=WEATHER,
            step_minutes=15,  # runs day and night alike: nothing fast to resolve
            unit=PlantUnit(
                tag="HX-03",
                design_duty_W=900e3,
                design_primary_degC=(96.0, 46.0),
                design_secondary_degC=(42.0, 64.0),
                plates=84,
                area_m2=15.0,
            ),
            load=LoadModel(
                share_at_design=0.9,
                set_point_mild_degC=42.0,
                night_setback_K=0.0,
                night_need_share=0.95,
                boost_share=0.0,
                boost_K=0.0,
                summer_limit_degC=16.5,
            ),
            instruments=_instruments(3, primary_supply_temperature=-0.3),
            logger=_logger("primary_flow", "secondary_flow", *_CONTEXT),
            deposit=Deposit(
                law="linear",
                start=_utc(2025, 10, 6),
                reached=_utc(2026, 10, 7, 8),
                share_lost=0.24,
                unevenness=0.8,
            ),
            cleanings=(Cleaning(at=_utc(2026, 10, 7, 8), share_recovered=0.95),),
        ),
    ),
    DemoExchanger(
        building="Harbour offices",
        room="Level -1",
        plates_most=60,
        hides="the secondary supply thermometer drifts by 1.3 K, 5 January to 20 April 2026",
        clean=(date(2025, 9, 15), date(2025, 12, 15)),
        approach_limit_K=8.0,
        scenario=Scenario(
            seed=104,
            weather=WEATHER,
            unit=PlantUnit(
                tag="HX-04",
                design_duty_W=350e3,
                design_primary_degC=(92.0, 44.5),
                design_secondary_degC=(40.0, 60.0),
                plates=40,
                area_m2=6.6,
            ),
            load=LoadModel(share_at_design=0.85, set_point_cold_degC=60.0, weekend_setback=True),
            instruments=_instruments(4),
            logger=_logger("primary_flow", "secondary_flow", *_CONTEXT[:3]),
            faults=(
                ThermometerFault(
                    role="secondary_supply_temperature",
                    start=_utc(2026, 1, 5),
                    full=_utc(2026, 4, 20),
                    error_K=1.3,
                ),
            ),
        ),
    ),
    DemoExchanger(
        building="Library",
        room="Plant room under the stairs",
        plates_most=70,
        hides="a by-pass in the building stands open since 2 February 2026",
        clean=(date(2025, 9, 15), date(2025, 12, 31)),
        visits=(
            Visit(
                on=date(2026, 2, 2), deed="other", note="two radiator circuits drained and refilled"
            ),
        ),
        scenario=Scenario(
            seed=105,
            weather=WEATHER,
            unit=PlantUnit(
                tag="HX-05",
                design_duty_W=450e3,
                design_primary_degC=(95.0, 44.0),
                design_secondary_degC=(40.0, 62.0),
                plates=48,
                area_m2=7.8,
            ),
            load=LoadModel(share_at_design=0.78, set_point_cold_degC=62.0),
            instruments=_instruments(5),
            logger=_logger("primary_flow", "secondary_flow", *_CONTEXT[:3]),
            faults=(BuildingFault(start=_utc(2026, 2, 2, 9), bypass_share=0.5),),
        ),
    ),
    DemoExchanger(
        building="Weaver's yard",
        room="Court building, cellar",
        plates_most=96,
        hides="20 plates added on 14 July 2026; the house grows by 15 % in September 2026",
        clean=(date(2025, 9, 15), date(2025, 12, 15)),
        visits=(
            Visit(
                on=date(2026, 7, 14),
                deed="plates changed",
                plates_after="76",
                note="20 plates added for the new wing",
            ),
        ),
        scenario=Scenario(
            seed=106,
            weather=WEATHER,
            unit=PlantUnit(
                tag="HX-06",
                design_duty_W=500e3,
                design_primary_degC=(98.0, 49.0),
                design_secondary_degC=(45.0, 65.0),
                plates=56,
                area_m2=8.9,
            ),
            load=LoadModel(share_at_design=0.9, hot_water_draws_per_day=7.0),
            instruments=_instruments(6),
            logger=_logger("primary_flow", "secondary_flow", *_CONTEXT),
            faults=(
                PlatesChanged(at=_utc(2026, 7, 14, 9), plates_after=76),
                LoadChange(start=_utc(2026, 9, 1), factor=1.15),
            ),
        ),
    ),
    DemoExchanger(
        building="Sports hall",
        room="Roof, plant room 2",
        plates_most=100,
        hides="a deposit that slows down (asymptotic), mild; no secondary flow meter",
        clean=(date(2025, 9, 15), date(2025, 11, 15)),
        visits=(Visit(on=date(2026, 6, 10), deed="strainer rinsed"),),
        scenario=Scenario(
            seed=107,
            weather=WEATHER,
            unit=PlantUnit(
                tag="HX-07",
                design_duty_W=800e3,
                design_primary_degC=(95.0, 47.0),
                design_secondary_degC=(43.0, 63.0),
                plates=78,
                area_m2=14.2,
            ),
            load=LoadModel(share_at_design=0.84, set_point_cold_degC=63.0),
            instruments=_instruments(7),
            logger=_logger("primary_flow", "heat_energy", "heat_volume", *_CONTEXT[:3], minutes=10),
            deposit=Deposit(
                law="asymptotic",
                start=_utc(2025, 11, 20),
                reached=_utc(2026, 11, 22),
                share_lost=0.11,
                time_constant_days=150.0,
            ),
        ),
    ),
    DemoExchanger(
        building="Gate house",
        room="Ground floor",
        plates_most=44,
        hides="nothing: clean plates; four temperatures and no meter",
        clean=None,
        secondary_tolerance_K=None,
        scenario=Scenario(
            seed=108,
            weather=WEATHER,
            unit=PlantUnit(
                tag="HX-08",
                design_duty_W=150e3,
                design_primary_degC=(90.0, 44.0),
                design_secondary_degC=(40.0, 60.0),
                plates=30,
                area_m2=2.9,
            ),
            load=LoadModel(
                share_at_design=0.85, set_point_cold_degC=60.0, hot_water_draws_per_day=6.0
            ),
            instruments=_instruments(8),
            logger=_logger("outdoor_temperature"),
        ),
    ),
    DemoExchanger(
        building="Print works",
        room="Hall 3",
        plates_most=60,
        hides="thermometers that disagree by 2 K across the sides, so that the streams seem to cross",
        clean=(date(2025, 9, 15), date(2025, 12, 15)),
        secondary_tolerance_K=2.0,
        visits=(Visit(on=date(2026, 8, 18), deed="other", note="controller replaced"),),
        scenario=Scenario(
            seed=109,
            weather=WEATHER,
            unit=PlantUnit(
                tag="HX-09",
                design_duty_W=300e3,
                design_primary_degC=(95.0, 47.0),
                design_secondary_degC=(43.0, 63.0),
                plates=36,
                area_m2=5.2,
            ),
            load=LoadModel(share_at_design=0.8, set_point_cold_degC=63.0),
            instruments=_instruments(
                9,
                primary_supply_temperature=-0.3,
                primary_return_temperature=-0.6,
                secondary_supply_temperature=1.2,
                secondary_return_temperature=1.4,
            ),
            logger=_logger("heat_power", "outdoor_temperature", "valve_position"),
        ),
    ),
    DemoExchanger(
        building="Market hall",
        room="North annex",
        plates_most=80,
        hides="nothing on the plates: too few of them for cold days, the set point is missed",
        clean=(date(2025, 9, 15), date(2025, 12, 15)),
        scenario=Scenario(
            seed=110,
            weather=WEATHER,
            unit=PlantUnit(
                tag="HX-10",
                design_duty_W=250e3,
                design_primary_degC=(95.0, 46.0),
                design_secondary_degC=(41.0, 62.0),
                plates=34,
                area_m2=3.9,
                oversizing=0.05,
                primary_flow_most=1.06,
            ),
            load=LoadModel(
                share_at_design=1.85,
                set_point_mild_degC=44.0,
                set_point_cold_degC=65.0,
                secondary_flow_most=1.45,
                night_setback_K=3.0,
                night_need_share=0.88,
            ),
            instruments=_instruments(10),
            logger=_logger("primary_flow", "secondary_flow", *_CONTEXT[:3]),
        ),
    ),
)
