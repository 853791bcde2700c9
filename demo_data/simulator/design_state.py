"""What the plates would do at the design state on a given day."""

from dataclasses import dataclass
from datetime import datetime

import numpy as np
import pandas as pd

from demo_data.simulator.cells import deposit_profile
from demo_data.simulator.deposit import fouling_resistance
from demo_data.simulator.events import PlatesChanged
from demo_data.simulator.plate import design_flows, design_inlets, films_of, outlets
from demo_data.simulator.scenario import Scenario


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
    index = pd.DatetimeIndex([pd.Timestamp(when)]).tz_convert("UTC")
    row = {str(k): v for k, v in design_states(scenario, index).iloc[0].items()}
    return DesignState(**{**row, "plates": int(row["plates"])})


def design_states(scenario: Scenario, index: pd.DatetimeIndex) -> pd.DataFrame:
    """Return :func:`at_design` for many moments (UTC): a row each, the fields as columns."""
    unit = scenario.unit
    films = films_of(unit)
    deposit = fouling_resistance(scenario, films, index)
    plates = np.full(len(index), unit.plates)
    for fault in scenario.faults:
        if isinstance(fault, PlatesChanged):
            plates[index >= pd.Timestamp(fault.at)] = fault.plates_after
    unevenness = 0.0 if scenario.deposit is None else scenario.deposit.unevenness
    profile = deposit_profile(unit.cells, unevenness)
    columns: dict[str, np.ndarray] = {"plates": plates}
    for ending, resistance in (("", deposit), ("_clean", np.zeros(len(index)))):
        inlets = design_inlets(unit, resistance, plates)
        found = outlets(films, profile, inlets, np.full(len(index), design_flows(unit)[0]))
        columns[f"UA{ending}_W_K"] = found.UA_W_K
        columns[f"approach{ending}_K"] = found.primary_degC - inlets.secondary_degC
        columns[f"duty{ending}_W"] = found.duty_W
    columns["fouling_resistance_m2K_W"] = deposit
    return pd.DataFrame(columns, index=index)
