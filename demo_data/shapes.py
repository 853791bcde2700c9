"""How building-management systems write trends down: the shapes of the demonstration's files.

Lives here: text from frames. Not here: which exchanger goes where (``exports.py``). Whatever the
shape, the same frame gives the same bytes.
"""

import gzip
from dataclasses import dataclass
from pathlib import Path
from typing import Literal
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
from numpy.typing import NDArray

Strings = NDArray[np.str_]
Stamp = Literal["dotted local", "local", "offset", "utc"]

# Display unit: factor to it from SI, decimals, and how a unit row spells it.
UNITS: dict[str, tuple[float, int, str]] = {
    "degC": (1.0, 1, "°C"),
    "m3/h": (3600.0, 2, "m³/h"),
    "l/s": (1000.0, 3, "l/s"),
    "kW": (1e-3, 0, "kW"),
    "MWh": (1.0 / 3.6e9, 2, "MWh"),
    "m3": (1.0, 1, "m³"),
    "kPa": (1e-3, 1, "kPa"),
    "%": (100.0, 0, "%"),
    "1": (1.0, 0, "-"),
}


@dataclass(frozen=True, kw_only=True)
class Shape:
    """One way of writing a table of trends."""

    stamp: Stamp
    delimiter: str = ","
    decimal_comma: bool = False
    encoding: str = "utf-8"
    unit_row: bool = False
    missing: str = ""
    drop_empty_rows: bool = True
    time_heading: str = "Time"
    preamble: tuple[str, ...] = ()
    footer: tuple[str, ...] = ()
    line_end: str = "\r\n"


@dataclass(frozen=True, kw_only=True)
class Column:
    """A column of a file: heading, unit, and the values in SI, NaN where nothing was logged."""

    heading: str
    unit: str
    values: NDArray[np.float64]


def stamps(index: pd.DatetimeIndex, stamp: Stamp, zone: ZoneInfo) -> Strings:
    """Return time stamps as text; local ones without offset come twice when clocks go back."""
    if stamp == "utc":
        return np.asarray(index.strftime("%Y-%m-%dT%H:%M:%SZ"), dtype=np.str_)
    local = index.tz_convert(zone)
    if stamp == "offset":
        text = np.asarray(local.strftime("%Y-%m-%dT%H:%M:%S%z"), dtype=np.str_)
        return np.asarray([t[:-2] + ":" + t[-2:] for t in text], dtype=np.str_)
    pattern = "%d.%m.%Y %H:%M" if stamp == "dotted local" else "%Y-%m-%d %H:%M:%S"
    return np.asarray(local.strftime(pattern), dtype=np.str_)


def numbers(column: Column, shape: Shape) -> Strings:
    """Return the values as text in the column's unit."""
    factor, decimals, _ = UNITS[column.unit]
    missing = np.isnan(column.values)
    rounded = np.round(np.where(missing, 0.0, column.values * factor), decimals)
    text = np.char.mod(f"%.{decimals}f", rounded + 0.0)  # the sum makes -0 a plain 0
    if shape.decimal_comma:
        text = np.char.replace(text, ".", ",")
    return np.asarray(np.where(missing, shape.missing, text), dtype=np.str_)


def wide(index: pd.DatetimeIndex, columns: list[Column], shape: Shape, zone: ZoneInfo) -> bytes:
    """Return a table with a column for each point."""
    delimiter = shape.delimiter
    lines = [*shape.preamble, delimiter.join([shape.time_heading, *(c.heading for c in columns)])]
    if shape.unit_row:
        lines.append(delimiter.join(["", *(UNITS[c.unit][2] for c in columns)]))
    present = ~np.all([np.isnan(c.values) for c in columns], axis=0)
    keep = present if shape.drop_empty_rows else np.ones(len(index), dtype=bool)
    cells = [stamps(index[keep], shape.stamp, zone)]
    cells += [numbers(c, shape)[keep] for c in columns]
    lines += [delimiter.join(row) for row in zip(*cells, strict=True)]
    lines += shape.footer
    return (shape.line_end.join(lines) + shape.line_end).encode(shape.encoding)


def changes(values: NDArray[np.float64], increment: float, heartbeat: int) -> NDArray[np.bool_]:
    """Tell which values a change-of-value logger writes, and at the latest every ``heartbeat``.

    Values are compared on a raster of ``increment`` with the last one, which writes what has moved
    by about that much.
    """
    known = ~np.isnan(values)
    raster = np.where(known, np.round(values / increment), np.nan)
    before = np.concatenate([[np.nan], raster[:-1]])
    moved = known & (raster != before)
    return np.asarray(moved | (known & (np.arange(values.size) % heartbeat == 0)))


def long(
    index: pd.DatetimeIndex,
    columns: list[Column],
    shape: Shape,
    zone: ZoneInfo,
    increments: dict[str, float],
    heartbeat: int,
) -> bytes:
    """Return one line for each value that changed: time, point, value, unit, status."""
    when = stamps(index, shape.stamp, zone)
    parts = []
    for number, column in enumerate(columns):
        factor = UNITS[column.unit][0]
        rows = np.flatnonzero(changes(column.values * factor, increments[column.unit], heartbeat))
        text = numbers(column, shape)[rows]
        line = [f"{column.heading}{shape.delimiter}{v}{shape.delimiter}" for v in text]
        parts.append(pd.DataFrame({"row": rows, "number": number, "text": line}))
        # a point that stops answering is written once, without a value
        lost = np.flatnonzero(np.isnan(column.values[1:]) & ~np.isnan(column.values[:-1])) + 1
        empty = f"{column.heading}{shape.delimiter}{shape.missing}{shape.delimiter}"
        parts.append(pd.DataFrame({"row": lost, "number": number, "text": empty, "bad": True}))
    joined = pd.concat(parts, ignore_index=True).sort_values(["row", "number"], kind="stable")
    bad = joined.get("bad", pd.Series(False, index=joined.index)).eq(True)
    units = np.array([UNITS[c.unit][2] for c in columns])[joined["number"].to_numpy()]
    heading = shape.delimiter.join([shape.time_heading, "Point", "Value", "Unit", "Status"])
    lines = [*shape.preamble, heading]
    lines += [
        f"{t}{shape.delimiter}{text}{unit}{shape.delimiter}{status}"
        for t, text, unit, status in zip(
            when[joined["row"].to_numpy()],
            joined["text"],
            units,
            np.where(bad, "fault", "ok"),
            strict=True,
        )
    ]
    lines += shape.footer
    return (shape.line_end.join(lines) + shape.line_end).encode(shape.encoding)


def write_gzip(path: Path, data: bytes) -> None:
    """Write ``data`` compressed, without name and time in the header: same data, same bytes."""
    path.write_bytes(gzip.compress(data, compresslevel=9, mtime=0))
