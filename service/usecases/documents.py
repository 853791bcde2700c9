"""Write the document that a client signs."""

from datetime import datetime
from pathlib import Path

from sqlalchemy import Connection

from analytics.vocabulary.errors import EvaluationError
from analytics.vocabulary.records import Evaluation, VerdictKind
from service.register.plant import Plant
from service.register.reading import exchanger_of
from service.settings import Settings
from service.store import evaluations, log, registered
from service.store.store import Store
from service.usecases.after_visit import with_unread_visit


def document_pdf(store: Store, tag: str, made_utc: datetime) -> bytes:
    """Return the cleaning document of an exchanger as PDF, dated ``made_utc``.

    Raises
    ------
    RegisterError
        If the exchanger is not registered.
    EvaluationError
        If it was never assessed.
    """
    from service.documents.cleaning import cleaning_document

    with store.reading() as connection:
        plant = registered.load_plant(connection)
        exchanger = exchanger_of(plant, tag)
        events = log.load_events(connection, exchanger.tag)
        evaluation = _stated(connection, plant, exchanger.tag, with_intervals=True)
    if evaluation is None:
        raise EvaluationError(
            f"{exchanger.tag}: there is no assessment yet to make a document from. "
            "Import its trends, then: plateledger assess"
        )
    return cleaning_document(plant, exchanger, evaluation, events, made_utc)


def _stated(
    connection: Connection, plant: Plant, tag: str, *, with_intervals: bool
) -> Evaluation | None:
    """Return the newest assessment as the log has it by now: no visit is asked for twice."""
    found = evaluations.load_evaluation(connection, tag, with_intervals=with_intervals)
    events = log.load_events(connection, tag)
    return None if found is None else with_unread_visit(found, events, plant)


def document_name(evaluation: Evaluation | None, tag: str) -> str:
    """Return the name of the file: a request only where a cleaning is asked for, else a report."""
    asks = evaluation is not None and evaluation.verdict.kind is VerdictKind.CLEAN_NOW
    return f"{tag.replace(' ', '-')} {'cleaning request' if asks else 'report'}.pdf"


def write_document(
    settings: Settings, store: Store, tag: str, made_utc: datetime, path: Path | None = None
) -> Path:
    """Write the document to ``path``, or into the workspace's documents, and return where.

    Raises
    ------
    EvaluationError
        If there is no assessment, or the file cannot be written.
    """
    data = document_pdf(store, tag, made_utc)
    if path is None:
        with store.reading() as connection:
            plant = registered.load_plant(connection)
            found = _stated(connection, plant, tag, with_intervals=False)
        path = settings.documents_path / document_name(found, tag)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)
    except OSError as exc:
        raise EvaluationError(
            f"{path}: cannot be written, {exc.strerror}. Choose another path with -o."
        ) from None
    return path
