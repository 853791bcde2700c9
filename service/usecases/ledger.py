"""All that the pages, the API and the command ask of a plant's ledger, in one place.

Lives here: the facade ``Ledger`` and nothing but calls. What each verb does is in the module of its
name; ``app.state.ledger`` holds one ``Ledger`` for all requests, from several threads.
"""

from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path
from threading import Lock, Thread
from typing import TYPE_CHECKING, Any, Self

from analytics.vocabulary.records import Evaluation, MaintenanceEvent
from service.alerts.lifecycle import Alert
from service.register import editing
from service.register.plant import Plant
from service.settings import Settings
from service.store import evaluations, imports, log, registered
from service.store.evaluations import EvaluationHead
from service.store.store import Store
from service.usecases import (
    alerting,
    documents,
    import_report,
    importing,
    proposing,
    stored_outages,
    told_gaps,
    workspace,
)
from service.usecases.after_visit import with_unread_visit
from service.usecases.assessing import AssessOutcome, assess, outdated
from service.usecases.confirming import Confirmed, confirm_points
from service.usecases.files import ImportOptions
from service.usecases.importing import ImportCheck, ImportOutcome
from service.usecases.progress import Progress
from service.usecases.proposing import KeptProposal
from service.usecases.ranking import rank
from service.usecases.rereading import Reread, reread
from service.usecases.workspace import Registered

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["AssessOutcome", "ImportCheck", "ImportOptions", "ImportOutcome", "Ledger", "Progress"]

Clock = Callable[[], datetime]
_FIRST_PAGE = "exchangers"
_ASSESSED_EVERY = timedelta(hours=1)


class Ledger:
    """A plant's ledger: register, readings, evaluations, alerts, maintenance log."""

    def __init__(self, settings: Settings, store: Store, *, clock: Clock | None = None) -> None:
        self.settings = settings
        self.store = store
        self._clock = clock
        self._lock = Lock()
        self._working: tuple[str, ...] = ()
        self._background: Thread | None = None
        self._cache: dict[tuple[str, int, bool], Evaluation] = {}

    @classmethod
    def open(cls, settings: Settings, *, clock: Clock | None = None) -> Self:
        """Open the ledger of a workspace; its database is made or brought up to date.

        ``clock`` returns the present moment, aware and in UTC; without: that of the machine.

        Raises
        ------
        StoreError
            If the database cannot be opened.
        """
        return cls(settings, Store.open(settings.url), clock=clock)

    def now(self) -> datetime:
        """Return the present moment in UTC, by which readings are old and alerts are shelved."""
        return machine_clock() if self._clock is None else self._clock()

    def close(self) -> None:
        """Wait for what runs in the background and close the database."""
        if self._background is not None:
            self._background.join()
        self.store.close()

    # --- the plant -----------------------------------------------------------------------------

    def is_registered(self) -> bool:
        """Tell whether a register was loaded."""
        with self.store.reading() as connection:
            return registered.is_registered(connection)

    def plant(self) -> Plant:
        """Return the registered plant; raise RegisterError if none is registered yet."""
        with self.store.reading() as connection:
            return registered.load_plant(connection)

    def load_register(self) -> Registered:
        """Load the workspace's register and log; raise RegisterError where they are wrong."""
        return workspace.load_register(self.settings, self.store)

    def add_exchanger(self, entry: Mapping[str, Any]) -> Registered:
        """Append an exchanger to the register file, keys as in the file, and load it."""
        editing.append_exchanger(self.settings.register_path, entry)
        return self.load_register()

    def set_point(
        self, tag: str, role: str, *, point: str, unit: str, file: str = "*"
    ) -> Registered:
        """Say in the register file which source point a role is, and load it."""
        path = self.settings.register_path
        editing.set_point(path, tag, role, point=point, unit=unit, file=file)
        return self.load_register()

    def register_digest(self) -> str:
        """Return a hash of the register file, by which a later change of it shows."""
        return editing.register_digest(self.settings.register_path)

    def confirm_points(
        self, changes: Sequence[editing.PointChange], *, seen: str, replace: bool = False
    ) -> Confirmed:
        """Write points into the register file as :func:`register_digest` saw it, and load it."""
        return confirm_points(self.settings, self.store, changes, seen=seen, replace=replace)

    # --- evaluations ---------------------------------------------------------------------------

    def evaluations(self) -> tuple[Evaluation, ...]:
        """Return the newest evaluation of each exchanger, the most needy first.

        ``daily`` is filled; ``intervals`` is left empty (ask :meth:`evaluation` for it).
        """
        with self.store.reading() as connection:
            heads = evaluations.heads(connection)
            found = [self._load(connection, h, with_intervals=False) for h in heads.values()]
        kept, events = self.proposals(), self.events()
        plant = self.plant() if found else None
        return rank(
            with_unread_visit(
                proposing.without_decided(e, [k for k in kept if k.tag == e.tag]), events, plant
            )
            for e in found
            if e is not None
        )

    def evaluation(self, tag: str) -> Evaluation | None:
        """Return the newest evaluation of ``tag`` with all frames, or ``None`` before the first."""
        with self.store.reading() as connection:
            head = evaluations.heads(connection).get(tag)
            found = None if head is None else self._load(connection, head, with_intervals=True)
        if found is None:
            return None
        found = proposing.without_decided(found, self.proposals(tag))
        return with_unread_visit(found, self.events(tag), self.plant())

    def made_utc(self, tag: str) -> datetime | None:
        """Return when the newest evaluation of ``tag`` was made."""
        with self.store.reading() as connection:
            head = evaluations.heads(connection).get(tag)
        return None if head is None else head.made_utc

    def verdicts_at(self, at_utc: datetime) -> Mapping[str, tuple[str, str | None]]:
        """Return verdict and cause by tag as a reader saw them at ``at_utc``."""
        with self.store.reading() as connection:
            return evaluations.verdicts_at(connection, at_utc)

    def daily(
        self, tag: str, start_utc: datetime | None = None, end_utc: datetime | None = None
    ) -> "pd.DataFrame":
        """Return the daily account of ``tag`` from start up to, not including, end."""
        with self.store.reading() as connection:
            return evaluations.load_daily(connection, tag, start_utc, end_utc)

    def intervals(
        self, tag: str, start_utc: datetime | None = None, end_utc: datetime | None = None
    ) -> "pd.DataFrame":
        """Return the grid intervals of ``tag`` from start up to, not including, end."""
        found = self.evaluation(tag)
        frame = evaluations.empty_intervals() if found is None else found.intervals
        keep = slice(
            0 if start_utc is None else frame.index.searchsorted(start_utc),
            None if end_utc is None else frame.index.searchsorted(end_utc),
        )
        return frame.iloc[keep]

    def _load(
        self, connection: Any, head: EvaluationHead, *, with_intervals: bool
    ) -> Evaluation | None:
        """A stored evaluation never changes, so one that was loaded serves again."""
        key = (head.tag, head.number, with_intervals)
        found = self._cache.get(key)
        if found is None:
            found = evaluations.load_evaluation(connection, head.tag, with_intervals=with_intervals)
            if found is not None:
                self._remember(key, found)
        return found

    def _remember(self, key: tuple[str, int, bool], found: Evaluation) -> None:
        with self._lock:
            tag, _, with_intervals = key
            # of evaluations with their many intervals the last one looked at is kept, no more
            stale = [k for k in self._cache if k[2] == with_intervals and (k[2] or k[0] == tag)]
            for k in stale:
                del self._cache[k]
            self._cache[key] = found

    # --- readings and the log ------------------------------------------------------------------

    def readings(
        self, tag: str, start_utc: datetime | None = None, end_utc: datetime | None = None
    ) -> "pd.DataFrame":
        """Return the stored readings of ``tag`` as a trend frame; ``None``: from or to the end."""
        with self.store.reading() as connection:
            return imports.load_readings(connection, tag, start_utc, end_utc)

    def gaps(self, tag: str) -> "pd.DataFrame":
        """Return the gaps that the loggers of ``tag`` told of; see ``analytics.vocabulary.gaps``."""
        return told_gaps.gaps_of(self.store, tag)

    def outages(self, tag: str) -> stored_outages.StoredOutages:
        """Return the hours without readings in what is stored of ``tag``."""
        return stored_outages.outages_of(self.store, tag)

    def events(self, tag: str | None = None) -> tuple[MaintenanceEvent, ...]:
        """Return the maintenance log, oldest first; of one exchanger or of all."""
        with self.store.reading() as connection:
            return log.load_events(connection, tag)

    def add_event(self, event: MaintenanceEvent) -> bool:
        """Store a log entry; return False if it stood there already."""
        return self.add_events((event,)) == 1

    def add_events(self, events: Sequence[MaintenanceEvent]) -> int:
        """Store log entries, all or none, and return how many did not stand there already."""
        zone = self.plant().zone
        with self.store.writing() as connection:
            return log.add_events(connection, events, now_utc=self.now(), zone=zone)

    def remove_event(self, event: MaintenanceEvent) -> bool:
        """Take a log entry out; return False if none is the same."""
        zone = self.plant().zone
        with self.store.writing() as connection:
            return log.remove_event(connection, event, zone=zone)

    # --- proposals for the log -----------------------------------------------------------------

    def proposals(self, tag: str | None = None) -> tuple[KeptProposal, ...]:
        """Return the log entries that seem to be missing, decided ones included, oldest first."""
        return proposing.all_proposals(self.store, tag)

    def accept_proposal(self, number: int, **known_better: Any) -> MaintenanceEvent:
        """Enter a proposal in the log; see :func:`proposing.accept` for what may be put right."""
        plant = self.plant()
        return proposing.accept(self.store, plant, number, now_utc=self.now(), **known_better)

    def reject_proposal(self, number: int, *, note: str = "", by: str = "") -> KeptProposal:
        """Say that it was not so; it is kept and not proposed again."""
        return proposing.reject(self.store, number, note=note, by=by, now_utc=self.now())

    # --- alerts --------------------------------------------------------------------------------

    def alerts(self, tag: str | None = None) -> tuple[Alert, ...]:
        """Return all alerts, newest first; ``alert.state(now)`` gives the state."""
        return alerting.all_alerts(self.store, tag)

    def acknowledge_alert(self, number: int, *, by: str = "") -> Alert:
        """Acknowledge; raise PlateledgerError if there is no such alert."""
        return alerting.acknowledge(self.store, number, by=by, now_utc=self.now())

    def shelve_alert(self, number: int, *, until_utc: datetime | None, by: str = "") -> Alert:
        """Shelve until then; ``None`` takes it off the shelf."""
        return alerting.shelve(self.store, number, until_utc=until_utc, by=by, now_utc=self.now())

    def put_out_of_service(self, number: int, *, out: bool = True) -> Alert:
        """Take an alert out of service, or back into it."""
        return alerting.put_out_of_service(self.store, number, out=out, now_utc=self.now())

    # --- imports -------------------------------------------------------------------------------

    def import_check(self, name: str, data: bytes | Path, options: ImportOptions) -> ImportCheck:
        """Examine a file and say what storing it would do; nothing is stored."""
        return importing.check_file(self.store, name, data, options)

    def import_store(
        self,
        name: str,
        data: bytes | Path,
        options: ImportOptions,
        *,
        progress: Progress | None = None,
    ) -> ImportOutcome:
        """Store a file's readings, in one transaction; raise IngestError if questions are open."""
        return importing.store_file(self.store, name, data, options, progress=progress)

    def reread(self, *, accept: bool = False, progress: Progress | None = None) -> Reread:
        """Read all kept files again with the register as it is now, in one transaction."""
        return reread(self.store, accept=accept, progress=progress)

    def import_runs(self) -> tuple[Mapping[str, Any], ...]:
        """Return the past imports, newest first: run, name, stored_utc, tags, rows, findings."""
        with self.store.reading() as connection:
            return imports.list_runs(connection)

    def findings(self, run: int, *, limit: int = 1000) -> tuple[Mapping[str, Any], ...]:
        """Return what an import refused or remarked: line, column, reason, severity, text."""
        with self.store.reading() as connection:
            return imports.list_findings(connection, run, limit=limit)

    def import_report(self, run: int) -> dict[str, Any] | None:
        """Return what an import read, stored, repaired and refused; ``None``: no such import."""
        return import_report.import_report(self.store, run)

    # --- assessing and documents ---------------------------------------------------------------

    def assess(
        self,
        tags: Sequence[str] | None = None,
        *,
        again: bool = False,
        progress: Progress | None = None,
    ) -> AssessOutcome:
        """Assess exchangers whose data, log or register changed; ``again``: all of ``tags``."""
        return assess(
            self.store,
            tags,
            again=again,
            workers=self.settings.workers,
            progress=progress,
        )

    def outdated(self) -> tuple[str, ...]:
        """Return the exchangers whose readings, log or register changed since their assessment."""
        return outdated(self.store)

    def assess_soon(self, tags: Sequence[str] | None = None) -> None:
        """Start :meth:`assess` in the background, after what runs there already, and return."""
        chosen = tuple(tags) if tags is not None else tuple(e.tag for e in self.plant().exchangers)
        with self._lock:
            self._working = tuple(dict.fromkeys((*self._working, *chosen)))
            thread = Thread(target=partial(self._assess_behind, chosen, self._background))
            self._background = thread
        thread.start()

    def assess_when_due(self, tags: Sequence[str]) -> tuple[str, ...]:
        """Start to assess those of ``tags`` whose assessment is older than an hour; return them.

        For readings that come every few minutes, while the account is a daily one.
        """
        due = self.now() - _ASSESSED_EVERY
        with self.store.reading() as connection:
            heads = evaluations.heads(connection)
        old = [t for t in tags if t not in heads or heads[t].made_utc < due]
        chosen = tuple(t for t in old if t not in self._working)
        if chosen:
            self.assess_soon(chosen)
        return chosen

    def _assess_behind(self, tags: tuple[str, ...], before: Thread | None) -> None:
        if before is not None:
            before.join()
        try:
            self.assess(tags)
        finally:
            with self._lock:
                self._working = tuple(t for t in self._working if t not in tags)

    def working_on(self) -> tuple[str, ...]:
        """Return the exchangers that are being assessed in the background now."""
        return self._working

    def document_pdf(self, tag: str) -> bytes:
        """Return the cleaning document of ``tag`` as PDF."""
        return documents.document_pdf(self.store, tag, self.now())

    def write_document(self, tag: str, path: Path | None = None) -> Path:
        """Write the cleaning document; ``None``: into the workspace's documents."""
        return documents.write_document(self.settings, self.store, tag, self.now(), path)

    # --- since you last looked -----------------------------------------------------------------

    def last_seen(self) -> datetime | None:
        """Return when the reader last looked at the first page."""
        with self.store.reading() as connection:
            return registered.last_seen(connection, _FIRST_PAGE)

    def mark_seen(self) -> None:
        """Remember that the reader looks now."""
        with self.store.writing() as connection:
            registered.mark_seen(connection, _FIRST_PAGE, self.now())


def machine_clock() -> datetime:
    """Return the machine's time in UTC."""
    return datetime.now(UTC)
