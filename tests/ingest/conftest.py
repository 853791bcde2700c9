"""A small register and a way to read invented exports."""

from collections.abc import Callable
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from ingest.pipeline import ReadResult, examine, read_trends
from ingest.point_map import Point, PointMap
from ingest.rules import Rules

POINTS = [
    Point(name=name, tag=tag, role=role, unit=unit)
    for tag, name, role, unit in (
        ("HX-01", "PRI FLW T", "primary_supply_temperature", "degC"),
        ("HX-01", "PRI RTN T", "primary_return_temperature", "degC"),
        ("HX-01", "SEC FLW T", "secondary_supply_temperature", "degC"),
        ("HX-01", "SEC RTN T", "secondary_return_temperature", "degC"),
        ("HX-01", "HM FLOW", "primary_flow", "m3/h"),
        ("HX-01", "HM POWER", "heat_power", "kW"),
        ("HX-01", "HM ENERGY", "heat_energy", "MWh"),
        ("HX-01", "VALVE", "valve_position", "%"),
        ("HX-01", "PUMP", "pump_running", "1"),
        ("HX-01", "OAT", "outdoor_temperature", "degC"),
        ("HX-02", "OAT", "outdoor_temperature", "degC"),
    )
]


def make_rules(**stated: Any) -> Rules:
    """Return rules for the small register in the zone CET, with what the user states."""
    stated.setdefault("points", PointMap(POINTS))
    stated.setdefault("zone", ZoneInfo("CET"))
    return Rules(tags=("HX-01", "HX-02"), **stated)


@pytest.fixture
def read() -> Callable[..., ReadResult]:
    def call(text: str | bytes, name: str = "trend.csv", **stated: Any) -> ReadResult:
        data = text.encode() if isinstance(text, str) else text
        return read_trends(data, name, make_rules(**stated))

    return call


@pytest.fixture
def look() -> Callable[..., Any]:
    def call(text: str | bytes, name: str = "trend.csv", **stated: Any) -> Any:
        data = text.encode() if isinstance(text, str) else text
        return examine(data, name, make_rules(**stated))

    return call


@pytest.fixture
def rules_of() -> Callable[..., Rules]:
    return make_rules


@pytest.fixture(scope="session")
def rules_for_damage() -> Rules:
    return make_rules()
