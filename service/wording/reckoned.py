"""Whether what waiting costs is reckoned: the account of money is that of a deposit alone."""

from analytics.vocabulary.records import Evaluation, VerdictKind

# Verdicts whose cause is none of a deposit: what it costs is not in the account.
_ANOTHER_CAUSE = frozenset({
    VerdictKind.BUILDING_SIDE, VerdictKind.ADD_PLATES, VerdictKind.CHECK_INSTRUMENT,
    VerdictKind.CHECK_CONTROLS, VerdictKind.CHECK_PIPING, VerdictKind.RINSE_STRAINER,
})  # fmt: skip
NOT_RECKONED = "not reckoned"
WHY_NOT = "what this cause costs is not reckoned: the account of money is that of a deposit alone"


def is_of_another_cause(evaluation: Evaluation) -> bool:
    """Tell whether the verdict rests on a cause whose cost nobody reckons."""
    return evaluation.verdict.kind in _ANOTHER_CAUSE


def is_reckoned(evaluation: Evaluation) -> bool:
    """Tell whether waiting has a cost that can be given: a deposit's, or none beside a deposit's."""
    if not is_of_another_cause(evaluation):
        return True
    return evaluation.money is not None and evaluation.money.next_month.low > 0
