"""The tables. A change here needs a migration beside it in ``migrations/versions``."""

from datetime import datetime
from typing import Any

from sqlalchemy import (
    JSON,
    BigInteger,
    Column,
    Double,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    Table,
    UniqueConstraint,
)
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column

from analytics.vocabulary.quantities import DAILY_COLUMNS, ESTIMATED_COLUMNS
from service.store.types import UtcDateTime

DAILY_NAMES: tuple[str, ...] = tuple(
    name
    for q in DAILY_COLUMNS
    for name in (
        (q.name, f"{q.name}_low", f"{q.name}_high") if q.name in ESTIMATED_COLUMNS else (q.name,)
    )
)


class Base(DeclarativeBase):
    """Base of all tables; constraints have names, so that migrations can speak of them."""

    metadata = MetaData(
        naming_convention={
            "ix": "ix_%(column_0_label)s",
            "uq": "uq_%(table_name)s_%(column_0_name)s",
            "ck": "ck_%(table_name)s_%(constraint_name)s",
            "fk": "fk_%(table_name)s_%(column_0_name)s_%(referred_table_name)s",
            "pk": "pk_%(table_name)s",
        }
    )
    type_annotation_map = {  # noqa: RUF012 - SQLAlchemy reads it from the class
        datetime: UtcDateTime,
        dict[str, Any]: JSON,
        list[str]: JSON,
        float: Double,
    }


class PlantRow(Base):
    """The site as registered last; one row."""

    __tablename__ = "plant"

    id: Mapped[int] = mapped_column(primary_key=True)
    snapshot: Mapped[dict[str, Any]]  # the plant without its exchangers
    registered_utc: Mapped[datetime]


class ExchangerRow(Base):
    """An exchanger as registered last. One taken out of the register keeps its readings."""

    __tablename__ = "exchanger"

    id: Mapped[int] = mapped_column(primary_key=True)
    tag: Mapped[str] = mapped_column(unique=True)
    position: Mapped[int]  # in the register
    registered: Mapped[bool]
    snapshot: Mapped[dict[str, Any]]
    data_version: Mapped[int] = mapped_column(default=0)  # rises with every import that changed it


class SourceFileRow(Base):
    """The bytes of an imported file, so that a wrong mapping can be put right."""

    __tablename__ = "source_file"

    sha256: Mapped[str] = mapped_column(primary_key=True)
    name: Mapped[str]
    size: Mapped[int]
    stored_utc: Mapped[datetime]


class SourcePartRow(Base):
    """A part of such a file; together, in the order of their numbers, they are the file."""

    __tablename__ = "source_part"

    sha256: Mapped[str] = mapped_column(ForeignKey("source_file.sha256"), primary_key=True)
    number: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    packed: Mapped[bytes] = mapped_column(LargeBinary)  # by store.originals


class ImportRunRow(Base):
    """One import of a file."""

    __tablename__ = "import_run"

    id: Mapped[int] = mapped_column(primary_key=True)
    sha256: Mapped[str] = mapped_column(ForeignKey("source_file.sha256"), index=True)
    name: Mapped[str]
    reading_fingerprint: Mapped[str]  # of the options and points the file was read with
    stored_utc: Mapped[datetime]
    tags: Mapped[list[str]]
    rows: Mapped[int]
    new_rows: Mapped[int]
    new_values: Mapped[int]
    changed_values: Mapped[int]
    refused_rows: Mapped[int]
    examination: Mapped[dict[str, Any]]
    options: Mapped[dict[str, Any] | None]  # what the user said of the file; None: not kept then


class SenderRow(Base):
    """A program that may push samples. Of its token the hash alone is kept."""

    __tablename__ = "sender"

    id: Mapped[int] = mapped_column(primary_key=True)
    name: Mapped[str] = mapped_column(unique=True)
    key: Mapped[str] = mapped_column(unique=True)  # the part of the token by which it is found
    token_hash: Mapped[str]  # Argon2id
    created_utc: Mapped[datetime]
    revoked_utc: Mapped[datetime | None]
    last_used_utc: Mapped[datetime | None]


class PushedBatchRow(Base):
    """A batch that a sender named, so that the same name cannot stand for two."""

    __tablename__ = "pushed_batch"

    sender_id: Mapped[int] = mapped_column(ForeignKey("sender.id"), primary_key=True)
    batch: Mapped[str] = mapped_column(primary_key=True)
    sha256: Mapped[str]
    run_id: Mapped[int] = mapped_column(ForeignKey("import_run.id"))
    received_utc: Mapped[datetime]


class BacnetLogRow(Base):
    """How far a log of a BACnet device was read."""

    __tablename__ = "bacnet_log"

    device: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)  # instance
    log: Mapped[str] = mapped_column(primary_key=True)  # object identifier
    epoch: Mapped[int]
    number: Mapped[int] = mapped_column(BigInteger)  # of the last record read
    fingerprint: Mapped[str]
    last_utc: Mapped[datetime | None]
    read: Mapped[int]
    lost: Mapped[int]
    seen_utc: Mapped[datetime]


class FindingRow(Base):
    """Something refused, doubted or noted in an import."""

    __tablename__ = "finding"

    id: Mapped[int] = mapped_column(primary_key=True)
    run_id: Mapped[int] = mapped_column(ForeignKey("import_run.id"), index=True)
    line: Mapped[int | None]
    column: Mapped[str | None]
    reason: Mapped[str]
    severity: Mapped[str]
    text: Mapped[str]
    count: Mapped[int]


class MaintenanceRow(Base):
    """An entry of the maintenance log; an empty ``role`` means none, so that entries can be told apart."""

    __tablename__ = "maintenance_event"
    __table_args__ = (UniqueConstraint("exchanger_id", "at_utc", "deed", "role"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    exchanger_id: Mapped[int] = mapped_column(ForeignKey("exchanger.id"))
    at_utc: Mapped[datetime]
    deed: Mapped[str]
    role: Mapped[str] = mapped_column(default="")
    plates_after: Mapped[int | None]
    note: Mapped[str]
    entered_utc: Mapped[datetime]


class EvaluationRow(Base):
    """An assessment. Older ones keep their verdict alone: document and intervals are of the newest."""

    __tablename__ = "evaluation"

    id: Mapped[int] = mapped_column(primary_key=True)
    exchanger_id: Mapped[int] = mapped_column(ForeignKey("exchanger.id"))
    through_utc: Mapped[datetime]
    made_utc: Mapped[datetime]
    fingerprint: Mapped[str]  # of register, readings and log it rests on
    verdict: Mapped[str]
    cause: Mapped[str | None]
    newest: Mapped[bool]
    document: Mapped[dict[str, Any] | None]
    intervals: Mapped[bytes | None] = mapped_column(LargeBinary)  # Parquet
    day_marks: Mapped[bytes | None] = mapped_column(
        LargeBinary
    )  # of the readings, by usecases.reopening

    __table_args__ = (Index("ix_evaluation_exchanger_id_made_utc", "exchanger_id", "made_utc"),)


class AlertRow(Base):
    """An alert and what people did about it."""

    __tablename__ = "alert"

    id: Mapped[int] = mapped_column(primary_key=True)
    exchanger_id: Mapped[int] = mapped_column(ForeignKey("exchanger.id"), index=True)
    kind: Mapped[str]
    subject: Mapped[str | None]
    raised_utc: Mapped[datetime]
    ended_utc: Mapped[datetime | None]
    remark: Mapped[dict[str, Any]]
    acknowledged_utc: Mapped[datetime | None]
    acknowledged_by: Mapped[str]
    shelved_until_utc: Mapped[datetime | None]
    shelved_by: Mapped[str]
    out_of_service: Mapped[bool]
    suppressed: Mapped[bool]
    withdrawn_utc: Mapped[datetime | None]


class GapRow(Base):
    """A stretch over which a logger says that it did not log; see ``analytics.vocabulary.gaps``."""

    __tablename__ = "reading_gap"

    exchanger_id: Mapped[int] = mapped_column(ForeignKey("exchanger.id"), primary_key=True)
    role: Mapped[str] = mapped_column(primary_key=True)
    begin_utc: Mapped[datetime] = mapped_column(primary_key=True)
    end_utc: Mapped[datetime]
    reason: Mapped[str]


class AlertStepRow(Base):
    """One step in the life of an alert; rows are only ever added."""

    __tablename__ = "alert_step"

    id: Mapped[int] = mapped_column(primary_key=True)
    alert_id: Mapped[int] = mapped_column(ForeignKey("alert.id"), index=True)
    at_utc: Mapped[datetime]  # when the ledger learnt of it
    what: Mapped[str]
    raised_utc: Mapped[datetime]  # the alert's days from then on
    ended_utc: Mapped[datetime | None]
    by: Mapped[str]
    reason: Mapped[dict[str, Any] | None]  # a remark; none: the ordinary course


class ProposalRow(Base):
    """A log entry that seems to be missing, and what a person decided on it."""

    __tablename__ = "proposal"

    id: Mapped[int] = mapped_column(primary_key=True)
    exchanger_id: Mapped[int] = mapped_column(ForeignKey("exchanger.id"), index=True)
    deed: Mapped[str]
    role: Mapped[str] = mapped_column(default="")
    at_utc: Mapped[datetime]
    document: Mapped[dict[str, Any]]  # the proposal as made last
    state: Mapped[str]
    made_utc: Mapped[datetime]  # when it was first made
    decided_utc: Mapped[datetime | None]
    decided_by: Mapped[str]
    note: Mapped[str]


class SeenRow(Base):
    """When a reader last looked; ``view`` names what at."""

    __tablename__ = "seen"

    view: Mapped[str] = mapped_column(primary_key=True)
    at_utc: Mapped[datetime]


# Some thousand readings a row; what is in it is written and read by store.readings alone.
reading_block = Table(
    "reading_block",
    Base.metadata,
    Column("exchanger_id", ForeignKey("exchanger.id"), primary_key=True),
    Column("first_utc", UtcDateTime, primary_key=True),
    Column("last_utc", UtcDateTime, nullable=False),
    Column("rows", Integer, nullable=False),
    Column("packed", LargeBinary, nullable=False),
)

# One row per exchanger and day. The key is the row's place on disk in SQLite, so that a range of one
# exchanger is one read.
daily_account = Table(
    "daily_account",
    Base.metadata,
    Column("exchanger_id", ForeignKey("exchanger.id"), primary_key=True),
    Column("day_utc", UtcDateTime, primary_key=True),
    *(Column(name, Double, nullable=True) for name in DAILY_NAMES),
    sqlite_with_rowid=False,
)
