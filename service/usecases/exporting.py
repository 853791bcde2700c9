"""Give away the daily account, the grid intervals, the readings or their gaps as CSV or Parquet."""

import io
from pathlib import Path
from typing import Literal

import pandas as pd

from analytics.vocabulary.errors import EvaluationError
from service.register.reading import exchanger_of
from service.store import evaluations, gaps, imports, registered
from service.store.store import Store

What = Literal["daily", "intervals", "readings", "gaps"]
Format = Literal["csv", "parquet"]


def export_frame(store: Store, tag: str, what: What) -> pd.DataFrame:
    """Return what is to be given away, in SI units, indexed by UTC time.

    Raises
    ------
    RegisterError
        If the exchanger is not registered.
    EvaluationError
        If it was not assessed yet.
    """
    with store.reading() as connection:
        tag = exchanger_of(registered.load_plant(connection), tag).tag
        if what == "readings":
            return imports.load_readings(connection, tag)
        if what == "gaps":
            return gaps.load_gaps(connection, tag).set_index("begin_utc").sort_index()
        evaluation = evaluations.load_evaluation(
            connection, tag, with_intervals=what == "intervals"
        )
    if evaluation is None:
        raise EvaluationError(
            f"{tag}: was not assessed yet, so there is nothing to export. "
            "Import its trends, then: plateledger assess"
        )
    return evaluation.daily if what == "daily" else evaluation.intervals


def encoded(frame: pd.DataFrame, file_format: Format) -> bytes:
    """Return a frame as CSV (UTF-8, stamps ending in Z) or Parquet."""
    buffer = io.BytesIO()
    if file_format == "parquet":
        frame.to_parquet(buffer, compression="zstd")
    else:
        frame.to_csv(buffer, date_format="%Y-%m-%dT%H:%M:%SZ")
    return buffer.getvalue()


def write_export(data: bytes, path: Path) -> None:
    """Write an export.

    Raises
    ------
    EvaluationError
        If the file cannot be written.
    """
    try:
        path.write_bytes(data)
    except OSError as exc:
        raise EvaluationError(
            f"{path}: cannot be written, {exc.strerror}. Choose another path with -o."
        ) from None
