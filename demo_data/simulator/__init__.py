"""A simulator of plate heat exchangers in a heat network, independent of the analysis.

It shares no code with the packages that judge its output: it imports numpy, scipy, pandas and
CoolProp alone, and it is richer than they are (local films and properties along the plate, uneven
deposit, thermal and sensor lags, valve and building dynamics), so that agreement means something.

Use
---
``simulate(scenario, start, end)`` returns a :class:`Simulation` with ``logged`` and ``truth``; build
a :class:`Scenario` by hand, take one of the plant in ``demo_data.plant``, or draw one with
``random_scenario(rng, fault="deposit")``. ``at_design(scenario, when)`` tells what the plates would
do at the design state on that day.
"""

from demo_data.simulator.design_state import DesignState, at_design
from demo_data.simulator.events import (
    BlockedStrainer,
    BuildingFault,
    ClockOff,
    Hunting,
    LoadChange,
    MeterFault,
    NetworkLowered,
    ParallelFlow,
    PlatesChanged,
    PointsExchanged,
    SetbackChange,
    SetPointChange,
    Shutdown,
    StuckPoint,
    ThermometerFault,
)
from demo_data.simulator.fleet import FAULTS, random_scenario
from demo_data.simulator.run import Simulation, simulate
from demo_data.simulator.scenario import (
    ROLES,
    Cleaning,
    Deposit,
    Instruments,
    LoadModel,
    Logger,
    MeterError,
    PlantUnit,
    Scenario,
    ThermometerError,
    Weather,
)

__all__ = [
    "FAULTS",
    "ROLES",
    "BlockedStrainer",
    "BuildingFault",
    "Cleaning",
    "ClockOff",
    "Deposit",
    "DesignState",
    "Hunting",
    "Instruments",
    "LoadChange",
    "LoadModel",
    "Logger",
    "MeterError",
    "MeterFault",
    "NetworkLowered",
    "ParallelFlow",
    "PlantUnit",
    "PlatesChanged",
    "PointsExchanged",
    "Scenario",
    "SetPointChange",
    "SetbackChange",
    "Shutdown",
    "Simulation",
    "StuckPoint",
    "ThermometerError",
    "ThermometerFault",
    "Weather",
    "at_design",
    "random_scenario",
    "simulate",
]
