"""Read all kept originals again with the register as it is now.

For a mapping or unit that was wrong: what was stored under it goes, and every file is read anew in the
order of its last import, as its user answered then. One transaction: it is done whole or not at all.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from functools import partial
from typing import TYPE_CHECKING, Any

from sqlalchemy import Connection

from analytics.vocabulary.errors import IngestError
from service.register.plant import Plant
from service.store import gaps, imports, registered
from service.store.codec import plain
from service.store.imports import Change
from service.store.store import Store
from service.usecases.files import (
    ImportOptions,
    SentFile,
    read_source,
    survey_source,
    way_of_reading,
)
from service.usecases.importing import (
    NeedsWhole,
    Taken,
    read_large,
    refused_of,
    store_gaps_of,
)
from service.usecases.progress import Progress, silent

if TYPE_CHECKING:
    from ingest.examination import Examination


@dataclass(frozen=True, slots=True, kw_only=True)
class Reread:
    """What reading the originals again did."""

    files: int
    values_before: int
    values_now: int
    tags: tuple[str, ...]


def reread(store: Store, *, accept: bool = False, progress: Progress | None = None) -> Reread:
    """Read every kept file again and put its readings in the place of those stored before.

    Raises
    ------
    IngestError
        If a file cannot be read any more, or leaves a question open that was not answered when it was
        imported; nothing is changed then. ``accept`` takes such files as the check shows them.
    """
    report = progress or silent
    with store.writing() as connection:
        plant = registered.load_plant(connection)
        runs = imports.last_runs(connection)
        known = {e.tag for e in plant.exchangers}
        touched = sorted({tag for run in runs for tag in run["tags"]})
        before = sum(imports.clear_readings(connection, tag) for tag in touched)
        for tag in touched:
            gaps.clear_gaps(connection, tag)
        now = 0
        for number, run in enumerate(runs):
            report(f"reading {run['name']}", number, len(runs))
            now += _read_again(connection, plant, run, accept=accept)
        for tag in touched:
            imports.mark_changed(connection, tag)
        report("read", len(runs), len(runs))
    return Reread(
        files=len(runs),
        values_before=before,
        values_now=now,
        tags=tuple(t for t in touched if t in known),
    )


def _read_again(
    connection: Connection, plant: Plant, run: Mapping[str, Any], *, accept: bool
) -> int:
    options = ImportOptions(**(run["options"] or {}))
    options = replace(options, accept=options.accept or accept)
    sent = SentFile.kept(connection, run["sha256"], run["name"])
    read = _in_parts(connection, plant, sent, options)
    if read is None:
        source = read_source(plant, run["name"], sent.whole(), options)
        _refuse_open(run["name"], source.examination, options)
        change = Change()
        for tag, frame in source.trends.items():
            change += imports.store_readings(connection, tag, frame)
        store_gaps_of(connection, source)
        read = Taken(source.examination, source.findings, tuple(source.trends), change)
    imports.add_run(
        connection,
        sha256=run["sha256"],
        name=run["name"],
        reading_fingerprint=way_of_reading(plant, options),
        now_utc=datetime.now(UTC),
        tags=read.tags,
        change=read.change,
        refused_rows=refused_of(read.examination),
        examination=read.examination.to_dict(),
        options=plain(options),
        findings=(f.to_dict() for f in read.findings),
    )
    return read.change.new_values


def _in_parts(
    connection: Connection, plant: Plant, sent: SentFile, options: ImportOptions
) -> Taken | None:
    """Read a large file part by part; ``None`` where it has to be read whole, with nothing stored."""
    survey = survey_source(plant, sent, options)
    if survey is None:
        return None
    _refuse_open(sent.name, survey.examination, options)
    try:
        with connection.begin_nested():
            read = read_large(survey, partial(imports.store_readings, connection))
            _refuse_open(sent.name, read.examination, options)
    except NeedsWhole:
        return None
    return read


def _refuse_open(name: str, examination: "Examination", options: ImportOptions) -> None:
    doubted = [text for texts in examination.mapping_doubts.values() for text in texts]
    questions = [*examination.questions, *doubted]
    if questions and not options.accept:
        raise IngestError(
            f"{name}: nothing is changed before this is answered: {' '.join(questions)} "
            "Give --accept to take it as the check shows it."
        )
