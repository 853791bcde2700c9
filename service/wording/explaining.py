"""Why a verdict stands, in one sentence whose numbers can be checked on the charts."""

from analytics.decisions.explanation import explain
from analytics.vocabulary.records import Evaluation
from service.register.plant import Plant
from service.wording.reasons import units_of
from service.wording.remarks import remark_text

_NAMES = ("U ", "UA ")  # whose first letter stays as it is

_WHILE = ("why_balance_agrees", "why_share")


def explanation(evaluation: Evaluation, plant: Plant | None = None) -> str:
    """Return the sentence: what carried the verdict first, then what bears it out."""
    units = units_of(plant)
    parts = [remark_text(r, units) for r in explain(evaluation)]
    if not parts:
        return ""
    said = parts[0]
    for remark, part in zip(explain(evaluation)[1:], parts[1:], strict=True):
        said += (", while " if remark.code in _WHILE else "; ") + _inside(part)
    return f"{said}."


def _inside(text: str) -> str:
    return text if text.startswith(_NAMES) else text[:1].lower() + text[1:]
