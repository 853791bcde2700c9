"""What the plates would do at the design state on a given day."""

from dataclasses import dataclass
from datetime import datetime

import numpy as np
import pandas as pd

from demo_data.simulator.deposit import fouling_resistance
from demo_data.simulator.plate import (
    deposit_profile,
    design_flows,
    design_inlets,
    films_of,
    outlets,
)
from demo_data.simulator.scenario import PlatesChanged, Scenario


@dataclass(frozen=True, kw_only=True)
class DesignState:
    """At design inlets and flows, with the plates fitted that day: as they are, and clean."""

    plates: int
    UA_W_K: float
    UA_clean_W_K: float
    approach_K: float  # primary outlet minus secondary inlet
    approach_clean_K: float
    duty_W: float
    duty_clean_W: float
    fouling_resistance_m2K_W: float

    @property
    def share_lost(self) -> float:
        """Return the share of the clean UA that the deposit takes."""
        return 1.0 - self.UA_W_K / self.UA_clean_W_K


def at_design(scenario: Scenario, when: datetime) -> DesignState:
    """Return the state at the design inlets and flows on the plates of that moment."""
    unit = scenario.unit
    films = films_of(unit)
    index = pd.DatetimeIndex([pd.Timestamp(when)]).tz_convert("UTC")
    deposit = float(fouling_resistance(unit, films, scenario.deposit, scenario.cleanings, index)[0])
    plates = unit.plates
    for fault in scenario.faults:
        if isinstance(fault, PlatesChanged) and index[0] >= pd.Timestamp(fault.at):
            plates = fault.plates_after
    unevenness = 0.0 if scenario.deposit is None else scenario.deposit.unevenness
    inlets = design_inlets(unit, np.array([deposit, 0.0]), plates)
    found = outlets(
        films,
        deposit_profile(unit.cells, unevenness),
        inlets,
        np.full(2, design_flows(unit)[0]),
    )
    approach = found.primary_degC - inlets.secondary_degC
    return DesignState(
        plates=plates,
        UA_W_K=float(found.UA_W_K[0]),
        UA_clean_W_K=float(found.UA_W_K[1]),
        approach_K=float(approach[0]),
        approach_clean_K=float(approach[1]),
        duty_W=float(found.duty_W[0]),
        duty_clean_W=float(found.duty_W[1]),
        fouling_resistance_m2K_W=deposit,
    )
