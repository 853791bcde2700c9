"""What visits achieved, as the log, the lead and the verdict tell it."""

from analytics.vocabulary.records import Deed, Evaluation, VisitProof
from service.register.plant import Plant
from service.wording import dates, numbers
from service.wording.causes import deed_text
from service.wording.reasons import zone_of

_NOTHING = 0.05  # a gain that is for sure below it is none that anybody pays for
_KNOWN = 0.15  # a gain that may be larger says nothing of the visit
_CLEANINGS = (Deed.CLEANED_IN_PLACE, Deed.OPENED_AND_CLEANED)  # more plates change the area, not U


def proof_text(proof: VisitProof) -> str:
    """Return what a visit achieved, with its interval."""
    if proof.outcome == "too early to tell":
        return f"Too early to tell: {proof.days_after} days since."
    said = proof.outcome.capitalize()
    if proof.recovered is not None and proof.outcome != "no effect seen":
        return f"{said}: {numbers.figure(proof.recovered, numbers.PERCENT).text} of the loss came back."
    if proof.gain is not None:
        gain = numbers.figure(proof.gain, numbers.PERCENT, signed=True)
        if proof.event.deed is Deed.PLATES_CHANGED:  # which alter the area, and U hardly
            return f"U changed by {gain.text}; the area is that of the plates fitted since."
        return f"{said}: heat transfer changed by {gain.text}."
    return f"{said}."


def without_effect(evaluation: Evaluation) -> VisitProof | None:
    """Return the proof of the last visit where it was a cleaning that shows no effect."""
    last = max(evaluation.proofs, key=lambda p: p.event.at_utc, default=None)
    if last is None or last.outcome != "no effect seen" or last.event.deed not in _CLEANINGS:
        return None
    return last if last.gain is not None and last.gain.high < _KNOWN else None


def changed_nothing(evaluation: Evaluation, plant: Plant | None) -> str:
    """Return ``the visit on 1 Oct changed nothing``; empty where the last visit is not known to."""
    proof = without_effect(evaluation)
    if proof is None:
        return ""
    at, end = proof.event.at_utc, evaluation.through_utc
    day = dates.short_day(at, zone_of(plant), year=at.year != end.year)
    return f"the visit on {day} {_verb(proof)}"


def visit_sentence(evaluation: Evaluation, plant: Plant | None) -> str:
    """Return what the last visit did not achieve, with figures; empty where it had an effect."""
    proof = without_effect(evaluation)
    if proof is None:
        return ""
    day = dates.long_day(proof.event.at_utc, zone_of(plant))
    gain = numbers.figure(proof.gain, numbers.PERCENT, signed=True)
    said = f"The visit of {day} ({deed_text(proof.event)}) {_verb(proof)}"
    return f"{said}: heat transfer changed by {gain.text}."


def _verb(proof: VisitProof) -> str:
    small = proof.gain is not None and proof.gain.high < _NOTHING
    return "changed nothing" if small else "shows no effect"
