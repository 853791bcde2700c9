"""Why a verdict stands, in one sentence whose numbers can be checked on the charts."""

from collections.abc import Sequence

from analytics.decisions.explanation import explain
from analytics.vocabulary.records import Evaluation, Remark
from service.register.plant import Plant
from service.wording.reasons import units_of
from service.wording.remarks import remark_text

_NAMES = ("U ", "UA ")  # whose first letter stays as it is

_WHILE = ("why_balance_agrees", "why_share")


def explanation(evaluation: Evaluation, plant: Plant | None = None, *, brief: bool = False) -> str:
    """Return the sentence: what carried the verdict first, then what bears it out.

    ``brief``: with no more parts than it takes to give two numbers, and what would settle it.
    """
    units = units_of(plant)
    remarks = explain(evaluation)
    if brief:
        remarks = _briefly(remarks)
    said = ""
    for remark in remarks:
        text = remark_text(remark, units)
        said += ", while " if said and remark.code in _WHILE else "; " if said else ""
        said += text if not said or text.startswith(_NAMES) else text[:1].lower() + text[1:]
    return f"{said}." if said else ""


def _briefly(remarks: Sequence[Remark]) -> tuple[Remark, ...]:
    count, kept = 0, []
    for remark in remarks:
        if count < 2 or remark.code.startswith("settles_"):
            kept.append(remark)
        count += len(remark.numbers)
    return tuple(kept)
