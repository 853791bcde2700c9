"""Samples that arrive one by one or in batches, over HTTP or from a broker.

A batch is written as a long table (time, point, value, unit) and goes the way of every file: the
register says what its points are, its bytes are kept, and what is refused is a finding.
"""

import io
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Annotated, Any

import pyarrow as pa
import pyarrow.compute as pc
from pyarrow import csv as arrow_csv
from pydantic import AwareDatetime, BaseModel, ConfigDict, Field, ValidationError

from analytics.vocabulary.errors import IngestError
from service.store import imports, senders
from service.store.store import Store
from service.usecases.files import ImportOptions, digest
from service.usecases.importing import ImportOutcome, store_file
from service.usecases.senders import Sender

COLUMNS = ("time", "point", "value", "unit")
SAMPLES_MOST = 100_000
_NAME_MOST = 200
_OPTIONS = ImportOptions(decimal=".", delimiter=",", encoding="utf-8")
# date, time and an offset: a sender has a clock, and no order of lines to settle a doubled hour by
_STAMP = r"^\d{4}-\d{2}-\d{2}[T ]\d{2}:\d{2}(:\d{2}([.,]\d{1,9})?)?\s?([Zz]|[+-]\d{2}:?\d{2})$"


class Sample(BaseModel):
    """One value of one point."""

    model_config = ConfigDict(extra="forbid")

    time: AwareDatetime = Field(description="ISO 8601 with its offset, as 2026-01-31T13:45:00Z.")
    point: Annotated[str, Field(min_length=1, max_length=_NAME_MOST)] = Field(
        description="As spelt in the register."
    )
    value: Annotated[float, Field(allow_inf_nan=False)]
    unit: Annotated[str, Field(max_length=40)] | None = Field(
        default=None, description="Without: the register's."
    )


class SampleBatch(BaseModel):
    """A batch of samples."""

    model_config = ConfigDict(extra="forbid")

    samples: Annotated[list[Sample], Field(min_length=1, max_length=SAMPLES_MOST)]


class BatchConflict(IngestError):
    """The name of a batch stands for other samples already."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LeftOut:
    """A point of a batch that nobody registered, or that cannot be read as registered."""

    point: str
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class BatchOutcome:
    """What a batch stored."""

    stored: ImportOutcome
    samples: int
    left_out: tuple[LeftOut, ...]


def table_of_json(body: bytes) -> pa.Table:
    """Return the samples of a JSON body; raise IngestError where it is none."""
    try:
        batch = SampleBatch.model_validate_json(body)
    except ValidationError as exc:
        first = exc.errors(include_url=False)[0]
        where = ".".join(str(p) for p in first["loc"]) or "body"
        got = "" if isinstance(first.get("input"), dict | list) else f", got {first['input']!r}"
        raise IngestError(
            f'{where}: {first["msg"]}{got[:120]}. Send {{"samples": [{{"time": '
            '"2026-01-31T13:45:00Z", "point": "...", "value": 63.4}, ...]}. Nothing was stored.'
        ) from None
    return table_of(batch.samples)


def table_of(samples: Sequence[Sample]) -> pa.Table:
    """Return samples as a table of texts."""
    return pa.table(
        {
            "time": [_stamp(s.time) for s in samples],
            "point": [s.point for s in samples],
            "value": [repr(s.value) for s in samples],
            "unit": [s.unit or "" for s in samples],
        }
    )


def table_of_csv(body: bytes) -> pa.Table:
    """Return the samples of a CSV body; raise IngestError, with the line, where it is none."""
    try:
        found = arrow_csv.read_csv(
            io.BytesIO(body),
            convert_options=arrow_csv.ConvertOptions(
                column_types=dict.fromkeys(COLUMNS, pa.string()), strings_can_be_null=False
            ),
        )
    except (pa.ArrowInvalid, UnicodeDecodeError) as exc:
        raise IngestError(f"body: is no CSV, {exc}. Nothing was stored.") from None
    names = [n.strip().lower() for n in found.column_names]
    if sorted(names) not in (sorted(COLUMNS), sorted(COLUMNS[:3])):
        raise IngestError(
            f"line 1: the columns are {', '.join(found.column_names)}. "
            "Send time,point,value and, if need be, unit. Nothing was stored."
        )
    table = found.rename_columns(names)
    if not 0 < len(table) <= SAMPLES_MOST:
        raise IngestError(
            f"body: holds {len(table):,} samples. Send 1 to {SAMPLES_MOST:,} at a time."
        )
    _check_column(table, "time", _STAMP, "is no stamp with its offset, as in 2026-01-31T13:45:00Z")
    _check_column(table, "point", r"^.{1,200}$", "is no point's name")
    _check_column(table, "value", r"^[-+]?(\d+(\.\d*)?|\.\d+)([eE][-+]?\d{1,3})?$", "is no number")
    unit = table["unit"] if "unit" in names else pa.array([""] * len(table))
    return pa.table([table["time"], table["point"], table["value"], unit], names=list(COLUMNS))


def _check_column(table: pa.Table, name: str, pattern: str, what: str) -> None:
    cells = pc.utf8_trim_whitespace(table[name])
    wrong = pc.invert(pc.fill_null(pc.match_substring_regex(cells, pattern), False))
    if pc.any(wrong).as_py():
        row = pc.index(wrong, True).as_py()
        raise IngestError(
            f"line {row + 2}, column {name}: {cells[row].as_py()!r} {what}. Nothing was stored."
        )


def file_of(table: pa.Table) -> bytes:
    """Return a batch as the file that is kept of it."""
    target = io.BytesIO()
    arrow_csv.write_csv(table, target)
    return target.getvalue()


def store_batch(store: Store, sender: Sender, batch: str | None, table: pa.Table) -> BatchOutcome:
    """Store a batch, once; the same batch again stores nothing and says so.

    Parameters
    ----------
    sender : Sender
        Who sent it.
    batch : str or None
        The sender's name for it, by which it may ask again; ``None``: the content alone counts.
    table : pyarrow.Table
        Its samples, with the columns of ``COLUMNS`` as text.

    Raises
    ------
    BatchConflict
        If the name stands for other samples.
    IngestError
        If nothing can be stored, or a question is open about what would be.
    """
    data = file_of(table)
    sha256 = digest(data)
    if batch is not None:
        with store.reading() as connection:
            before = senders.batch_of(connection, sender.number, batch)
        if before is not None and before["sha256"] != sha256:
            raise BatchConflict(
                f"batch {batch!r}: was sent on {before['received_utc']:%Y-%m-%d %H:%M} UTC with "
                "other samples, which stand. Give each batch a name of its own."
            )
    now_utc = datetime.now(UTC)
    name = f"{sender.name} {batch or now_utc.strftime('%Y-%m-%dT%H%M%SZ')}.csv"
    outcome = store_file(store, name.replace("/", "-"), data, _OPTIONS)
    with store.writing() as connection:
        if batch is not None:
            senders.note_batch(
                connection, sender_id=sender.number, batch=batch, sha256=sha256, run=outcome.run,
                now_utc=now_utc,
            )  # fmt: skip
        senders.note_use(connection, sender.number, now_utc=now_utc)
        examination = imports.run(connection, outcome.run)["examination"]
    return BatchOutcome(stored=outcome, samples=len(table), left_out=_left_out(examination))


def _left_out(examination: dict[str, Any]) -> tuple[LeftOut, ...]:
    return tuple(
        LeftOut(point=c["heading"], why=c["left_out"] or "not in the register")
        for c in examination["columns"]
        if not c["taken_for"]
    )


def _stamp(moment: datetime) -> str:
    return moment.astimezone(UTC).isoformat().replace("+00:00", "Z")
