"""A liquid's properties from a CSV file that the user supplies."""

import csv
from collections.abc import Iterator
from pathlib import Path

from analytics.vocabulary.errors import RegisterError
from analytics.vocabulary.records import PropertyTable

COLUMNS = (
    "temperature_degC",
    "density_kg_m3",
    "heat_capacity_J_kgK",
    "viscosity_Pa_s",
    "conductivity_W_mK",
)
# Smallest and largest value that a heat-carrying liquid may have, by column.
_RANGES = {
    "temperature_degC": (-60.0, 400.0),
    "density_kg_m3": (500.0, 2000.0),
    "heat_capacity_J_kgK": (1000.0, 5000.0),
    "viscosity_Pa_s": (5e-5, 10.0),
    "conductivity_W_mK": (0.05, 1.0),
}
_MOST_BYTES = 1_000_000


def read_property_table(path: Path) -> PropertyTable:
    """Read the table; rows by rising temperature, columns named as in ``COLUMNS``, in any order.

    The columns are parted by comma, semicolon or tab; where not by comma, a decimal comma is read as
    well. Lines that are blank or begin with ``#`` are passed over.

    Raises
    ------
    RegisterError
        If the file is missing, a column is missing, or a value cannot be that of a liquid; the
        message names the line of the file.
    """
    lines = list(_lines(path))
    if not lines:
        raise RegisterError(f"{path.name}: is empty. Columns: {', '.join(COLUMNS)}.")
    delimiter = max(";\t,", key=lines[0][1].count)
    rows = [
        (number, [cell.strip() for cell in next(csv.reader([text], delimiter=delimiter))])
        for number, text in lines
    ]
    at = _positions(path.name, rows[0])
    if len(rows) < 3:
        raise RegisterError(f"{path.name}: needs at least two rows of values, got {len(rows) - 1}.")
    values = [
        [_value(path.name, row, c, at[c], comma=delimiter != ",") for c in COLUMNS]
        for row in rows[1:]
    ]
    _check_course(path.name, [number for number, _ in rows[1:]], values)
    columns = dict(zip(COLUMNS, map(tuple, zip(*values, strict=True)), strict=True))
    return PropertyTable(**columns, name=path.name)


def _lines(path: Path) -> Iterator[tuple[int, str]]:
    """Number the lines that hold something."""
    try:
        data = path.read_bytes()
        if len(data) > _MOST_BYTES:
            raise RegisterError(
                f"{path.name}: is too large for a property table, {len(data)} bytes."
            )
        text = data.decode("utf-8-sig")
    except FileNotFoundError:
        raise RegisterError(f"{path.name}: no such property table beside the register.") from None
    except UnicodeDecodeError as exc:
        raise RegisterError(
            f"{path.name}: is not UTF-8 text (byte {exc.start}). Save it as CSV in UTF-8."
        ) from None
    except OSError as exc:
        raise RegisterError(f"{path.name}: cannot be read, {exc.strerror}.") from None
    for number, line in enumerate(text.splitlines(), start=1):
        if line.strip() and not line.lstrip().startswith("#"):
            yield number, line


def _positions(name: str, header: tuple[int, list[str]]) -> dict[str, int]:
    number, cells = header
    missing = [c for c in COLUMNS if c not in cells]
    if missing:
        raise RegisterError(
            f"{name} line {number}: column {missing[0]} is missing. Columns: {', '.join(COLUMNS)}."
        )
    return {c: cells.index(c) for c in COLUMNS}


def _value(name: str, row: tuple[int, list[str]], column: str, at: int, *, comma: bool) -> float:
    number, cells = row
    where = f"{name} line {number}, column {column}"
    seen = cells[at] if at < len(cells) else ""
    if not seen:
        raise RegisterError(f"{where}: is empty. Every row needs all five values.")
    try:
        value = float(seen.replace(",", ".") if comma else seen)
    except ValueError:
        raise RegisterError(f"{where}: must be a number, got {seen!r}.") from None
    low, high = _RANGES[column]
    if not low <= value <= high:
        raise RegisterError(
            f"{where}: must lie between {low:g} and {high:g}, got {seen}. "
            "Check the unit in the column's name."
        )
    return value


def _check_course(name: str, numbers: list[int], values: list[list[float]]) -> None:
    """Refuse rows out of order, and a viscosity that no liquid has."""
    temperature, viscosity = COLUMNS.index("temperature_degC"), COLUMNS.index("viscosity_Pa_s")
    for number, before, row in zip(numbers[1:], values, values[1:], strict=False):
        if not row[temperature] > before[temperature]:
            raise RegisterError(
                f"{name} line {number}, column temperature_degC: must rise from row to row, "
                f"got {row[temperature]:g} after {before[temperature]:g}. Sort the rows."
            )
        if row[viscosity] > before[viscosity]:
            raise RegisterError(
                f"{name} line {number}, column viscosity_Pa_s: rises with temperature, "
                f"{before[viscosity]:g} to {row[viscosity]:g}; a liquid's falls. Correct the row."
            )
