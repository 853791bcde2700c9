"""Log entries that seem to be missing: kept, accepted into the log, or rejected for good.

A proposal changes nothing by itself. Accepted it becomes an entry of the log like any other; rejected
it is kept and not shown as one again, however often the assessment finds it.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from enum import StrEnum
from typing import Any

from sqlalchemy import Connection

from analytics.vocabulary.errors import PlateledgerError
from analytics.vocabulary.records import Evaluation, MaintenanceEvent, Proposal
from service.register.maintenance import entry
from service.register.plant import Plant
from service.store import log
from service.store import proposals as rows
from service.store.codec import plain, proposal_from
from service.store.store import Store

# Late readings may date a proposal a little otherwise; nearer than this it is the same.
_SAME = timedelta(days=21)


class ProposalState(StrEnum):
    """What became of a proposal."""

    OPEN = "open"
    ACCEPTED = "accepted"
    REJECTED = "rejected"
    WITHDRAWN = (
        "withdrawn"  # the log has it by another way, or corrected readings no longer show it
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptProposal:
    """A proposal and what a person decided on it. ``number`` is ``None`` until it is stored."""

    number: int | None
    tag: str
    proposal: Proposal
    state: ProposalState
    made_utc: datetime
    decided_utc: datetime | None = None
    decided_by: str = ""
    note: str = ""


def all_proposals(store: Store, tag: str | None = None) -> tuple[KeptProposal, ...]:
    """Return all proposals, oldest first."""
    with store.reading() as connection:
        return tuple(_from_row(r) for r in rows.load_proposals(connection, tag=tag))


def take_over(
    connection: Connection, tag: str, made: Sequence[Proposal], *, now_utc: datetime
) -> None:
    """Store the proposals of a new assessment; what people decided on known ones is kept."""
    known = tuple(_from_row(r) for r in rows.load_proposals(connection, tag=tag))
    merged = merge(known, made, tag=tag, now_utc=now_utc)
    rows.save_proposals(connection, tag, (_to_row(k) for k in merged))


def merge(
    known: Sequence[KeptProposal], made: Iterable[Proposal], *, tag: str, now_utc: datetime
) -> tuple[KeptProposal, ...]:
    """Match the proposals of a new assessment with those known."""
    free = list(known)
    merged: list[KeptProposal] = []
    for proposal in made:
        match = min(
            (k for k in free if is_same(k.proposal, proposal)),
            key=lambda k: abs(k.proposal.at_utc - proposal.at_utc),
            default=None,
        )
        if match is None:
            merged.append(
                KeptProposal(
                    number=None, tag=tag, proposal=proposal, state=ProposalState.OPEN,
                    made_utc=now_utc,
                )
            )  # fmt: skip
            continue
        free.remove(match)
        again = match.state is ProposalState.WITHDRAWN
        merged.append(
            replace(
                match,
                proposal=proposal,
                state=ProposalState.OPEN if again else match.state,
                decided_utc=None if again else match.decided_utc,
            )
        )
    gone = [
        replace(k, state=ProposalState.WITHDRAWN, decided_utc=now_utc)
        if k.state is ProposalState.OPEN
        else k
        for k in free
    ]
    return (*merged, *gone)


def is_same(one: Proposal, other: Proposal) -> bool:
    """Tell whether two proposals speak of the same event."""
    alike = (one.deed, one.role) == (other.deed, other.role)
    return alike and abs(one.at_utc - other.at_utc) <= _SAME


def accept(
    store: Store,
    plant: Plant,
    number: int,
    *,
    when: str = "",
    deed: str = "",
    plates_after: str | int | None = None,
    note: str = "",
    by: str = "",
    now_utc: datetime,
) -> MaintenanceEvent:
    """Enter a proposal in the log as the readings have it, or as a person knows better.

    Raises
    ------
    PlateledgerError
        If there is none with that number, it is not open, or the entry cannot be right.
    """
    with store.writing() as connection:
        kept = _open(connection, number)
        proposal = kept.proposal
        day = proposal.at_utc.date().isoformat()
        known = f"proposed from the readings, known on {proposal.known_utc.date().isoformat()}"
        event = entry(
            plant, tag=kept.tag, when=when.strip() or day, deed=deed.strip() or str(proposal.deed),
            role=proposal.role, plates_after=plates_after,
            note=f"{note.strip()} ({known})" if note.strip() else known[:1].upper() + known[1:],
            now_utc=now_utc,
        )  # fmt: skip
        log.add_events(connection, (event,), now_utc=now_utc, zone=plant.zone)
        decided = replace(
            kept, state=ProposalState.ACCEPTED, decided_utc=now_utc, decided_by=by.strip(),
            note=note.strip(),
        )  # fmt: skip
        rows.save_proposals(connection, kept.tag, [_to_row(decided)])
    return event


def reject(
    store: Store, number: int, *, note: str = "", by: str = "", now_utc: datetime
) -> KeptProposal:
    """Say that it was not so; it is kept and not proposed again."""
    with store.writing() as connection:
        kept = replace(
            _open(connection, number), state=ProposalState.REJECTED, decided_utc=now_utc,
            decided_by=by.strip(), note=note.strip(),
        )  # fmt: skip
        rows.save_proposals(connection, kept.tag, [_to_row(kept)])
    return kept


def without_decided(evaluation: Evaluation, kept: Sequence[KeptProposal]) -> Evaluation:
    """Return an evaluation whose proposals, and reasons by one of them, are the open ones alone."""
    closed = [k.proposal for k in kept if k.state is not ProposalState.OPEN]
    gone = [p for p in evaluation.proposals if any(is_same(p, c) for c in closed)]
    if not gone:
        return evaluation
    remarks = [p.remark for p in gone]
    reasons = tuple(r for r in evaluation.verdict.reasons if r not in remarks)
    return replace(
        evaluation,
        proposals=tuple(p for p in evaluation.proposals if p not in gone),
        verdict=replace(evaluation.verdict, reasons=reasons),
    )


def _open(connection: Connection, number: int) -> KeptProposal:
    found = rows.load_proposals(connection, number=number)
    if not found:
        raise PlateledgerError(
            f"proposal {number}: there is none with this number. See: plateledger proposals"
        )
    kept = _from_row(found[0])
    if kept.state is not ProposalState.OPEN:
        raise PlateledgerError(f"proposal {number}: it is {kept.state} already and stays so.")
    return kept


def _from_row(row: Mapping[str, Any]) -> KeptProposal:
    return KeptProposal(
        number=row["id"], tag=row["tag"], proposal=proposal_from(row["document"]),
        state=ProposalState(row["state"]), made_utc=row["made_utc"],
        decided_utc=row["decided_utc"], decided_by=row["decided_by"], note=row["note"],
    )  # fmt: skip


def _to_row(kept: KeptProposal) -> dict[str, Any]:
    return {
        "id": kept.number, "tag": kept.tag, "deed": str(kept.proposal.deed),
        "role": kept.proposal.role or "", "at_utc": kept.proposal.at_utc,
        "document": plain(kept.proposal), "state": str(kept.state), "made_utc": kept.made_utc,
        "decided_utc": kept.decided_utc, "decided_by": kept.decided_by, "note": kept.note,
    }  # fmt: skip
