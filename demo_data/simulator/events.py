"""What goes wrong with a simulated exchanger, or merely changes, from a date on.

Units end the names; SI and degC. Each event is composable: a scenario takes any number of them.
"""

from dataclasses import dataclass
from datetime import datetime
from typing import Literal


@dataclass(frozen=True, kw_only=True)
class ThermometerFault:
    """An additional error of one thermometer: a step, or a drift that ends at ``full``."""

    role: str
    start: datetime
    error_K: float
    full: datetime | None = None  # None: a step


@dataclass(frozen=True, kw_only=True)
class MeterFault:
    """An additional gain error of one flow meter: a step, or a drift that ends at ``full``."""

    role: str
    start: datetime
    gain: float
    full: datetime | None = None


@dataclass(frozen=True, kw_only=True)
class BuildingFault:
    """Supply water that comes straight back from a date on: by-pass open, balancing lost."""

    start: datetime
    bypass_share: float  # of the building's flow, added to it


@dataclass(frozen=True, kw_only=True)
class PlatesChanged:
    """Plates added or taken out."""

    at: datetime
    plates_after: int


@dataclass(frozen=True, kw_only=True)
class Hunting:
    """A valve that oscillates: amplitude of ln(flow), period."""

    start: datetime
    amplitude: float = 0.3
    period_minutes: float = 17.0
    unsteadiness: float = 0.05  # of the period; nought keeps it in step with the logger


@dataclass(frozen=True, kw_only=True)
class LoadChange:
    """The building extended from a date on, or growing until ``full``: need, radiators and flow alike."""

    start: datetime
    factor: float
    full: datetime | None = None


@dataclass(frozen=True, kw_only=True)
class SetPointChange:
    """The secondary supply set point shifted from a date on."""

    start: datetime
    shift_K: float


@dataclass(frozen=True, kw_only=True)
class ParallelFlow:
    """Pipes connected the wrong way round: both streams run the same way from a date on."""

    start: datetime


@dataclass(frozen=True, kw_only=True)
class BlockedStrainer:
    """A strainer before the exchanger that clogs until ``full``."""

    start: datetime
    full: datetime
    pressure_factor: float = 3.0  # of the pressure drop at the same flow
    side: Literal["primary", "secondary"] = "primary"


@dataclass(frozen=True, kw_only=True)
class NetworkLowered:
    """The network's supply temperature shifted from a date on."""

    start: datetime
    shift_K: float


@dataclass(frozen=True, kw_only=True)
class SetbackChange:
    """Another night setback from a date on."""

    start: datetime
    setback_K: float


@dataclass(frozen=True, kw_only=True)
class Shutdown:
    """Heating and hot water off, pump and all, for a while."""

    start: datetime
    end: datetime


@dataclass(frozen=True, kw_only=True)
class PointsExchanged:
    """Two points carry each other's readings from a date on: sensors or wires mixed up."""

    start: datetime
    roles: tuple[str, str]


@dataclass(frozen=True, kw_only=True)
class StuckPoint:
    """A point that repeats one value for a while."""

    role: str
    start: datetime
    end: datetime


@dataclass(frozen=True, kw_only=True)
class ClockOff:
    """A logger's clock that runs ahead (or behind) for a while; ``roles`` empty: all points.

    Stamps that no reading falls on stay empty; where two readings claim a stamp the one of the
    right clock stays.
    """

    start: datetime
    end: datetime
    minutes: int
    roles: tuple[str, ...] = ()


Fault = (
    ThermometerFault
    | MeterFault
    | BuildingFault
    | PlatesChanged
    | Hunting
    | LoadChange
    | SetPointChange
    | ParallelFlow
    | BlockedStrainer
    | NetworkLowered
    | SetbackChange
    | Shutdown
    | PointsExchanged
    | StuckPoint
    | ClockOff
)
