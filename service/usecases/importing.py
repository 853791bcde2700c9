"""Import a trend file: say what it holds, then store it, whole or not at all."""

from collections.abc import Callable, Iterable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd
from sqlalchemy import Connection

from analytics.vocabulary.errors import IngestError
from service.register.plant import Plant
from service.store import gaps, imports, originals, registered
from service.store.codec import plain
from service.store.imports import Change
from service.store.store import Store
from service.usecases.files import (
    ImportOptions,
    SentFile,
    Source,
    read_source,
    survey_source,
    way_of_reading,
)
from service.usecases.import_report import ImportAccount, account_of
from service.usecases.progress import Progress, silent

if TYPE_CHECKING:
    from ingest.examination import Examination
    from ingest.findings import Finding
    from ingest.large import Survey

# the least a packed file has that unpacks to what is read part by part
_LARGE_PERHAPS = 4 << 20


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
    rows: int  # stamps with a value, those of each exchanger counted by themselves
    new_rows: int  # of these, stamps the store does not hold yet
    new_values: int
    changed_values: int  # values that differ from stored ones; the newer import wins
    refused_rows: int  # lines and cells

    @property
    def account(self) -> ImportAccount:
        """What would become of the lines and cells of the file, counted as an import counts them."""
        return account_of(self.examination.to_dict())

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


def check_file(
    store: Store,
    name: str,
    data: bytes | Path,
    options: ImportOptions,
    plant: Plant | None = None,
) -> ImportCheck:
    """Examine a file and compare it with what is stored; ``plant``: by a register that was not loaded.

    Raises
    ------
    IngestError
        If the file cannot be read at all.
    """
    sent = SentFile.of(name, data)
    if plant is None:
        with store.reading() as connection:
            plant = registered.load_plant(connection)
    sha256, size = sent.digest()
    change = Change()
    with store.reading() as connection:
        compare = partial(imports.compare, connection)
        read = _check_large(connection, plant, sent, options) if size >= _LARGE_PERHAPS else None
        if read is None:
            whole = read_source(plant, name, sent.whole(), options, propose=True)
            whole = _ask_beside_stored(connection, plant, whole)
            for tag, frame in whole.trends.items():
                change += compare(tag, frame)
            read = Taken(whole.examination, whole.findings, tuple(whole.trends), change)
        before = imports.last_run_of(connection, sha256)
    return ImportCheck(
        name=name,
        sha256=sha256,
        size=size,
        stored_before_utc=None if before is None else before["stored_utc"],
        examination=read.examination,
        findings=read.findings,
        tags=read.tags,
        rows=read.change.rows,
        new_rows=read.change.new_rows,
        new_values=read.change.new_values,
        changed_values=read.change.changed_values,
        refused_rows=refused_of(read.examination),
    )


def store_file(
    store: Store,
    name: str,
    data: bytes | Path,
    options: ImportOptions,
    *,
    progress: Progress | None = None,
    beside: Callable[[Connection], None] = lambda _connection: None,
) -> ImportOutcome:
    """Store a file's readings in one transaction.

    Storing the same bytes again, read in the same way, stores nothing and says so. A file that
    overlaps stored readings is merged with them; where a value differs the newer import wins.
    A large one is read and stored part by part, in one transaction all the same.
    ``beside`` stores more in the same transaction.

    Raises
    ------
    IngestError
        If the file cannot be read, or a question about it is open; nothing is stored then.
    """
    report = progress or silent
    sent = SentFile.of(name, data)
    sha256, size = sent.digest()
    with store.reading() as connection:
        plant = registered.load_plant(connection)
        way = way_of_reading(plant, options)
        before = imports.last_run_of(connection, sha256, way)
    if before is not None:
        return _outcome(before, repeated_as=sent.name)
    report(f"reading {name}", 0, 2)

    def record(connection: Connection, read: Taken) -> Mapping[str, Any]:
        run = imports.add_run(
            connection,
            sha256=sha256,
            name=name,
            reading_fingerprint=way,
            now_utc=datetime.now(UTC),
            tags=read.tags,
            change=read.change,
            refused_rows=refused_of(read.examination),
            examination=read.examination.to_dict(),
            options=plain(options),
            findings=(f.to_dict() for f in read.findings),
        )
        beside(connection)
        return imports.run(connection, run)

    def keep(connection: Connection, packed: Iterable[bytes]) -> None:
        now_utc = datetime.now(UTC)
        originals.keep(
            connection, sha256=sha256, name=name, size=size, packed=packed, now_utc=now_utc
        )

    if size >= _LARGE_PERHAPS:
        done = _store_large(store, plant, sent, options, (sha256, way), keep, record)
        if done is not None:
            report(f"stored {name}", 2, 2)
            return done
    whole = sent.whole()
    with ThreadPoolExecutor(1) as beside_reading:
        packed = beside_reading.submit(originals.pack_all, whole)  # releases the interpreter
        source = read_source(plant, name, whole, options)
        with store.reading() as connection:
            source = _ask_beside_stored(connection, plant, source)
    refuse_open_questions(name, source.examination, options)
    if not source.trends:
        raise IngestError(
            f"{name}: no column of it is a point of the register, so nothing is stored. "
            "Look at what it holds: plateledger import --check"
        )
    report(f"storing {name}", 1, 2)
    with store.writing() as connection:
        # somebody else may have stored the same file while this one was being read
        before = imports.last_run_of(connection, sha256, way)
        if before is not None:
            return _outcome(before, repeated_as=sent.name)
        keep(connection, packed.result())
        change = Change()
        for tag, frame in source.trends.items():
            change += imports.store_readings(connection, tag, frame)
        store_gaps_of(connection, source)
        read = Taken(source.examination, source.findings, tuple(source.trends), change)
        stored = record(connection, read)
    report(f"stored {name}", 2, 2)
    return _outcome(stored, findings=len(read.findings))


def _check_large(
    connection: Connection, plant: Plant, sent: SentFile, options: ImportOptions
) -> "Taken | None":
    survey = survey_source(plant, sent, options, propose=True)
    if survey is None:
        return None
    _ask_mapping(connection, survey)
    try:
        read = read_large(survey, partial(imports.compare, connection))
        return _ask_about_large(connection, plant, read)
    except NeedsWhole:
        return None


def refuse_open_questions(name: str, examination: "Examination", options: ImportOptions) -> None:
    """Raise IngestError where a question is open that the user did not accept."""
    questions = examination.questions
    if questions and not options.accept:
        raise IngestError(
            f"{name}: nothing is stored before this is answered: {' '.join(questions)}"
        )


@dataclass(frozen=True, slots=True)
class Taken:
    """What was read of a file, and what it changed, or would change, in what is stored."""

    examination: "Examination"
    findings: "tuple[Finding, ...]"
    tags: tuple[str, ...]
    change: Change
    means: Mapping[str, pd.DataFrame] = field(default_factory=dict)  # of five minutes; if large


class NeedsWhole(Exception):
    """A file that was read part by part is to be read whole; what was stored of it must be undone."""


def read_large(survey: "Survey", take: Callable[[str, pd.DataFrame], Change]) -> Taken:
    """Read a large file part by part, each part's frame of an exchanger going to ``take``.

    Raises
    ------
    NeedsWhole
        If its parts do not tell enough, and it is small enough to be read whole.
    IngestError
        If it cannot be read.
    """
    change = Change()
    means: dict[str, list[pd.DataFrame]] = {}
    try:
        for part in survey.parts():
            for tag, frame in part.items():
                change += take(tag, frame)
                means.setdefault(tag, []).append(_means(frame))
    except IngestError as exc:
        if survey.examination.size_bytes > survey.rules.bytes_most:
            raise
        raise NeedsWhole from exc
    # stamps that two parts share, each with some of the points, count once
    change = replace(change, rows=survey.totals.rows)
    joined = {tag: _joined(parts) for tag, parts in means.items()}
    return Taken(survey.examination, tuple(survey.findings), tuple(means), change, joined)


def _store_large(
    store: Store,
    plant: Plant,
    sent: SentFile,
    options: ImportOptions,
    key: tuple[str, str],
    keep: Callable[[Connection, Iterable[bytes]], None],
    record: Callable[[Connection, Taken], Mapping[str, Any]],
) -> ImportOutcome | None:
    """Store a large file part by part; ``None``: it is to be read whole, and nothing was stored."""
    survey = survey_source(plant, sent, options)
    if survey is None:
        return None
    with store.reading() as connection:
        _ask_mapping(connection, survey)
    refuse_open_questions(sent.name, survey.examination, options)
    try:
        with store.writing() as connection:
            before = imports.last_run_of(connection, *key)
            if before is not None:
                return _outcome(before, repeated_as=sent.name)
            keep(connection, sent.packed())
            read = read_large(survey, partial(imports.store_readings, connection))
            read = _ask_about_large(connection, plant, read)
            refuse_open_questions(sent.name, read.examination, options)
            stored = record(connection, read)
    except NeedsWhole:
        return None
    return _outcome(stored, findings=len(read.findings))


def _ask_beside_stored(connection: Connection, plant: Plant, read: Source) -> Source:
    """Ask about what a file shows beside the readings that are stored."""
    examination = read.examination
    for tag, frame in read.trends.items():
        stored = _stored_beside(connection, tag, frame)
        if stored is None:
            # later files of the same points were asked about with the first
            for text in examination.mapping_doubts.get(tag, ()):
                examination.ask(text)
        elif (question := _clock_question(frame, stored)) is not None:
            examination.ask(f"{tag}: {question}")
    return _doubt_clock(connection, read, plant) if examination.clock_assumed else read


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


def _ask_mapping(connection: Connection, survey: "Survey") -> None:
    """Ask what the first file of an exchanger is asked."""
    for tag in survey.sample:
        if imports.reading_span(connection, tag) is None:
            for text in survey.examination.mapping_doubts.get(tag, ()):
                survey.examination.ask(text)


def _ask_about_large(connection: Connection, plant: Plant, read: Taken) -> Taken:
    """Ask of a large file what is asked of others beside stored readings, by means of five minutes."""
    from ingest.clock_offset import WEATHER, stays_on_one_offset
    from ingest.findings import Finding

    examination, around = read.examination, timedelta(days=62)
    for tag, frame in read.means.items():
        first, last = frame.index[0].to_pydatetime(), frame.index[-1].to_pydatetime()
        # roles of this file say nothing of themselves
        stored = _stored_means(connection, tag, first, last)
        if (question := _clock_question(frame, stored)) is not None:
            examination.ask(f"{tag}: {question}")
        if not examination.clock_assumed or WEATHER not in frame.columns:
            continue
        beside = pd.concat(
            [
                _stored_means(connection, tag, first - around, first),
                _stored_means(connection, tag, last, last + around),
            ]
        )
        if WEATHER not in beside.columns:
            continue
        text = stays_on_one_offset(frame[WEATHER], beside[WEATHER], plant.zone)
        if text is not None:
            reason, found = "clock on one offset", f"{tag}: {text}"
            examination.clock_note = f"{examination.clock_note} {found}".strip()
            examination.doubtful = {**examination.doubtful, reason: 1}
            finding = Finding(None, None, reason, found, "doubtful")
            return replace(read, findings=(*read.findings, finding))
    return read


def _stored_means(connection: Connection, tag: str, start: datetime, end: datetime) -> pd.DataFrame:
    """Return means of five minutes of what is stored, of which only a few days are held at a time."""
    parts = []
    while start < end:
        following = min(start + timedelta(days=4), end)
        parts.append(_means(imports.load_readings(connection, tag, start, following)))
        start = following
    return _joined(parts)


def _means(frame: pd.DataFrame) -> pd.DataFrame:
    return frame.groupby(pd.DatetimeIndex(frame.index).floor("5min")).mean()


def _joined(parts: Sequence[pd.DataFrame]) -> pd.DataFrame:
    whole = pd.concat([p for p in parts if len(p)] or [*parts[:1], pd.DataFrame()])
    return whole.groupby(level=0).mean().sort_index() if len(whole) else whole


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


def refused_of(examination: "Examination") -> int:
    """Return how many lines and cells were refused."""
    return sum(examination.refused.values())


def _outcome(
    run: Mapping[str, Any], *, repeated_as: str | None = None, findings: int = 0
) -> ImportOutcome:
    """Return what a run stored; ``repeated_as``: the name under which the same bytes came again."""
    names = ("name", "sha256", "rows", "new_rows", "new_values", "changed_values", "refused_rows",
             "stored_utc")  # fmt: skip
    values: dict[str, Any] = {name: run[name] for name in names}
    if repeated_as is not None:
        values |= {"name": repeated_as, "new_rows": 0, "new_values": 0, "changed_values": 0}
    return ImportOutcome(
        run=run["id"],
        tags=tuple(run["tags"]),
        repeated=repeated_as is not None,
        findings=findings,
        account=account_of(run["examination"]),
        **values,
    )
