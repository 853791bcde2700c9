"""What visits achieved, as the log, the lead, the verdict, the page and the document tell it."""

from dataclasses import dataclass
from datetime import UTC
from typing import Final

from analytics.vocabulary.records import Comparison, Deed, Estimate, Evaluation, VisitProof
from service.register.plant import Plant
from service.wording import dates, numbers
from service.wording.causes import deed_text
from service.wording.reasons import zone_of

_NOTHING = 0.05  # a gain that is for sure below it is none that anybody pays for
_KNOWN = 0.15  # a gain that may be larger says nothing of the visit
_CLEANINGS = (Deed.CLEANED_IN_PLACE, Deed.OPENED_AND_CLEANED)  # more plates change the area, not U
_HOW_TAKEN = (
    "The fortnights are measured. What the visit itself did follows from how the deposit grows up to"
    " it and away from it, and is less sure."
)


NO_READINGS_YET: Final = "no day that shows it yet"
UNTIL_READINGS = "until readings after the visit"


@dataclass(frozen=True, slots=True, kw_only=True)
class Achieved:
    """The table of a visit that can be judged: its heading, a line before it, heads and rows."""

    heading: str
    note: str
    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


def proof_text(proof: VisitProof) -> str:
    """Return what a visit achieved: as it follows at the visit, and as measured, with intervals."""
    if proof.outcome == "too early to tell":
        return f"Too early to tell: {proof.days_after} days since."
    said = proof.outcome.capitalize()
    if proof.at_visit is None or proof.measured is None:
        return f"{said}."
    if proof.event.deed is Deed.PLATES_CHANGED:  # which alter the area, and U hardly
        gain = _change(proof.at_visit.gain)
        return f"U changed by {gain}; the area is that of the plates fitted since."
    measured = f"by {_change(proof.measured.gain)} from the fortnight before to the fortnight after"
    changed = (
        f"heat transfer changed by {_change(proof.at_visit.gain)} at the visit, and {measured}."
    )
    if proof.recovered is not None and proof.outcome != "no effect seen":
        back = numbers.figure(proof.recovered, numbers.PERCENT).text
        return f"{said}: {back} of the loss came back; {changed}"
    return f"{said}: {changed}"


def achieved(evaluation: Evaluation, plant: Plant) -> Achieved | None:
    """Return what the last cleaning achieved, side by side; ``None`` where nothing can be compared."""
    last = _last(evaluation)
    if last is None or last.event.deed not in _CLEANINGS:
        return None
    if last.measured is None or last.at_visit is None:
        return None
    day = dates.long_day(last.event.at_utc, plant.zone)
    first, end = dates.long_span(last.measured.first_utc, last.measured.last_utc, UTC)
    back = (
        f" {numbers.figure(last.recovered, numbers.PERCENT).text} of the loss came back at the visit."
        if last.recovered is not None and last.outcome != "no effect seen"
        else ""
    )
    return Achieved(
        heading=f"The visit of {day}: {last.outcome}.",
        note=f"{_HOW_TAKEN}{back} The fortnights lie between {first} and {end} and hold the days that show"
        " the plates, up to fourteen on either side.",
        heads=("Heat transfer, of clean", "Before", "After", "Changed by"),
        rows=(
            _row("Measured: mean of the fortnight", last.measured),
            _row("At the visit: the day before, the day after", last.at_visit),
        ),
    )


def _row(label: str, seen: Comparison) -> tuple[str, ...]:
    before, after = (numbers.figure(e, numbers.PERCENT).text for e in (seen.before, seen.after))
    return label, before, after, _change(seen.gain)


def _change(gain: Estimate) -> str:
    return numbers.figure(gain, numbers.PERCENT, signed=True).text


def _last(evaluation: Evaluation) -> VisitProof | None:
    return max(evaluation.proofs, key=lambda p: p.event.at_utc, default=None)


def unread_visit(evaluation: Evaluation) -> VisitProof | None:
    """Return the last visit to the plates while no reading after it has arrived; else ``None``."""
    last = _last(evaluation)
    return last if last is not None and last.outcome == NO_READINGS_YET else None


def done_without_readings(evaluation: Evaluation, plant: Plant | None) -> str:
    """Return ``opened and cleaned on 24 November 2026, no day since that shows the plates``; empty where there are."""
    visit = unread_visit(evaluation)
    if visit is None:
        return ""
    day = dates.long_day(visit.event.at_utc, zone_of(plant))
    return f"{visit.event.deed} on {day}, no day since that shows the plates"


def without_effect(evaluation: Evaluation) -> VisitProof | None:
    """Return the proof of the last visit where it was a cleaning that shows no effect."""
    last = _last(evaluation)
    if last is None or last.outcome != "no effect seen" or last.event.deed not in _CLEANINGS:
        return None
    return last if last.at_visit is not None and last.at_visit.gain.high < _KNOWN else None


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
    if proof is None or proof.at_visit is None:
        return ""
    day = dates.long_day(proof.event.at_utc, zone_of(plant))
    said = f"The visit of {day} ({deed_text(proof.event)}) {_verb(proof)}"
    return f"{said}: heat transfer changed by {_change(proof.at_visit.gain)}."


def _verb(proof: VisitProof) -> str:
    small = proof.at_visit is not None and proof.at_visit.gain.high < _NOTHING
    return "changed nothing" if small else "shows no effect"
