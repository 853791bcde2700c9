"""A liquid's properties from a CSV file that the user supplies."""

from pathlib import Path

import numpy as np
import pandas as pd

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


def read_property_table(path: Path) -> PropertyTable:
    """Read the table; rows by rising temperature, columns named as in ``COLUMNS``.

    Raises
    ------
    RegisterError
        If the file is missing, a column is missing, or a value cannot be that of a liquid.
    """
    try:
        frame = pd.read_csv(path, sep=None, engine="python", comment="#", encoding="utf-8-sig")
    except FileNotFoundError:
        raise RegisterError(f"{path.name}: no such property table beside the register.") from None
    except (ValueError, OSError, pd.errors.ParserError) as exc:
        raise RegisterError(f"{path.name}: cannot be read as CSV, {exc}.") from None
    frame.columns = [str(c).strip() for c in frame.columns]
    missing = [c for c in COLUMNS if c not in frame.columns]
    if missing:
        raise RegisterError(
            f"{path.name}: column {missing[0]} is missing. Columns: {', '.join(COLUMNS)}."
        )
    if len(frame) < 2:
        raise RegisterError(f"{path.name}: needs at least two rows, got {len(frame)}.")
    for column in COLUMNS:
        _check_column(path.name, column, frame[column])
    rising = np.diff(frame["temperature_degC"].to_numpy(dtype=float)) > 0
    if not rising.all():
        raise RegisterError(
            f"{path.name} line {int(np.argmin(rising)) + 3}, column temperature_degC: "
            "must rise from row to row. Sort the rows."
        )
    return PropertyTable(**{c: tuple(float(v) for v in frame[c]) for c in COLUMNS})


def _check_column(name: str, column: str, series: pd.Series) -> None:
    low, high = _RANGES[column]
    numbers = pd.to_numeric(series, errors="coerce").to_numpy(dtype=float)
    right = (numbers >= low) & (numbers <= high)
    if not right.all():
        row = int(np.argmin(right))
        raise RegisterError(
            f"{name} line {row + 2}, column {column}: must lie between {low:g} and {high:g}, "
            f"got {series.iloc[row]!r}. Check the unit in the column's name."
        )
