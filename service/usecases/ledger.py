"""All that the pages, the API and the command ask of a plant's ledger, in one place.

Lives here: the facade ``Ledger`` and nothing but calls. What each verb does is in the module of its
name; ``app.state.ledger`` holds one ``Ledger`` for all requests (it may be used from several threads).
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from analytics.vocabulary.records import Evaluation, MaintenanceEvent
from service.alerts.lifecycle import Alert
from service.register.plant import Plant
from service.settings import Settings

if TYPE_CHECKING:
    import pandas as pd

Progress = Callable[[str, int, int], None]  # what, done, of how many


@dataclass(frozen=True, slots=True, kw_only=True)
class ImportOptions:
    """What the user says about a file; ``None`` or empty: find out from the file."""

    exchanger: str | None = None
    date_order: str | None = None  # "day first", "month first", "year first"
    time_zone: str | None = None
    decimal: str | None = None
    delimiter: str | None = None
    encoding: str | None = None
    units: Mapping[str, str] = field(default_factory=dict)  # point -> unit


@dataclass(frozen=True, slots=True, kw_only=True)
class ImportCheck:
    """What a file holds, before anything is stored."""

    name: str
    sha256: str
    size: int
    stored_before_utc: datetime | None  # these very bytes were stored then
    examination: Any  # ingest's examination: dialect, points, questions, findings, counts
    tags: tuple[str, ...]  # exchangers that get readings
    rows: int
    new_rows: int  # stamps the store does not hold yet
    changed_values: int  # values that differ from stored ones; the newer import wins


@dataclass(frozen=True, slots=True, kw_only=True)
class ImportOutcome:
    """What an import stored."""

    name: str
    sha256: str
    run: int
    repeated: bool  # the same bytes and options were stored before: nothing was stored twice
    tags: tuple[str, ...]
    rows: int
    new_rows: int
    changed_values: int
    findings: int
    refused_rows: int


@dataclass(frozen=True, slots=True, kw_only=True)
class AssessOutcome:
    """Which exchangers were assessed anew, which had nothing new, which failed and why."""

    assessed: tuple[str, ...]
    unchanged: tuple[str, ...]
    without_readings: tuple[str, ...]
    failed: Mapping[str, str]
    seconds: float


class Ledger:
    """A plant's ledger: register, readings, evaluations, alerts, maintenance log."""

    def plant(self) -> Plant:
        """Return the registered plant; raise RegisterError if none is registered yet."""

    def evaluations(self) -> tuple[Evaluation, ...]:
        """Return the newest evaluation of each exchanger, the most needy first.

        ``daily`` is filled; ``intervals`` is left empty (ask :meth:`evaluation` for it).
        """

    def evaluation(self, tag: str) -> Evaluation | None:
        """Return the newest evaluation of ``tag`` with all frames, or ``None`` before the first."""

    def made_utc(self, tag: str) -> datetime | None:
        """Return when the newest evaluation of ``tag`` was made."""

    def intervals(self, tag: str, start_utc: datetime, end_utc: datetime) -> "pd.DataFrame":
        """Return the grid intervals of ``tag`` in the range."""

    def readings(self, tag: str, start_utc: datetime | None, end_utc: datetime | None) -> "pd.DataFrame":
        """Return the stored readings of ``tag`` as a trend frame; ``None``: from or to the end."""

    def events(self, tag: str | None = None) -> tuple[MaintenanceEvent, ...]:
        """Return the maintenance log, oldest first; of one exchanger or of all."""

    def add_event(self, event: MaintenanceEvent) -> bool:
        """Store a log entry; return False if it stood there already."""

    def alerts(self, tag: str | None = None) -> tuple[Alert, ...]:
        """Return all alerts, newest first; ``alert.state(now)`` gives the state."""

    def acknowledge_alert(self, number: int, *, by: str = "") -> Alert:
        """Acknowledge; raise PlateledgerError if there is no such alert."""

    def shelve_alert(self, number: int, *, until_utc: datetime | None, by: str = "") -> Alert:
        """Shelve until then; ``None`` takes it off the shelf."""

    def put_out_of_service(self, number: int, *, out: bool = True) -> Alert:
        """Take an alert out of service, or back into it."""

    def import_check(self, name: str, data: bytes, options: ImportOptions) -> ImportCheck:
        """Examine a file and say what storing it would do; nothing is stored."""

    def import_store(
        self, name: str, data: bytes, options: ImportOptions, *, progress: Progress | None = None
    ) -> ImportOutcome:
        """Store a file's readings, in one transaction; raise IngestError if questions are open."""

    def import_runs(self) -> tuple[Mapping[str, Any], ...]:
        """Return the past imports, newest first: run, name, stored_utc, rows, findings, tags."""

    def findings(self, run: int, *, limit: int = 1000) -> tuple[Mapping[str, Any], ...]:
        """Return what an import refused or remarked: line, column, reason, severity, text."""

    def assess(
        self,
        tags: Sequence[str] | None = None,
        *,
        again: bool = False,
        progress: Progress | None = None,
    ) -> AssessOutcome:
        """Assess exchangers whose data, log or register changed; ``again``: all of ``tags``."""

    def assess_soon(self, tags: Sequence[str] | None = None) -> None:
        """Start :meth:`assess` in the background and return at once."""

    def working_on(self) -> tuple[str, ...]:
        """Return the exchangers that are being assessed in the background now."""

    def document_pdf(self, tag: str) -> bytes:
        """Return the cleaning document of ``tag`` as PDF."""

    def write_document(self, tag: str, path: Path | None = None) -> Path:
        """Write the cleaning document; ``None``: into the workspace's documents."""

    def last_seen(self) -> datetime | None:
        """Return when the reader last looked at the first page."""

    def mark_seen(self) -> None:
        """Remember that the reader looks now."""
