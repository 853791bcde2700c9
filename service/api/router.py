"""The routes that read and write the ledger; thin, all work is done in ``service.usecases``."""

from typing import Annotated, Any

from fastapi import APIRouter, Path, Query, Response
from pydantic import AwareDatetime

from analytics.vocabulary.errors import EvaluationError
from service.api import VERSION_PREFIX
from service.api.dependencies import LedgerOf, Tag
from service.api.problems import MEDIA_TYPE, NotFound
from service.api.samples import router as samples
from service.api.schemas import (
    AcceptIn,
    AcknowledgeIn,
    AlertOut,
    AssessIn,
    AssessOut,
    LatestOut,
    LogIn,
    LogOut,
    LogStored,
    OutagesOut,
    PlantOut,
    Problem,
    RejectIn,
    Series,
    ShelveIn,
)
from service.api.series import series
from service.api.subjects import ALERTS, ANSWERS, LOG, PLANT, SERIES
from service.api.uploads import router as uploads
from service.register.maintenance import entry
from service.store.codec import evaluation_document
from service.usecases.documents import document_name
from service.usecases.ledger import Ledger
from service.usecases.status import (
    StatedProposal,
    Status,
    list_status,
    stated_proposal,
    status_of,
)

_PROBLEMS: dict[int | str, dict[str, Any]] = {
    code: {"model": Problem, "content": {MEDIA_TYPE: {}}, "description": text}
    for code, text in {
        400: "The request cannot be met as put.",
        401: "The token of a sender is missing or not good.",
        403: "A write that another site's page asked for.",
        404: "There is no such exchanger, alert or proposal.",
        409: "There is no assessment to answer from.",
        422: "A value is wrong; `detail` says which.",
    }.items()
}
router = APIRouter(prefix=VERSION_PREFIX, responses=_PROBLEMS)
router.include_router(uploads)
router.include_router(samples)

Start = Annotated[AwareDatetime | None, Query(alias="from", description="First moment, included.")]
End = Annotated[AwareDatetime | None, Query(alias="to", description="Last moment, not included.")]
OfOne = Annotated[str | None, Query(description="Of this exchanger alone; without: of all.")]
Number = Annotated[int, Path(description="As the list of them tells it.")]
Limit = Annotated[int, Query(ge=1, le=20_000, description="At most this many rows.")]


@router.get("/plant", tags=[PLANT], summary="The plant and its exchangers")
def plant(ledger: LedgerOf) -> PlantOut:
    """Return the site and what is taken for granted of each exchanger."""
    return PlantOut.of(ledger.plant())


@router.get("/exchangers", tags=[ANSWERS], summary="How every exchanger stands")
def exchangers(ledger: LedgerOf) -> list[Status]:
    """Return how each exchanger stands, the most needy first."""
    return list(list_status(ledger))


@router.get("/exchangers/{tag}", tags=[ANSWERS], summary="One exchanger with its whole evaluation")
def exchanger(ledger: LedgerOf, tag: Tag) -> dict[str, Any]:
    """Return the status of one exchanger and its whole evaluation.

    `evaluation` has the fields of the records in `analytics.vocabulary.records`, in SI units; the
    daily account and the intervals have addresses of their own. It is null before the first.
    """
    evaluation = ledger.evaluation(tag)
    found = next((s for s in list_status(ledger) if s.tag == tag), None)
    return {
        "status": found or status_of(ledger.plant(), tag, evaluation, 0, ledger.now()),
        "made": ledger.made_utc(tag),
        "evaluation": None if evaluation is None else evaluation_document(evaluation),
    }


@router.get("/exchangers/{tag}/daily", tags=[SERIES], summary="Daily account")
def daily(
    ledger: LedgerOf, tag: Tag, start: Start = None, end: End = None, limit: Limit = 5000
) -> Series:
    """Return the daily account, a row for each UTC day."""
    return series(tag, ledger.daily(tag, start, end), limit)


@router.get(
    "/exchangers/{tag}/intervals", tags=[SERIES], summary="Computed values on the time grid"
)
def intervals(
    ledger: LedgerOf, tag: Tag, start: Start = None, end: End = None, limit: Limit = 2000
) -> Series:
    """Return the grid intervals; `set_aside` is a bit mask of reasons, 0: it carries evidence."""
    return series(tag, ledger.intervals(tag, start, end), limit)


@router.get("/exchangers/{tag}/readings", tags=[SERIES], summary="Stored readings")
def readings(
    ledger: LedgerOf, tag: Tag, start: Start = None, end: End = None, limit: Limit = 2000
) -> Series:
    """Return the readings as imported, in SI units."""
    return series(tag, ledger.readings(tag, start, end), limit)


@router.get("/exchangers/{tag}/outages", tags=[SERIES], summary="Hours without readings")
def outages(ledger: LedgerOf, tag: Tag) -> OutagesOut:
    """Return the hours without readings in all that is stored, the newest first."""
    return OutagesOut.of(tag, ledger.outages(tag))


@router.get("/exchangers/{tag}/latest", tags=[ANSWERS], summary="Newest values")
def latest(ledger: LedgerOf, tag: Tag) -> LatestOut:
    """Return the newest complete interval: live values."""
    evaluation = ledger.evaluation(tag)
    if evaluation is None or evaluation.latest is None:
        raise EvaluationError(f"{tag}: no complete interval was assessed yet. Import its trends.")
    found = evaluation.latest
    return LatestOut(
        tag=tag,
        start=found.start_utc,
        minutes=found.minutes,
        values=dict(found.values),
        set_aside=list(found.set_aside),
        clean_approach_K=found.clean_approach_K,
    )


@router.get(
    "/exchangers/{tag}/document",
    tags=[ANSWERS],
    summary="The two-page document as PDF",
    response_class=Response,
    responses={200: {"content": {"application/pdf": {}}}},
)
def document(ledger: LedgerOf, tag: Tag) -> Response:
    """Return the document as PDF: a request to clean, or a report where no cleaning is asked for."""
    name = document_name(ledger.evaluation(tag), tag)
    return Response(
        ledger.document_pdf(tag),
        media_type="application/pdf",
        headers={"Content-Disposition": f'inline; filename="{name}"'},
    )


@router.get("/alerts", tags=[ALERTS], summary="All alerts")
def alerts(ledger: LedgerOf, tag: OfOne = None) -> list[AlertOut]:
    """Return all alerts, newest first."""
    now_utc, site = ledger.now(), ledger.plant()
    return [AlertOut.of(a, site, now_utc) for a in ledger.alerts(tag)]


@router.post("/alerts/{number}/acknowledge", tags=[ALERTS], summary="Acknowledge an alert")
def acknowledge(ledger: LedgerOf, number: Number, body: AcknowledgeIn) -> AlertOut:
    """Acknowledge an alert; the first acknowledgement stays."""
    _require_alert(ledger, number)
    alert = ledger.acknowledge_alert(number, by=body.by)
    return AlertOut.of(alert, ledger.plant(), ledger.now())


@router.post("/alerts/{number}/shelve", tags=[ALERTS], summary="Shelve an alert")
def shelve(ledger: LedgerOf, number: Number, body: ShelveIn) -> AlertOut:
    """Shelve an alert, or take it off the shelf."""
    _require_alert(ledger, number)
    alert = ledger.shelve_alert(number, until_utc=body.until, by=body.by)
    return AlertOut.of(alert, ledger.plant(), ledger.now())


def _require_alert(ledger: Ledger, number: int) -> None:
    if all(a.number != number for a in ledger.alerts()):
        raise NotFound(f"no alert {number} in this ledger. GET /v1/alerts lists them.")


@router.get("/maintenance", tags=[LOG], summary="The maintenance log")
def maintenance(ledger: LedgerOf, tag: OfOne = None) -> list[LogOut]:
    """Return the maintenance log, oldest first."""
    return [LogOut.of(e) for e in ledger.events(tag)]


@router.post("/maintenance", status_code=201, tags=[LOG], summary="Log a visit")
def log_visit(ledger: LedgerOf, body: LogIn, response: Response) -> LogStored:
    """Log a visit; an entry that stands there already is not doubled (status 200)."""
    event = entry(
        ledger.plant(),
        tag=body.tag,
        when=body.date,
        deed=body.deed,
        role=body.role,
        plates_after=body.plates_after,
        note=body.note,
        now_utc=ledger.now(),
    )
    new = ledger.add_event(event)
    if not new:
        response.status_code = 200
    return LogStored(entry=LogOut.of(event), new=new)


@router.get("/proposals", tags=[LOG], summary="Proposed log entries")
def proposals(ledger: LedgerOf, tag: OfOne = None) -> list[StatedProposal]:
    """Return the log entries that seem to be missing, decided ones included, oldest first."""
    site = ledger.plant()
    return [stated_proposal(k, site) for k in ledger.proposals(tag)]


@router.post(
    "/proposals/{number}/accept",
    status_code=201,
    tags=[LOG],
    summary="Accept a proposed log entry",
)
def accept_proposal(ledger: LedgerOf, number: Number, body: AcceptIn) -> LogStored:
    """Enter a proposal in the log; the exchanger is assessed anew behind the answer."""
    _require_proposal(ledger, number)
    event = ledger.accept_proposal(
        number, when=body.date, deed=body.deed, plates_after=body.plates_after, note=body.note,
        by=body.by,
    )  # fmt: skip
    ledger.assess_soon([event.tag])
    return LogStored(entry=LogOut.of(event), new=True)


@router.post("/proposals/{number}/reject", tags=[LOG], summary="Reject a proposed log entry")
def reject_proposal(ledger: LedgerOf, number: Number, body: RejectIn) -> StatedProposal:
    """Say that it was not so; it is kept and not proposed again."""
    _require_proposal(ledger, number)
    return stated_proposal(
        ledger.reject_proposal(number, note=body.note, by=body.by), ledger.plant()
    )


def _require_proposal(ledger: Ledger, number: int) -> None:
    if all(k.number != number for k in ledger.proposals()):
        raise NotFound(f"no proposal {number} in this ledger. GET /v1/proposals lists them.")


@router.post("/assess", status_code=202, tags=[ANSWERS], summary="Assess exchangers anew")
def assess(ledger: LedgerOf, body: AssessIn) -> AssessOut:
    """Start to assess exchangers whose readings, log or register changed."""
    known = {e.tag for e in ledger.plant().exchangers}
    unknown = [t for t in body.tags or () if t not in known]
    if unknown:
        raise NotFound(
            f'no exchanger "{unknown[0]}" in this ledger. GET /v1/exchangers lists them.'
        )
    ledger.assess_soon(body.tags)
    return AssessOut(working_on=list(ledger.working_on()))
