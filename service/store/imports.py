"""Imported files, what was read from them, and the readings."""

from collections.abc import Iterable, Mapping
from datetime import datetime
from typing import Any

import pandas as pd
from sqlalchemy import Connection, func, insert, select, update

from service.store import originals, readings
from service.store.readings import Change
from service.store.registered import exchanger_id, stored_number
from service.store.tables import ExchangerRow, FindingRow, ImportRunRow

__all__ = ["Change"]


_NO_EXCHANGER = 0  # a number that the database gives to none


def compare(connection: Connection, tag: str, trends: pd.DataFrame) -> Change:
    """Say what storing ``trends`` would change; nothing is stored, so it need not be registered yet."""
    number = stored_number(connection, tag)
    return readings.compare(connection, _NO_EXCHANGER if number is None else number, trends)


def store_readings(connection: Connection, tag: str, trends: pd.DataFrame) -> Change:
    """Store a trend frame over what is there; the newer value wins, a gap erases nothing."""
    change = readings.merge(connection, exchanger_id(connection, tag), trends)
    if change.new_values or change.changed_values or change.new_rows:
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
    return readings.clear(connection, exchanger_id(connection, tag))


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
    number = stored_number(connection, tag)
    if number is None:
        number = exchanger_id(connection, tag)
    return readings.load(connection, number, start_utc, end_utc)


def data_version(connection: Connection, tag: str) -> int:
    """Return a number that rises whenever the readings of an exchanger change."""
    return connection.scalar(select(ExchangerRow.data_version).where(ExchangerRow.tag == tag)) or 0


def reading_span(connection: Connection, tag: str) -> tuple[datetime, datetime] | None:
    """Return the first and the last stamp of an exchanger, or ``None`` without readings."""
    number = stored_number(connection, tag)
    return None if number is None else readings.span(connection, number)


def keep_file(
    connection: Connection, *, sha256: str, name: str, data: bytes, now_utc: datetime
) -> None:
    """Keep a file's bytes, once."""
    originals.keep(
        connection, sha256=sha256, name=name, size=len(data), packed=originals.pack_all(data),
        now_utc=now_utc,
    )  # fmt: skip


def kept_file(connection: Connection, sha256: str) -> bytes | None:
    """Return the bytes of an imported file."""
    return originals.whole(connection, sha256)


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
