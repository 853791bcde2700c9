"""What the API takes and gives beside the status objects of ``service.usecases.status``."""

from datetime import datetime
from typing import Any, Literal

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field

from analytics.vocabulary.records import MaintenanceEvent
from service.alerts.lifecycle import Alert
from service.register.plant import Plant
from service.usecases.stored_outages import StoredOutages
from service.wording.remarks import remark_text


class Schema(BaseModel):
    """A body; what it does not know it refuses."""

    model_config = ConfigDict(extra="forbid")


class Problem(BaseModel):
    """An error, as RFC 9457 has it."""

    type: str = "about:blank"
    title: str
    status: int
    detail: str = Field(description="Where, what is wrong, the value seen, what to do.")
    instance: str = ""
    errors: list[dict[str, Any]] | None = None


class PlantOut(Schema):
    """The site."""

    name: str
    time_zone: str
    exchangers: list[str]
    display_units: dict[str, str]
    notes: dict[str, list[str]] = Field(description="Defaults taken, and what cannot be said.")

    @classmethod
    def of(cls, plant: Plant) -> "PlantOut":
        """Return the site of a plant."""
        names = ("temperature", "power", "energy", "flow", "volume", "pressure")
        return cls(
            name=plant.name,
            time_zone=plant.zone.key,
            exchangers=[e.tag for e in plant.exchangers],
            display_units={n: getattr(plant.units, n) for n in names},
            notes={tag: list(notes) for tag, notes in plant.notes.items()},
        )


class Series(Schema):
    """A table by columns, in SI units; ``null``: cannot be told, or was not logged."""

    tag: str
    units: dict[str, str] = Field(description="Unit of each column.")
    time: list[datetime] = Field(description="UTC; the start of the interval or day.")
    columns: dict[str, list[float | None]]
    more: bool = Field(description="True where the limit cut the range short; ask on from `next`.")
    next: datetime | None = None


class OutageOut(Schema):
    """Hours without readings."""

    begin: datetime = Field(description="The last reading before.")
    end: datetime = Field(description="The first reading after.")
    hours: float = Field(description="Of single points only those in which the others went on.")
    points: list[str] = Field(
        description="Roles without a value; empty: the log has no row at all."
    )


class OutagesOut(Schema):
    """The outages of an exchanger's log, the newest first."""

    tag: str
    regular: bool = Field(
        description="False: it logs on change or unevenly, and a missing row says nothing."
    )
    outages: list[OutageOut]

    @classmethod
    def of(cls, tag: str, stored: StoredOutages) -> "OutagesOut":
        """Return what the ledger tells of ``tag``."""
        found = [
            OutageOut(begin=o.begin_utc, end=o.end_utc, hours=o.hours, points=list(o.roles))
            for o in stored.found
        ]
        return cls(tag=tag, regular=stored.regular, outages=found)


class LatestOut(Schema):
    """The newest complete interval."""

    tag: str
    start: datetime
    minutes: float
    values: dict[str, float] = Field(description="SI units; names end in their unit or are roles.")
    set_aside: list[str] = Field(description="Why it carries no evidence; empty: it does.")
    clean_approach_K: float | None = Field(description="What a clean exchanger would have shown.")


class AlertStepOut(Schema):
    """A step in the life of an alert; none is ever erased."""

    at: datetime = Field(description="When the ledger learnt of it.")
    what: str
    raised: datetime = Field(description="The alert's day from then on.")
    ended: datetime | None
    by: str
    reason: str | None = Field(description="What changed a conclusion that stood.")


class AlertOut(Schema):
    """An alert and its state in the words of IEC 62682."""

    number: int
    tag: str
    kind: str
    subject: str | None
    state: str
    text: str
    raised: datetime
    ended: datetime | None
    acknowledged: datetime | None
    acknowledged_by: str
    shelved_until: datetime | None
    shelved_by: str
    withdrawn: datetime | None = Field(description="Since when readings no longer raise it.")
    history: list[AlertStepOut]

    @classmethod
    def of(cls, alert: Alert, plant: Plant, now_utc: datetime) -> "AlertOut":
        """Return an alert as it stands at ``now_utc``."""
        assert alert.number is not None, "a stored alert has a number"
        return cls(
            number=alert.number,
            tag=alert.tag,
            kind=str(alert.kind),
            subject=alert.subject,
            state=str(alert.state(now_utc)),
            text=remark_text(alert.remark, plant.units),
            raised=alert.raised_utc,
            ended=alert.ended_utc,
            acknowledged=alert.acknowledged_utc,
            acknowledged_by=alert.acknowledged_by,
            shelved_until=alert.shelved_until_utc,
            shelved_by=alert.shelved_by,
            withdrawn=alert.withdrawn_utc,
            history=[
                AlertStepOut(
                    at=s.at_utc,
                    what=str(s.what),
                    raised=s.raised_utc,
                    ended=s.ended_utc,
                    by=s.by,
                    reason=None if s.reason is None else remark_text(s.reason, plant.units),
                )
                for s in alert.history
            ],
        )


class AcknowledgeIn(Schema):
    """Who acknowledges."""

    by: str = Field(default="", max_length=100)


class ShelveIn(Schema):
    """Until when an alert asks for nobody; ``null`` takes it off the shelf."""

    until: AwareDatetime | None
    by: str = Field(default="", max_length=100)


class LogIn(Schema):
    """A visit to be logged."""

    tag: str
    date: str = Field(
        description="2026-03-02, or with a time; without an offset in the site's zone"
    )
    deed: str
    role: str | None = None
    plates_after: int | None = None
    note: str = Field(default="", max_length=2000)


class LogOut(Schema):
    """An entry of the maintenance log."""

    tag: str
    at: datetime
    deed: str
    role: str | None
    plates_after: int | None
    note: str

    @classmethod
    def of(cls, event: MaintenanceEvent) -> "LogOut":
        """Return an entry."""
        return cls(
            tag=event.tag,
            at=event.at_utc,
            deed=str(event.deed),
            role=event.role,
            plates_after=event.plates_after,
            note=event.note,
        )


class AcceptIn(Schema):
    """What is known better than the readings have it; all may be left out."""

    date: str = Field(default="", description="As in a log entry; empty: as proposed.")
    deed: str = Field(default="", description="As in a log entry; empty: as proposed.")
    plates_after: int | None = None
    note: str = Field(default="", max_length=2000)
    by: str = Field(default="", max_length=100)


class RejectIn(Schema):
    """Why it was not so, and who says it."""

    note: str = Field(default="", max_length=2000)
    by: str = Field(default="", max_length=100)


class LogStored(Schema):
    """A stored entry; ``new`` is false where it stood there already."""

    entry: LogOut
    new: bool


class ImportCheckOut(Schema):
    """What a file holds and what storing it would do; nothing was stored."""

    name: str
    sha256: str
    size: int
    stored_before: datetime | None
    tags: list[str]
    rows: int = Field(
        description="Stamps with a value, those of each exchanger counted by themselves."
    )
    new_rows: int = Field(description="Of these, stamps that were not stored yet.")
    new_values: int
    changed_values: int = Field(description="They differ from stored ones; the newer import wins.")
    refused_rows: int = Field(description="Lines and cells; `account` tells them apart.")
    account: dict[str, int] = Field(
        description="What became of the file's lines and cells, as in the report of an import."
    )
    questions: list[str] = Field(description="To be answered before the file can be stored.")
    findings: list[dict[str, Any]]
    examination: dict[str, Any]


class ImportOut(Schema):
    """What was stored."""

    name: str
    sha256: str
    run: int
    repeated: bool = Field(description="The same bytes were stored before; nothing is doubled.")
    tags: list[str]
    rows: int = Field(
        description="Stamps with a value, those of each exchanger counted by themselves."
    )
    new_rows: int = Field(description="Of these, stamps that were not stored yet.")
    new_values: int
    changed_values: int = Field(description="They differ from stored ones; the newer import wins.")
    refused_rows: int = Field(description="Lines and cells; `account` tells them apart.")
    account: dict[str, int] = Field(
        description="What became of the file's lines and cells, as in the report of an import."
    )
    stored: datetime
    assessing: list[str] = Field(description="Exchangers that are being assessed anew now.")


class RefusedOut(Schema):
    """A file of an archive that was refused."""

    name: str
    reason: str


class ImportManyOut(Schema):
    """What became of each file of an archive or workbook; none is left out."""

    name: str
    files: list[ImportCheckOut | ImportOut]
    refused: list[RefusedOut]


class AssessIn(Schema):
    """Which exchangers to assess; ``null``: all."""

    tags: list[str] | None = None


class AssessOut(Schema):
    """Exchangers that are being assessed in the background now."""

    working_on: list[str]


SeriesName = Literal["daily", "intervals", "readings"]
