"""Import a trend file: say what it holds, then store it, whole or not at all."""

from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any

import pandas as pd
from sqlalchemy import Connection

from analytics.vocabulary.errors import IngestError
from service.register.plant import Plant
from service.store import gaps, imports, originals, registered
from service.store.codec import plain
from service.store.imports import Change
from service.store.store import Store
from service.usecases.files import ImportOptions, Source, digest, read_source, way_of_reading
from service.usecases.import_report import ImportAccount, account_of
from service.usecases.progress import Progress, silent

if TYPE_CHECKING:
    from ingest.examination import Examination
    from ingest.findings import Finding


@dataclass(frozen=True, slots=True, kw_only=True)
class ImportCheck:
    """What a file holds and what storing it would do; nothing is stored."""

    name: str
    sha256: str
    size: int
    stored_before_utc: datetime | None  # these very bytes were stored then
    examination: "Examination"
    findings: "tuple[Finding, ...]"
    tags: tuple[str, ...]  # exchangers that get readings
    rows: int
    new_rows: int  # stamps the store does not hold yet
    new_values: int
    changed_values: int  # values that differ from stored ones; the newer import wins
    refused_rows: int

    @property
    def questions(self) -> tuple[str, ...]:
        """What has to be answered before the file can be stored."""
        return tuple(self.examination.questions)


@dataclass(frozen=True, slots=True, kw_only=True)
class ImportOutcome:
    """What an import stored."""

    name: str
    sha256: str
    run: int
    repeated: bool  # the same bytes were stored before: nothing was stored twice
    tags: tuple[str, ...]
    rows: int
    new_rows: int
    new_values: int
    changed_values: int
    refused_rows: int
    account: ImportAccount
    findings: int
    stored_utc: datetime


def check_file(store: Store, name: str, data: bytes, options: ImportOptions) -> ImportCheck:
    """Examine a file and compare it with what is stored.

    Raises
    ------
    IngestError
        If the file cannot be read at all.
    """
    read = _read(store, name, data, options, propose=True)
    sha256 = digest(data)
    change = Change()
    with store.reading() as connection:
        for tag, frame in read.trends.items():
            change += imports.compare(connection, tag, frame)
        before = imports.last_run_of(connection, sha256)
    return ImportCheck(
        name=name,
        sha256=sha256,
        size=len(data),
        stored_before_utc=None if before is None else before["stored_utc"],
        examination=read.examination,
        findings=read.findings,
        tags=tuple(read.trends),
        rows=change.rows,
        new_rows=change.new_rows,
        new_values=change.new_values,
        changed_values=change.changed_values,
        refused_rows=_refused(read.examination),
    )


def store_file(
    store: Store,
    name: str,
    data: bytes,
    options: ImportOptions,
    *,
    progress: Progress | None = None,
    beside: Callable[[Connection], None] = lambda _connection: None,
) -> ImportOutcome:
    """Store a file's readings in one transaction.

    Storing the same bytes again, read in the same way, stores nothing and says so. A file that
    overlaps stored readings is merged with them; where a value differs the newer import wins.
    ``beside`` stores more in the same transaction.

    Raises
    ------
    IngestError
        If the file cannot be read, or a question about it is open; nothing is stored then.
    """
    report = progress or silent
    sha256 = digest(data)
    with store.reading() as connection:
        plant = registered.load_plant(connection)
        way = way_of_reading(plant, options)
        before = imports.last_run_of(connection, sha256, way)
    if before is not None:
        return _outcome(before, repeated=True, findings=0)
    report(f"reading {name}", 0, 2)
    with ThreadPoolExecutor(1) as beside_reading:
        packed = beside_reading.submit(originals.pack_all, data)  # releases the interpreter
        read = _read(store, name, data, options, plant)
    if read.examination.questions and not options.accept:
        raise IngestError(
            f"{name}: nothing is stored before this is answered: "
            + " ".join(read.examination.questions)
        )
    if not read.trends:
        raise IngestError(
            f"{name}: no column of it is a point of the register, so nothing is stored. "
            "Look at what it holds: plateledger import --check"
        )
    report(f"storing {name}", 1, 2)
    now_utc = datetime.now(UTC)
    change = Change()
    with store.writing() as connection:
        # somebody else may have stored the same file while this one was being read
        before = imports.last_run_of(connection, sha256, way)
        if before is not None:
            return _outcome(before, repeated=True, findings=0)
        originals.keep(
            connection, sha256=sha256, name=name, size=len(data), packed=packed.result(),
            now_utc=now_utc,
        )  # fmt: skip
        for tag, frame in read.trends.items():
            change += imports.store_readings(connection, tag, frame)
        store_gaps_of(connection, read)
        run = imports.add_run(
            connection,
            sha256=sha256,
            name=name,
            reading_fingerprint=way,
            now_utc=now_utc,
            tags=read.trends,
            change=change,
            refused_rows=_refused(read.examination),
            examination=read.examination.to_dict(),
            options=plain(options),
            findings=(f.to_dict() for f in read.findings),
        )
        beside(connection)
        stored = imports.run(connection, run)
    report(f"stored {name}", 2, 2)
    return _outcome(stored, repeated=False, findings=len(read.findings))


def _read(
    store: Store,
    name: str,
    data: bytes,
    options: ImportOptions,
    plant: Plant | None = None,
    *,
    propose: bool = False,
) -> Source:
    if plant is None:
        with store.reading() as connection:
            plant = registered.load_plant(connection)
    read = read_source(plant, name, data, options, propose=propose)
    examination = read.examination
    with store.reading() as connection:
        for tag, frame in read.trends.items():
            stored = _stored_beside(connection, tag, frame)
            if stored is None:
                # later files of the same points were asked about with the first
                for text in examination.mapping_doubts.get(tag, ()):
                    examination.ask(text)
            elif (question := _clock_question(frame, stored)) is not None:
                examination.ask(f"{tag}: {question}")
        if examination.clock_assumed:
            read = _doubt_clock(connection, read, plant)
    return read


def _doubt_clock(connection: Connection, read: Source, plant: Plant) -> Source:
    """Say where the day outdoors jumps with the clock, against what is stored of the weeks around."""
    from ingest.clock_offset import WEATHER, stays_on_one_offset
    from ingest.findings import Finding

    for tag, frame in read.trends.items():
        if WEATHER not in frame.columns or imports.reading_span(connection, tag) is None:
            continue
        around = timedelta(days=62)  # the window on either side of a change of the clock
        first, last = frame.index[0].to_pydatetime(), frame.index[-1].to_pydatetime()
        stored = imports.load_readings(connection, tag, first - around, last + around)
        if WEATHER not in stored.columns:
            continue
        text = stays_on_one_offset(frame[WEATHER], stored[WEATHER], plant.zone)
        if text is not None:
            reason, found = "clock on one offset", f"{tag}: {text}"
            read.examination.clock_note = f"{read.examination.clock_note} {found}".strip()
            read.examination.doubtful = {**read.examination.doubtful, reason: 1}
            finding = Finding(None, None, reason, found, "doubtful")
            return replace(read, findings=(*read.findings, finding))
    return read


def store_gaps_of(connection: Connection, source: Source) -> None:
    """Store the gaps that a file tells of, beside its readings."""
    for tag, frame in source.gaps.items():
        if gaps.store_gaps(connection, tag, frame):
            imports.mark_changed(connection, tag)


def _stored_beside(connection: Connection, tag: str, frame: pd.DataFrame) -> pd.DataFrame | None:
    """Return what is stored of an exchanger over the time of a file; ``None``: nothing at all."""
    if imports.reading_span(connection, tag) is None:
        return None
    if frame.empty:
        return frame
    start, end = frame.index[0].to_pydatetime(), frame.index[-1].to_pydatetime()
    return imports.load_readings(connection, tag, start, end)


def _clock_question(frame: pd.DataFrame, stored: pd.DataFrame) -> str | None:
    """Return what is odd about the clock of a file against points that came from elsewhere."""
    from ingest.clock_offset import clock_offset, offset_sentence

    others = stored[[c for c in stored.columns if c not in frame.columns]]
    found = clock_offset(frame, others)
    return None if found is None else offset_sentence(found, frame, others)


def _refused(examination: "Examination") -> int:
    return sum(examination.refused.values())


def _outcome(run: Mapping[str, Any], *, repeated: bool, findings: int) -> ImportOutcome:
    names = ("name", "sha256", "rows", "new_rows", "new_values", "changed_values", "refused_rows",
             "stored_utc")  # fmt: skip
    values: dict[str, Any] = {name: run[name] for name in names}
    if repeated:
        values |= {"new_rows": 0, "new_values": 0, "changed_values": 0}
    return ImportOutcome(
        run=run["id"],
        tags=tuple(run["tags"]),
        repeated=repeated,
        findings=findings,
        account=account_of(run["examination"]),
        **values,
    )
