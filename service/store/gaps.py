"""Gaps that loggers told of, beside the readings: see ``analytics.vocabulary.gaps``."""

from datetime import datetime
from typing import Any

import pandas as pd
from sqlalchemy import Connection, delete, insert, select, tuple_

from analytics.vocabulary.gaps import GAP_COLUMNS, empty_gaps
from service.store.registered import exchanger_id
from service.store.tables import GapRow

_KEY = ["role", "begin_utc"]
_NEVER = pd.Timestamp(0, tz="UTC")
_AT_ONCE = 300  # SQLite allows so many marks in one statement


def store_gaps(connection: Connection, tag: str, gaps: pd.DataFrame) -> int:
    """Store gaps over those that are there; of one that begins alike the later end counts.

    Returns
    -------
    changed : int
        How many are new or longer than before: 0 where the same gaps are stored again.
    """
    if gaps.empty:
        return 0
    before = load_gaps(connection, tag)
    known = dict(
        zip(zip(before["role"], before["begin_utc"], strict=True), before["end_utc"], strict=True)
    )
    latest = gaps.sort_values("end_utc").drop_duplicates(_KEY, keep="last")
    ended = [
        known.get(key, _NEVER) for key in zip(latest["role"], latest["begin_utc"], strict=True)
    ]
    fresh = latest[pd.DatetimeIndex(ended) < pd.DatetimeIndex(latest["end_utc"])]
    number = exchanger_id(connection, tag)
    rows: list[dict[str, Any]] = [
        {"exchanger_id": number, "role": role, "begin_utc": begin, "end_utc": end, "reason": why}
        for role, begin, end, why in zip(
            fresh["role"], _moments(fresh["begin_utc"]), _moments(fresh["end_utc"]),
            fresh["reason"], strict=True,
        )
    ]  # fmt: skip
    for start in range(0, len(rows), _AT_ONCE):
        part = rows[start : start + _AT_ONCE]
        keys = [(r["exchanger_id"], r["role"], r["begin_utc"]) for r in part]
        columns = tuple_(GapRow.exchanger_id, GapRow.role, GapRow.begin_utc)
        connection.execute(delete(GapRow).where(columns.in_(keys)))
        connection.execute(insert(GapRow), part)
    return len(rows)


def load_gaps(connection: Connection, tag: str) -> pd.DataFrame:
    """Return the gap frame of an exchanger, by role and begin."""
    query = (
        select(*(getattr(GapRow, name) for name in GAP_COLUMNS))
        .where(GapRow.exchanger_id == exchanger_id(connection, tag))
        .order_by(GapRow.role, GapRow.begin_utc)
    )
    rows = connection.execute(query).all()
    if not rows:
        return empty_gaps()
    frame = pd.DataFrame([tuple(r) for r in rows], columns=list(GAP_COLUMNS))
    for name in ("begin_utc", "end_utc"):
        frame[name] = pd.DatetimeIndex(frame[name]).as_unit("us")
    return frame


def clear_gaps(connection: Connection, tag: str) -> None:
    """Delete the gaps of an exchanger, to be stored anew."""
    connection.execute(delete(GapRow).where(GapRow.exchanger_id == exchanger_id(connection, tag)))


def _moments(times: pd.Series) -> list[datetime]:
    return list(pd.DatetimeIndex(times).as_unit("us").to_pydatetime())
