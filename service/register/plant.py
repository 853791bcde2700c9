"""The plant as registered: records only; reading the file is ``reading.py``."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from zoneinfo import ZoneInfo

from analytics.vocabulary.records import Exchanger
from ingest.point_map import Point

__all__ = ["STALE_AFTER_DAYS", "DisplayUnits", "Plant", "Point"]

STALE_AFTER_DAYS = 7.0  # a weekly look, as most sites export


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
class Plant:
    """A site with its exchangers."""

    name: str
    zone: ZoneInfo
    exchangers: tuple[Exchanger, ...]
    points: tuple[Point, ...]
    logger_zone: str | None = None  # of stamps without an offset, where it is not the site's
    units: DisplayUnits = field(default_factory=DisplayUnits)
    stale_after_days: float = STALE_AFTER_DAYS  # readings that end longer ago are told as old
    notes: Mapping[str, tuple[str, ...]] = field(
        default_factory=dict
    )  # tag -> stated defaults and consequences

    def exchanger(self, tag: str) -> Exchanger | None:
        """Return the exchanger with this tag, or ``None``."""
        return next((e for e in self.exchangers if e.tag == tag), None)
