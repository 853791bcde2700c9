"""Which exchanger comes first: those on which somebody has to act, by what another month costs."""

from collections.abc import Iterable
from math import isfinite

from analytics.vocabulary.records import Evaluation, VerdictKind
from service.wording.reckoned import is_reckoned
from service.wording.verdicts import NEEDS_SOMEBODY

# Where nothing has to be done now: what may come soon, then what nobody can tell, then the rest.
_WITHOUT_HASTE = (VerdictKind.CLEAN_LATER, VerdictKind.CANNOT_TELL, VerdictKind.LEAVE)


def month_at_stake(evaluation: Evaluation) -> float:
    """Return what another month costs; where that may be nothing, the most it could be."""
    if evaluation.money is None:
        return 0.0
    cost = evaluation.money.next_month
    at_stake = cost.value if cost.low > 0 else cost.high
    return at_stake if isfinite(at_stake) else 0.0


def urgency(kind: VerdictKind) -> int:
    """Return the group of a verdict, 0 first: clean now, act otherwise, later, unknown, leave."""
    if kind is VerdictKind.CLEAN_NOW:
        return 0
    return 1 if kind in NEEDS_SOMEBODY else 2 + _WITHOUT_HASTE.index(kind)


def rank(evaluations: Iterable[Evaluation]) -> tuple[Evaluation, ...]:
    """Return the evaluations in the order in which a person should look at them."""
    return tuple(
        sorted(
            evaluations,
            key=lambda e: (
                urgency(e.verdict.kind),
                is_reckoned(e),  # a cost that nobody reckons is not taken for a small one
                -month_at_stake(e) if is_reckoned(e) else 0.0,
                e.tag.casefold(),
            ),
        )
    )
