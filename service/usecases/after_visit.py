"""What an assessment still says once the plates were visited and no day since has shown them.

A visit that no day with load follows has shown nothing yet: whether the plates need anything is open,
and what waiting costs, or another visit would bring, was reckoned for plates that are no longer like that. What the
readings told before it stays. Everything that is shown goes through here, so that nothing asks twice.
"""

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC

from analytics.vocabulary.records import (
    SURFACE_DEEDS,
    CauseKind,
    Deed,
    Evaluation,
    MaintenanceEvent,
    Remark,
    Verdict,
    VerdictKind,
    VisitProof,
)
from service.register.plant import Plant
from service.wording import dates, numbers
from service.wording.proofs import NO_READINGS_YET
from service.wording.reasons import zone_of
from service.wording.verdicts import ACT_FIRST, headline

_OF_THE_PLATES = frozenset({
    VerdictKind.CLEAN_NOW, VerdictKind.CLEAN_LATER, VerdictKind.LEAVE, VerdictKind.CANNOT_TELL,
})  # fmt: skip


def with_unread_visit(
    evaluation: Evaluation, events: Sequence[MaintenanceEvent], plant: Plant | None
) -> Evaluation:
    """Return ``evaluation`` as it stands after the last visit to its plates that no reading follows.

    Forecast and money are left out, and the visit joins the proofs. A verdict on the plates becomes
    "cannot tell"; one on an instrument, the building or the data stays, as a visit settles none of them.
    Without such a visit, or without readings, the evaluation is returned as it is.
    """
    since = [e for e in events if e.tag == evaluation.tag and _is_unread(evaluation, e)]
    if not since:
        return evaluation
    visit = max(since, key=lambda e: e.at_utc)
    proof = VisitProof(
        event=visit, recovered=None, days_before=0, days_after=0, outcome=NO_READINGS_YET
    )
    return replace(
        evaluation, verdict=_verdict(evaluation, visit, plant), forecast=None, money=None,
        proofs=(*(p for p in evaluation.proofs if p.event != visit), proof),
    )  # fmt: skip


def _is_unread(evaluation: Evaluation, event: MaintenanceEvent) -> bool:
    """Tell whether an event touched the plates and no day since shows them: readings end, or have no load."""
    if event.deed not in SURFACE_DEEDS or evaluation.health.last_utc is None:
        return False
    if event.at_utc > evaluation.through_utc:
        return True
    judged = any(p.event == event and p.measured is not None for p in evaluation.proofs)
    if judged or evaluation.state is None:
        return False
    return evaluation.state.as_of_utc.date() < event.at_utc.astimezone(UTC).date()


def verdict_before(evaluation: Evaluation) -> str | None:
    """Return the kind of the verdict that a visit without readings has put off; else ``None``."""
    said = [r for r in evaluation.verdict.reasons if r.code == "before_visit"]
    return said[0].words["verdict"] if said else None


def _verdict(evaluation: Evaluation, visit: MaintenanceEvent, plant: Plant | None) -> Verdict:
    verdict = evaluation.verdict
    end = dates.long_day(evaluation.through_utc, zone_of(plant))
    unread = Remark(code="visit_unread", words={"end": end})
    if not _is_put_off(verdict, visit):
        return replace(verdict, reasons=(*verdict.reasons[:1], unread, *verdict.reasons[1:]))
    words = {"answer": headline(evaluation, plant).rstrip("."), "verdict": str(verdict.kind)}
    before = Remark(code="before_visit", words=words | _cost(evaluation, visit))
    return Verdict(
        kind=VerdictKind.CANNOT_TELL, cause=None, runner_up=None, since_utc=None,
        reasons=(unread, before),
    )  # fmt: skip


def _is_put_off(verdict: Verdict, visit: MaintenanceEvent) -> bool:
    """Tell whether the visit has done what the verdict speaks of."""
    if any(r.code in ACT_FIRST for r in verdict.reasons):
        return False
    if verdict.kind is VerdictKind.ADD_PLATES:
        return visit.deed is Deed.PLATES_CHANGED
    return verdict.kind in _OF_THE_PLATES


def _cost(evaluation: Evaluation, visit: MaintenanceEvent) -> dict[str, str]:
    """Return what the deposit had cost by the visit, where that is sure to be something."""
    money, cause = evaluation.money, evaluation.verdict.cause
    if money is None or cause is None or cause.kind is not CauseKind.DEPOSIT:
        return {}
    counted_anew = visit.at_utc <= evaluation.through_utc  # from the visit, of which it knows
    if counted_anew or money.avoidable_so_far.low <= 0:
        return {}
    return {"cost": numbers.money(money.avoidable_so_far, money.currency).text}
