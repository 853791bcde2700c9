"""Imported files, what was read from them, and the readings."""

import zlib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
from sqlalchemy import Connection, delete, func, insert, select, update

from service.store.bulk import select_frame, upsert
from service.store.registered import exchanger_id
from service.store.tables import (
    ExchangerRow,
    FindingRow,
    ImportRunRow,
    SourceFileRow,
    reading,
)

_ZSTD = b"zst1"  # before the size and the packed bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """What storing a frame adds to, and changes in, what is stored."""

    rows: int = 0
    new_rows: int = 0
    new_values: int = 0
    changed_values: int = 0

    def __add__(self, other: "Change") -> "Change":
        return Change(
            rows=self.rows + other.rows,
            new_rows=self.new_rows + other.new_rows,
            new_values=self.new_values + other.new_values,
            changed_values=self.changed_values + other.changed_values,
        )


def compare(connection: Connection, tag: str, trends: pd.DataFrame) -> Change:
    """Say what storing ``trends`` would change; nothing is stored."""
    if trends.empty:
        return Change()
    index = trends.index
    number = exchanger_id(connection, tag)
    stored = select_frame(
        connection,
        reading,
        number,
        index[0].to_pydatetime(),
        (index[-1] + pd.Timedelta(microseconds=1)).to_pydatetime(),
    )
    known = index.isin(stored.index)
    before = stored.reindex(index=index, columns=trends.columns).to_numpy(dtype=float)
    now = trends.to_numpy(dtype=float)
    given, had = ~np.isnan(now), ~np.isnan(before)
    return Change(
        rows=len(trends),
        new_rows=int((~known).sum()),
        new_values=int((given & ~had).sum()),
        changed_values=int((given & had & (now != before)).sum()),
    )


def store_readings(connection: Connection, tag: str, trends: pd.DataFrame) -> Change:
    """Store a trend frame over what is there; the newer value wins, a gap erases nothing."""
    change = compare(connection, tag, trends)
    if change.new_values or change.changed_values or change.new_rows:
        upsert(connection, reading, exchanger_id(connection, tag), trends)
        mark_changed(connection, tag)
    return change


def mark_changed(connection: Connection, tag: str) -> None:
    """Note that the readings of an exchanger changed, so that its assessment is out of date."""
    connection.execute(
        update(ExchangerRow)
        .where(ExchangerRow.tag == tag)
        .values(data_version=ExchangerRow.data_version + 1)
    )


def clear_readings(connection: Connection, tag: str) -> int:
    """Delete the readings of an exchanger, to be stored anew; return how many values they were."""
    number = exchanger_id(connection, tag)
    values = [c for c in reading.c if not c.primary_key]
    mine = reading.c.exchanger_id == number
    counts = connection.execute(select(*(func.count(c) for c in values)).where(mine)).one()
    connection.execute(delete(reading).where(mine))
    return int(sum(counts))


def last_runs(connection: Connection) -> tuple[Mapping[str, Any], ...]:
    """Return the newest import of each file, oldest first."""
    newest = select(func.max(ImportRunRow.id)).group_by(ImportRunRow.sha256)
    columns = [c for c in ImportRunRow.__table__.columns if c.name != "examination"]
    query = select(*columns).where(ImportRunRow.id.in_(newest)).order_by(ImportRunRow.id)
    return tuple(dict(r) for r in connection.execute(query).mappings())


def last_examinations(connection: Connection) -> Iterable[Mapping[str, Any]]:
    """Return the examination at the newest import of each file, oldest first."""
    newest = select(func.max(ImportRunRow.id)).group_by(ImportRunRow.sha256)
    query = select(ImportRunRow.examination).where(ImportRunRow.id.in_(newest))
    return connection.scalars(query.order_by(ImportRunRow.id))


def load_readings(
    connection: Connection,
    tag: str,
    start_utc: datetime | None = None,
    end_utc: datetime | None = None,
) -> pd.DataFrame:
    """Return the readings of an exchanger as a trend frame; roles without a value are left out."""
    return select_frame(connection, reading, exchanger_id(connection, tag), start_utc, end_utc)


def data_version(connection: Connection, tag: str) -> int:
    """Return a number that rises whenever the readings of an exchanger change."""
    return connection.scalar(select(ExchangerRow.data_version).where(ExchangerRow.tag == tag)) or 0


def reading_span(connection: Connection, tag: str) -> tuple[datetime, datetime] | None:
    """Return the first and the last stamp of an exchanger, or ``None`` without readings."""
    first, last = connection.execute(
        select(func.min(reading.c.time_utc), func.max(reading.c.time_utc)).where(
            reading.c.exchanger_id == exchanger_id(connection, tag)
        )
    ).one()
    return None if first is None else (first, last)


def keep_file(
    connection: Connection, *, sha256: str, name: str, data: bytes, now_utc: datetime
) -> None:
    """Keep a file's bytes, once."""
    if connection.scalar(select(SourceFileRow.sha256).where(SourceFileRow.sha256 == sha256)):
        return
    connection.execute(
        insert(SourceFileRow).values(
            sha256=sha256, name=name, size=len(data), packed=_packed(data), stored_utc=now_utc
        )
    )


def kept_file(connection: Connection, sha256: str) -> bytes | None:
    """Return the bytes of an imported file."""
    packed = connection.scalar(select(SourceFileRow.packed).where(SourceFileRow.sha256 == sha256))
    return None if packed is None else _unpacked(packed)


def _packed(data: bytes) -> bytes:
    """Pack quickly: trends shrink well by any means, and an import should not wait for this."""
    buffer: bytes = pa.compress(data, codec="zstd", asbytes=True)
    return _ZSTD + len(data).to_bytes(8, "little") + buffer


def _unpacked(packed: bytes) -> bytes:
    if not packed.startswith(_ZSTD):
        return zlib.decompress(packed)  # of an earlier version
    size = int.from_bytes(packed[4:12], "little")
    data: bytes = pa.decompress(memoryview(packed)[12:], size, codec="zstd", asbytes=True)
    return data


def last_run_of(
    connection: Connection, sha256: str, reading_fingerprint: str | None = None
) -> Mapping[str, Any] | None:
    """Return the newest import of these bytes, read in this way where a fingerprint is given."""
    query = select(ImportRunRow.__table__).where(ImportRunRow.sha256 == sha256)
    if reading_fingerprint is not None:
        query = query.where(ImportRunRow.reading_fingerprint == reading_fingerprint)
    found = connection.execute(query.order_by(ImportRunRow.id.desc())).mappings().first()
    return None if found is None else dict(found)


def add_run(
    connection: Connection,
    *,
    sha256: str,
    name: str,
    reading_fingerprint: str,
    now_utc: datetime,
    tags: Iterable[str],
    change: Change,
    refused_rows: int,
    examination: Mapping[str, Any],
    options: Mapping[str, Any],
    findings: Iterable[Mapping[str, Any]],
) -> int:
    """Note an import with what it found, and return its number."""
    number: int | None = connection.scalar(
        insert(ImportRunRow)
        .values(
            sha256=sha256,
            name=name,
            reading_fingerprint=reading_fingerprint,
            stored_utc=now_utc,
            tags=list(tags),
            rows=change.rows,
            new_rows=change.new_rows,
            new_values=change.new_values,
            changed_values=change.changed_values,
            refused_rows=refused_rows,
            examination=dict(examination),
            options=dict(options),
        )
        .returning(ImportRunRow.id)
    )
    assert number is not None
    rows = [{"run_id": number, **finding} for finding in findings]
    if rows:
        connection.execute(insert(FindingRow), rows)
    return number


def run(connection: Connection, number: int) -> Mapping[str, Any]:
    """Return one import."""
    query = select(ImportRunRow.__table__).where(ImportRunRow.id == number)
    return dict(connection.execute(query).mappings().one())


def find_run(connection: Connection, number: int) -> Mapping[str, Any] | None:
    """Return one import, or ``None`` where there is none of that number."""
    query = select(ImportRunRow.__table__).where(ImportRunRow.id == number)
    found = connection.execute(query).mappings().first()
    return None if found is None else dict(found)


def list_runs(connection: Connection) -> tuple[Mapping[str, Any], ...]:
    """Return the imports, newest first, without their examinations; ``run`` is the number."""
    columns = [c for c in ImportRunRow.__table__.columns if c.name not in ("id", "examination")]
    findings = (
        select(func.coalesce(func.sum(FindingRow.count), 0))
        .where(FindingRow.run_id == ImportRunRow.id)
        .scalar_subquery()
    )
    query = select(ImportRunRow.id.label("run"), *columns, findings.label("findings")).order_by(
        ImportRunRow.id.desc()
    )
    return tuple(dict(r) for r in connection.execute(query).mappings())


def list_findings(
    connection: Connection, run: int, *, limit: int = 1000
) -> tuple[Mapping[str, Any], ...]:
    """Return what an import found, by line."""
    query = (
        select(FindingRow.__table__)
        .where(FindingRow.run_id == run)
        .order_by(FindingRow.severity.desc(), FindingRow.line, FindingRow.id)
        .limit(limit)
    )
    return tuple(dict(r) for r in connection.execute(query).mappings())
