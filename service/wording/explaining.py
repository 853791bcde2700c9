"""Why a verdict stands, in one sentence whose numbers can be checked on the charts."""

from collections.abc import Sequence

from analytics.decisions.explanation import explain
from analytics.vocabulary.records import Cause, Evaluation, Remark
from service.register.plant import Plant
from service.wording.reasons import by_temperatures_alone, units_of
from service.wording.remarks import remark_text

_NAMES = ("U ", "UA ")  # whose first letter stays as it is

_NEEDED = {"offset_needed": "why_nearest_thermometer", "gain_needed": "why_nearest_meter"}
_WHILE = ("why_balance_agrees", "why_share")


def explanation(evaluation: Evaluation, plant: Plant | None = None, *, brief: bool = False) -> str:
    """Return the sentence: what carried the verdict first, then what bears it out.

    ``brief``: with no more parts than it takes to give two numbers, and what would settle it.
    """
    units = units_of(plant)
    remarks = parts(evaluation)
    if brief:
        remarks = _briefly(remarks)
    said = ""
    for remark in remarks:
        text = remark_text(_with_nearest(remark, evaluation.causes), units)
        said += ", while " if said and remark.code in _WHILE else "; " if said else ""
        said += text if not said or text.startswith(_NAMES) else text[:1].lower() + text[1:]
    return f"{said}." if said else ""


def parts(evaluation: Evaluation) -> tuple[Remark, ...]:
    """Return the parts of the sentence; of four temperatures alone, what they tell of the effectiveness."""
    found = explain(evaluation)
    if found or not by_temperatures_alone(evaluation):
        return found
    return tuple(r for r in evaluation.verdict.reasons if r.code.startswith("effectiveness_"))


def settling(evaluation: Evaluation, plant: Plant | None = None) -> str:
    """Return as a sentence what would settle a verdict that cannot be told; else an empty text."""
    settles = [r for r in explain(evaluation) if r.code.startswith("settles_")]
    return f"{remark_text(settles[-1], units_of(plant))}." if settles else ""


def _with_nearest(remark: Remark, causes: Sequence[Cause]) -> Remark:
    """Return a remark that no instrument's error explains it with the error that would come nearest.

    The table of causes names that error, so that the sentence has to say why it does not count.
    """
    if remark.code != "why_no_error":
        return remark
    nearest = [c for c in causes if any(r.code in _NEEDED for r in c.speaks_against)]
    if not nearest:
        return remark
    needed = next(r for r in nearest[0].speaks_against if r.code in _NEEDED)
    numbers = {k: needed.numbers[k] for k in ("offset_K", "gain") if k in needed.numbers}
    numbers["times"] = nearest[0].times_less_likely
    return Remark(
        code=_NEEDED[needed.code], numbers=numbers, words={"role": nearest[0].subject or ""}
    )


def _briefly(remarks: Sequence[Remark]) -> tuple[Remark, ...]:
    count, kept = 0, []
    for remark in remarks:
        if count < 2 or remark.code.startswith("settles_"):
            kept.append(remark)
        count += len(remark.numbers)
    return tuple(kept)
