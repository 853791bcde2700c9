"""Which exchanger is in which file, in what shape, and under which point names."""

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Literal
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from demo_data.plant import END, EXCHANGERS, START
from demo_data.shapes import Column, Shape, long, wide, write_gzip
from demo_data.simulator import Simulation, simulate

ZONE = ZoneInfo("CET")
OUTDOOR = "outdoor_temperature"
_SHORT = {
    "primary_supply_temperature": "PRI SUP T",
    "primary_return_temperature": "PRI RET T",
    "secondary_supply_temperature": "SEC SUP T",
    "secondary_return_temperature": "SEC RET T",
    "primary_flow": "PRI FLOW",
    "secondary_flow": "SEC FLOW",
    "secondary_pressure_drop": "SEC DP",
    "heat_power": "HM POWER",
    "heat_energy": "HM ENERGY",
    "heat_volume": "HM VOLUME",
    "secondary_supply_set_point": "SEC SUP SP",
    "valve_position": "PRI VALVE",
    "pump_running": "SEC PUMP",
    OUTDOOR: "OAT",
}
_WORDS = {
    "primary_supply_temperature": "primary supply",
    "primary_return_temperature": "primary return",
    "secondary_supply_temperature": "secondary supply",
    "secondary_return_temperature": "secondary return",
    "primary_flow": "primary flow",
    "secondary_flow": "secondary flow",
    "secondary_pressure_drop": "pressure drop secondary",
    "secondary_supply_set_point": "secondary supply set point",
    "valve_position": "primary valve",
    "pump_running": "secondary pump",
    OUTDOOR: "Outdoor temperature",
}
_UNIT_OF_ROLE = {
    "primary_flow": "m3/h",
    "secondary_flow": "m3/h",
    "secondary_pressure_drop": "kPa",
    "heat_power": "kW",
    "heat_energy": "MWh",
    "heat_volume": "m3",
    "valve_position": "%",
    "pump_running": "1",
}


def _dotted(tag: str, role: str) -> str:
    return (
        "SITE.OAT"
        if role == OUTDOOR
        else f"{tag.replace('-', '')}.{_SHORT[role].replace(' ', '_')}"
    )


def _worded(tag: str, role: str) -> str:
    return _WORDS[role] if role == OUTDOOR else f"{tag} {_WORDS[role]}"


def _pathed(tag: str, role: str) -> str:
    return "SITE/OAT" if role == OUTDOOR else f"SUB{tag[-2:]}/{_SHORT[role]}"


def _flow_in_litres(role: str) -> str:
    return "l/s" if role.endswith("_flow") else _UNIT_OF_ROLE.get(role, "degC")


def _usual(role: str) -> str:
    return _UNIT_OF_ROLE.get(role, "degC")


@dataclass(frozen=True, kw_only=True)
class Export:
    """One export of the building-management system; it may come in several files."""

    name: str  # file name without its ending; {} for the part
    tags: tuple[str, ...]
    shape: Shape
    naming: Callable[[str, str], str]
    unit_of: Callable[[str], str] = _usual
    parts: Literal["one", "half-yearly", "monthly"] = "one"
    kind: Literal["wide", "long"] = "wide"
    only: tuple[str, ...] = ()  # roles; empty: all that no other export of the tag has
    every_minutes: int | None = None
    increments: dict[str, float] = field(default_factory=dict)


_REGISTERS = ("heat_energy", "heat_volume")
EXPORTS: tuple[Export, ...] = (
    Export(
        name="mill-block_{}",
        tags=("HX-01",),
        naming=_worded,
        parts="half-yearly",
        shape=Shape(
            stamp="dotted local",
            delimiter=";",
            decimal_comma=True,
            encoding="cp1252",
            unit_row=True,
            missing="---",
            drop_empty_rows=False,
            time_heading="Date/time",
        ),
    ),
    Export(
        name="school",
        tags=("HX-02",),
        naming=_dotted,
        unit_of=_flow_in_litres,
        shape=Shape(stamp="offset", missing="NaN", time_heading="timestamp", line_end="\n"),
    ),
    Export(
        name="clinic_{}",
        tags=("HX-03",),
        naming=_pathed,
        parts="monthly",
        shape=Shape(
            stamp="utc",
            time_heading="Timestamp (UTC)",
            missing="n/a",
            preamble=("Trend export - substation 3 - clinic",),
        ),
    ),
    Export(
        name="harbour-offices-and-library",
        tags=("HX-04", "HX-05"),
        naming=_dotted,
        shape=Shape(stamp="utc", missing="No Data", time_heading="time", line_end="\n"),
    ),
    Export(
        name="weavers-yard_{}",
        tags=("HX-06",),
        naming=_worded,
        parts="half-yearly",
        shape=Shape(
            stamp="local",
            delimiter=";",
            unit_row=True,
            missing="---",
            drop_empty_rows=False,
            footer=("*** End of report ***",),
        ),
    ),
    Export(
        name="sports-hall_bms",
        tags=("HX-07",),
        naming=_dotted,
        shape=Shape(stamp="dotted local", delimiter=";", decimal_comma=True, missing="NaN"),
    ),
    Export(
        name="sports-hall_heat-meter",
        tags=("HX-07",),
        naming=_pathed,
        only=_REGISTERS,
        every_minutes=60,
        shape=Shape(stamp="offset", time_heading="reading at", unit_row=True),
    ),
    Export(
        name="gate-house-and-print-works",
        tags=("HX-08", "HX-09"),
        naming=_pathed,
        shape=Shape(stamp="offset", missing="n/a", time_heading="Date", drop_empty_rows=False),
    ),
    Export(
        name="market-hall_change-of-value",
        tags=("HX-10",),
        naming=_pathed,
        kind="long",
        increments={"degC": 0.5, "m3/h": 0.25, "%": 4.0},
        shape=Shape(stamp="utc", line_end="\n"),
    ),
)


def roles_of(export: Export, tag: str) -> tuple[str, ...]:
    """Return the roles of an exchanger that an export holds, in the order logged."""
    logged = next(e for e in EXCHANGERS if e.tag == tag).scenario.logger.roles
    if export.only:
        return tuple(r for r in logged if r in export.only)
    others = {r for e in EXPORTS if e is not export and tag in e.tags for r in e.only}
    return tuple(r for r in logged if r not in others)


def points_of(tag: str) -> dict[str, tuple[str, str, str]]:
    """Return point name, unit and file pattern by role, as the register has them."""
    return {
        role: (export.naming(tag, role), export.unit_of(role), f"{export.name.format('*')}.csv*")
        for export in EXPORTS
        if tag in export.tags
        for role in roles_of(export, tag)
    }


@cache
def simulation_of(tag: str) -> Simulation:
    """Return the simulated record of a demonstration exchanger."""
    return simulate(next(e for e in EXCHANGERS if e.tag == tag).scenario, START, END)


def _columns(export: Export, frames: dict[str, pd.DataFrame]) -> list[Column]:
    columns, outdoor_done = [], False
    for tag, frame in frames.items():
        for role in roles_of(export, tag):
            if role == OUTDOOR:
                # one weather station for all; the first exchanger of the file shows it
                if outdoor_done:
                    continue
                outdoor_done = True
            values = np.asarray(frame[role], dtype=float)
            columns.append(
                Column(heading=export.naming(tag, role), unit=export.unit_of(role), values=values)
            )
    return columns


def _parts(export: Export, index: pd.DatetimeIndex) -> list[tuple[str, np.ndarray]]:
    local = index.tz_convert(ZONE)
    if export.parts == "one":
        return [("", np.ones(len(index), dtype=bool))]
    if export.parts == "monthly":
        label = np.asarray(local.strftime("%Y-%m"), dtype=np.str_)
    else:
        half = np.where(np.asarray(local.month) <= 6, "1", "2")
        label = np.char.add(np.asarray(local.strftime("%Y-half-"), dtype=np.str_), half)
    return [(str(part), label == part) for part in np.unique(label)]


def write(export: Export, folder: Path, only_part: str | None = None) -> list[Path]:
    """Write the files of one export into ``folder``, or only one part; return their paths."""
    frames = {tag: simulation_of(tag).logged for tag in export.tags}
    if export.every_minutes:
        frames = {t: f.asfreq(f"{export.every_minutes}min") for t, f in frames.items()}
    index = pd.DatetimeIndex(next(iter(frames.values())).index)
    columns = _columns(export, frames)
    paths = []
    for part, rows in _parts(export, index):
        if only_part not in (None, part):
            continue
        cut = [Column(heading=c.heading, unit=c.unit, values=c.values[rows]) for c in columns]
        if export.kind == "long":
            data = long(index[rows], cut, export.shape, ZONE, export.increments, heartbeat=8)
        else:
            data = wide(index[rows], cut, export.shape, ZONE)
        path = folder / f"{export.name.format(part)}.csv.gz"
        write_gzip(path, data)
        paths.append(path)
    return paths
