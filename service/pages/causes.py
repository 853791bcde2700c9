"""The table of competing causes, led by the one the verdict rests on."""

from collections.abc import Sequence
from dataclasses import dataclass

from analytics.vocabulary.records import (
    BESIDE_THE_PLATES,
    Cause,
    CauseKind,
    Evaluation,
    Remark,
    VerdictKind,
)
from service.register.plant import Plant
from service.wording.causes import (
    cause_in_a_sentence,
    cause_title,
    chances,
    looks_alike,
    odds_beside,
    shared_odds,
)
from service.wording.reasons import by_temperatures_alone, causes_there
from service.wording.remarks import remark_text

_LOSSES = frozenset({CauseKind.DEPOSIT, CauseKind.BUILDING_SIDE, CauseKind.CAPACITY})


@dataclass(frozen=True, slots=True, kw_only=True)
class CauseRow:
    """One explanation in the table of causes; where the odds are those of a whole group, its heading has them."""

    title: str
    speaks_for: str
    speaks_against: str
    odds: str
    group: str  # heading over all rows of the same odds; empty: this row has odds of its own
    leading: bool
    costs: bool


def _ordered(evaluation: Evaluation) -> list[Cause]:
    """Return the causes with that of the verdict first; none where nothing can be told."""
    if _is_put_off(evaluation):  # what stood before the visit is told as that
        return causes_there(evaluation)
    if evaluation.verdict.kind is VerdictKind.CANNOT_TELL and evaluation.verdict.cause is None:
        return []
    leading = evaluation.verdict.cause
    listed = causes_there(evaluation)
    if leading is None:
        return listed
    first = [leading]
    rival = evaluation.verdict.runner_up
    if rival is not None and _is_undecided(evaluation):
        first.append(rival)
    named = {(c.kind, c.subject) for c in first}
    return [*first, *(c for c in listed if (c.kind, c.subject) not in named)]


def _is_beside(evaluation: Evaluation) -> bool:
    cause = evaluation.verdict.cause
    return cause is not None and cause.kind in BESIDE_THE_PLATES


def heading(evaluation: Evaluation) -> str:
    """Return the finding of the table of causes."""
    causes = _ordered(evaluation)
    if not causes:
        return "No cause can be told from the others yet."
    if by_temperatures_alone(evaluation) and evaluation.verdict.kind is VerdictKind.LEAVE:
        return "The four temperatures show no change; heat transfer cannot be told without a flow."
    if _is_put_off(evaluation):
        likeliest = f"{cause_in_a_sentence(causes[0])}, {chances(causes[0].chances)}"
        return f"Likeliest before the visit: {likeliest}."
    if evaluation.verdict.cause is None:
        return "No single cause explains all of it; the likeliest stands first."
    leading, *others = causes
    if _is_undecided(evaluation):
        return _undecided_heading(evaluation)
    if leading.kind is CauseKind.NOTHING:
        return "Nothing has changed that the instruments can tell."
    alike = [c for c in others if looks_alike(c)]
    if leading.kind is CauseKind.DEPOSIT and alike:
        both = chances(min(leading.chances + alike[0].chances, 1.0))
        return (
            f"{cause_title(leading)}, or {cause_in_a_sentence(alike[0])}, which a single meter cannot tell"
            f" from it: together {both}."
        )
    if others and not leading.speaks_against and all(c.speaks_against for c in others):
        return (
            f"{cause_title(leading)}, {chances(leading.chances)}: nothing speaks against it,"
            " something against every other cause."
        )
    return f"{cause_title(leading)}, {chances(leading.chances)}."


def _is_put_off(evaluation: Evaluation) -> bool:
    """Tell whether the verdict waits for readings after a visit."""
    return any(r.code == "before_visit" for r in evaluation.verdict.reasons)


def _is_undecided(evaluation: Evaluation) -> bool:
    """Tell whether the verdict leaves two causes standing."""
    verdict = evaluation.verdict
    return (
        verdict.kind is VerdictKind.CANNOT_TELL
        and verdict.cause is not None and verdict.runner_up is not None
        and any(r.code == "deposit_or_instrument" for r in verdict.reasons)
    )  # fmt: skip


def _undecided_heading(evaluation: Evaluation) -> str:
    verdict = evaluation.verdict
    assert verdict.cause is not None
    assert verdict.runner_up is not None
    either = f"{cause_title(verdict.cause)}, or {cause_in_a_sentence(verdict.runner_up)}"
    settles = [r for r in verdict.reasons if r.code == "calibration_would_settle"]
    if not settles:
        return f"{either}: not told apart yet."
    return f"{either}: not told apart yet. {remark_text(settles[0])}."


def compared_with(evaluation: Evaluation) -> str:
    """Return what the others are compared with, inside a sentence."""
    causes = _ordered(evaluation)
    if not causes:
        return ""
    if _is_undecided(evaluation):
        return "the likeliest"
    if _is_beside(evaluation):
        return "unchanged plates and instruments"
    if causes[0].kind is CauseKind.NOTHING:
        return "no change"
    return cause_in_a_sentence(causes[0])


def rows(evaluation: Evaluation, plant: Plant) -> list[CauseRow]:
    """Return the competing explanations, the leading one first, those that are as good as excluded last."""
    costs = evaluation.money is not None and evaluation.money.next_month.low > 0
    leader = evaluation.verdict.cause
    # where two are left standing, both say how likely they are, whichever leads
    told = 2 if _is_undecided(evaluation) else 1
    found = []
    for position, cause in enumerate(_ordered(evaluation)):
        odds = chances(cause.chances) if position < told else odds_beside(cause, leader)
        group = shared_odds(odds)
        found.append(
            CauseRow(
                title=cause_title(cause),
                speaks_for=_said(cause.speaks_for, plant),
                speaks_against=_said(cause.speaks_against, plant),
                odds="" if group else odds,
                group=group,
                leading=position == 0,
                costs=position == 0 and cause.kind in _LOSSES and costs,
            )
        )
    groups = list(dict.fromkeys(["", *(row.group for row in found)]))
    return sorted(found, key=lambda row: groups.index(row.group))


def _said(remarks: Sequence[Remark], plant: Plant) -> str:
    return ". ".join(remark_text(r, plant.units) for r in remarks)
