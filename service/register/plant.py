"""The plant as registered: records only; reading the file is ``reading.py``."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from zoneinfo import ZoneInfo

from analytics.vocabulary.records import Exchanger


@dataclass(frozen=True, slots=True, kw_only=True)
class DisplayUnits:
    """The units people see; spelt for ``analytics.vocabulary.units``."""

    temperature: str = "degC"
    power: str = "kW"
    energy: str = "MWh"
    flow: str = "m3/h"
    volume: str = "m3"
    pressure: str = "kPa"


@dataclass(frozen=True, slots=True, kw_only=True)
class Point:
    """One source point: which exchanger and role it is, and in what unit it is logged."""

    name: str  # as spelt in the file's header or point column
    tag: str
    role: str
    unit: str
    file: str = "*"  # file-name pattern, for sites whose files share their headings


@dataclass(frozen=True, slots=True, kw_only=True)
class Plant:
    """A site with its exchangers."""

    name: str
    zone: ZoneInfo
    exchangers: tuple[Exchanger, ...]
    points: tuple[Point, ...]
    units: DisplayUnits = field(default_factory=DisplayUnits)
    notes: Mapping[str, tuple[str, ...]] = field(
        default_factory=dict
    )  # tag -> stated defaults and consequences

    def exchanger(self, tag: str) -> Exchanger | None:
        """Return the exchanger with this tag, or ``None``."""
        return next((e for e in self.exchangers if e.tag == tag), None)
