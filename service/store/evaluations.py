"""Assessments and the daily account."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

import numpy as np
import pandas as pd
from sqlalchemy import Connection, delete, func, insert, select, update

from analytics.vocabulary.quantities import INTERVAL_COLUMNS
from analytics.vocabulary.records import Evaluation
from service.store.bulk import select_frame, upsert
from service.store.codec import (
    evaluation_document,
    evaluation_from,
)
from service.store.parquet import from_parquet, to_parquet
from service.store.registered import exchanger_id
from service.store.tables import DAILY_NAMES, EvaluationRow, ExchangerRow, daily_account

_DAILY_INDEX: Final = "day"


@dataclass(frozen=True, slots=True, kw_only=True)
class EvaluationHead:
    """What tells one stored evaluation from another, without loading it."""

    tag: str
    number: int
    made_utc: datetime
    through_utc: datetime
    fingerprint: str
    verdict: str
    cause: str | None


def save_evaluation(
    connection: Connection,
    evaluation: Evaluation,
    *,
    fingerprint: str,
    made_utc: datetime,
    intervals: bytes | None = None,
    day_marks: bytes | None = None,
) -> None:
    """Store an evaluation as the newest of its exchanger, with its daily account.

    ``intervals`` are those of the evaluation as Parquet, where a worker has written them already;
    ``day_marks`` tell which readings it rests on (``service.usecases.reopening``).
    """
    number = exchanger_id(connection, evaluation.tag)
    connection.execute(
        update(EvaluationRow)
        .where(EvaluationRow.exchanger_id == number, EvaluationRow.newest)
        .values(newest=False, document=None, intervals=None, day_marks=None)
    )
    cause = evaluation.verdict.cause
    connection.execute(
        insert(EvaluationRow).values(
            exchanger_id=number,
            through_utc=evaluation.through_utc,
            made_utc=made_utc,
            fingerprint=fingerprint,
            verdict=str(evaluation.verdict.kind),
            cause=None if cause is None else str(cause.kind),
            newest=True,
            document=evaluation_document(evaluation),
            intervals=to_parquet(evaluation.intervals) if intervals is None else intervals,
            day_marks=day_marks,
        )
    )
    connection.execute(delete(daily_account).where(daily_account.c.exchanger_id == number))
    kept = [c for c in evaluation.daily.columns if c in DAILY_NAMES]
    upsert(connection, daily_account, number, evaluation.daily[kept].astype(float))


def heads(connection: Connection) -> Mapping[str, EvaluationHead]:
    """Return the newest evaluation's head of each registered exchanger that has one."""
    query = (
        select(
            ExchangerRow.tag,
            EvaluationRow.id.label("number"),
            EvaluationRow.made_utc,
            EvaluationRow.through_utc,
            EvaluationRow.fingerprint,
            EvaluationRow.verdict,
            EvaluationRow.cause,
        )
        .join(ExchangerRow, ExchangerRow.id == EvaluationRow.exchanger_id)
        .where(ExchangerRow.registered, EvaluationRow.newest)
        .order_by(ExchangerRow.position)
    )
    return {r["tag"]: EvaluationHead(**r) for r in connection.execute(query).mappings()}


def load_evaluation(
    connection: Connection, tag: str, *, with_intervals: bool = True
) -> Evaluation | None:
    """Return the newest evaluation of an exchanger, or ``None`` before the first."""
    number = exchanger_id(connection, tag)
    columns = [EvaluationRow.document]
    row = connection.execute(
        select(*columns, *([EvaluationRow.intervals] if with_intervals else [])).where(
            EvaluationRow.exchanger_id == number, EvaluationRow.newest
        )
    ).first()
    if row is None or row.document is None:
        return None
    return evaluation_from(
        row.document,
        daily=load_daily(connection, tag),
        intervals=from_parquet(row.intervals) if with_intervals else empty_intervals(),
    )


def day_marks(connection: Connection, tag: str) -> tuple[datetime, datetime, bytes | None] | None:
    """Return when the newest evaluation was made, the end of its data, and its readings' marks."""
    row = connection.execute(
        select(EvaluationRow.made_utc, EvaluationRow.through_utc, EvaluationRow.day_marks).where(
            EvaluationRow.exchanger_id == exchanger_id(connection, tag), EvaluationRow.newest
        )
    ).first()
    return None if row is None else (row.made_utc, row.through_utc, row.day_marks)


def load_daily(
    connection: Connection,
    tag: str,
    start_utc: datetime | None = None,
    end_utc: datetime | None = None,
) -> pd.DataFrame:
    """Return the daily account with all its columns, indexed by UTC day."""
    number = exchanger_id(connection, tag)
    frame = select_frame(connection, daily_account, number, start_utc, end_utc, DAILY_NAMES)
    return frame.rename_axis(index=_DAILY_INDEX)


def empty_intervals() -> pd.DataFrame:
    """Return a frame of grid intervals without rows."""
    names = [q.name for q in INTERVAL_COLUMNS]
    index = pd.DatetimeIndex([], tz="UTC", name="time_utc")
    return pd.DataFrame(np.empty((0, len(names))), index=index, columns=names)


def verdicts_at(connection: Connection, at_utc: datetime) -> Mapping[str, tuple[str, str | None]]:
    """Return verdict and cause of each exchanger as they stood to a reader at ``at_utc``."""
    newest_then = (
        select(
            EvaluationRow.exchanger_id,
            func.max(EvaluationRow.made_utc).label("made_utc"),
        )
        .where(EvaluationRow.made_utc <= at_utc)
        .group_by(EvaluationRow.exchanger_id)
        .subquery()
    )
    query = (
        select(ExchangerRow.tag, EvaluationRow.verdict, EvaluationRow.cause)
        .join(ExchangerRow, ExchangerRow.id == EvaluationRow.exchanger_id)
        .join(
            newest_then,
            (newest_then.c.exchanger_id == EvaluationRow.exchanger_id)
            & (newest_then.c.made_utc == EvaluationRow.made_utc),
        )
        .where(ExchangerRow.registered)
    )
    return {r.tag: (r.verdict, r.cause) for r in connection.execute(query)}


def tags_without_evaluation(connection: Connection, tags: Sequence[str]) -> tuple[str, ...]:
    """Return those of ``tags`` that were never assessed."""
    known = heads(connection)
    return tuple(t for t in tags if t not in known)
