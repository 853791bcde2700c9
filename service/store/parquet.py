"""Frames as Parquet: apart from the database, so that a worker process can write them."""

import io

import pandas as pd


def to_parquet(frame: pd.DataFrame) -> bytes:
    """Return a frame as Parquet, index included, in single precision: seven digits of a reading."""
    buffer = io.BytesIO()
    _cast(frame, "float64", "float32").to_parquet(buffer, compression="zstd", compression_level=1)
    return buffer.getvalue()


def from_parquet(data: bytes) -> pd.DataFrame:
    """Return the frame that :func:`to_parquet` wrote, in double precision."""
    return _cast(pd.read_parquet(io.BytesIO(data)), "float32", "float64")


def _cast(frame: pd.DataFrame, given: str, wanted: str) -> pd.DataFrame:
    return frame.astype({c: wanted for c in frame.columns if frame[c].dtype == given})
