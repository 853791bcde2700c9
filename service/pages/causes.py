"""The table of competing causes, led by the one the verdict rests on."""

from collections.abc import Sequence
from dataclasses import dataclass

from analytics.vocabulary.records import Cause, CauseKind, Evaluation, Remark, VerdictKind
from service.register.plant import Plant
from service.wording.causes import cause_in_a_sentence, cause_title, chances, times_less_likely
from service.wording.reasons import BESIDE_THE_PLATES
from service.wording.remarks import remark_text

_LOSSES = frozenset({CauseKind.DEPOSIT, CauseKind.BUILDING_SIDE, CauseKind.CAPACITY})


@dataclass(frozen=True, slots=True, kw_only=True)
class CauseRow:
    """One explanation in the table of causes."""

    title: str
    speaks_for: str
    speaks_against: str
    odds: str
    leading: bool
    costs: bool


def _ordered(evaluation: Evaluation) -> list[Cause]:
    """Return the causes with that of the verdict first; none where nothing can be told."""
    if evaluation.verdict.kind is VerdictKind.CANNOT_TELL and evaluation.verdict.cause is None:
        return []
    leading = evaluation.verdict.cause
    if leading is None:
        return list(evaluation.causes)
    named = (leading.kind, leading.subject)
    return [leading, *(c for c in evaluation.causes if (c.kind, c.subject) != named)]


def _is_beside(evaluation: Evaluation) -> bool:
    cause = evaluation.verdict.cause
    return cause is not None and cause.kind in BESIDE_THE_PLATES


def heading(evaluation: Evaluation) -> str:
    """Return the finding of the table of causes."""
    causes = _ordered(evaluation)
    if not causes:
        return "No cause can be told from the others yet."
    if evaluation.verdict.cause is None:
        return "No single cause explains all of it; the likeliest stands first."
    leading, *others = causes
    if leading.kind is CauseKind.NOTHING:
        return "Nothing has changed that the instruments can tell."
    if others and not leading.speaks_against and all(c.speaks_against for c in others):
        return (
            f"{cause_title(leading)}, {chances(leading.chances)}: nothing speaks against it,"
            " something against every other cause."
        )
    return f"{cause_title(leading)}, {chances(leading.chances)}."


def compared_with(evaluation: Evaluation) -> str:
    """Return what the others are compared with, inside a sentence."""
    causes = _ordered(evaluation)
    if not causes:
        return ""
    if _is_beside(evaluation):
        return "unchanged plates and instruments"
    if causes[0].kind is CauseKind.NOTHING:
        return "no change"
    return cause_in_a_sentence(causes[0])


def rows(evaluation: Evaluation, plant: Plant) -> list[CauseRow]:
    """Return the competing explanations, the leading one first."""
    costs = evaluation.money is not None and evaluation.money.next_month.low > 0
    beside = _is_beside(evaluation)
    return [
        CauseRow(
            title=cause_title(cause),
            speaks_for=_said(cause.speaks_for, plant),
            speaks_against=_said(cause.speaks_against, plant),
            odds=chances(cause.chances) if position == 0 else _odds(cause, beside=beside),
            leading=position == 0,
            costs=position == 0 and cause.kind in _LOSSES and costs,
        )
        for position, cause in enumerate(_ordered(evaluation))
    ]


def _odds(cause: Cause, *, beside: bool) -> str:
    if beside and cause.kind is CauseKind.NOTHING:
        return "holds along with it"
    return times_less_likely(cause.times_less_likely)


def _said(remarks: Sequence[Remark], plant: Plant) -> str:
    return ". ".join(remark_text(r, plant.units) for r in remarks)
