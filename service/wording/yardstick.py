"""What "clean" rests on where nobody vouches for it, said once beside the number it makes less sure."""

from collections.abc import Sequence
from datetime import UTC

from analytics.vocabulary.records import CauseKind, Evaluation, VerdictKind
from service.wording import dates

MARK = "†"  # at a figure that counts from the first weeks
_OF_THE_PLATES = (VerdictKind.CLEAN_NOW, VerdictKind.CLEAN_LATER, VerdictKind.LEAVE)


def is_unvouched(evaluation: Evaluation) -> bool:
    """Tell whether the clean state is that of the first weeks, for which nobody vouches."""
    reference = evaluation.reference
    return reference is not None and reference.basis == "first weeks"


def leads_with_plates(evaluation: Evaluation) -> bool:
    """Tell whether the answer itself speaks of what the plates have lost, or have not."""
    cause = evaluation.verdict.cause
    deposit = cause is not None and cause.kind is CauseKind.DEPOSIT
    return deposit or evaluation.verdict.kind in _OF_THE_PLATES


def unvouched_sentence(evaluation: Evaluation) -> str:
    """Return what the clean state is taken from, and what follows; empty where the register vouches for it."""
    if not is_unvouched(evaluation):
        return ""
    return "Clean is taken from its first weeks, which nobody vouches for: only what came since counts."


def weeks_of_clean(evaluation: Evaluation) -> str:
    """Return the days from which the clean level was learnt, with a comma before; empty where unknown."""
    period = evaluation.reference.period if evaluation.reference is not None else None
    if period is None:
        return ""
    first, last = dates.long_span(period.start_utc, period.end_utc, UTC)
    return f", {first} to {last}"


def unvouched_footnote(evaluations: Sequence[Evaluation]) -> str:
    """Return the line below a list that explains ``MARK``; empty where no figure bears it."""
    if not any(marked(e) for e in evaluations):
        return ""
    return f"{MARK} Clean is taken from the first weeks, which nobody vouches for: only what came since counts."


def marked(evaluation: Evaluation) -> str:
    """Return ``MARK`` for a cleanliness factor that is told and counts from the first weeks."""
    factor = evaluation.state.cleanliness_factor if evaluation.state is not None else None
    told = factor is not None and evaluation.verdict.kind is not VerdictKind.CANNOT_TELL
    return MARK if told and is_unvouched(evaluation) else ""
