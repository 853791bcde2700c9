"""What waits for a person beside the verdicts that ask for something: checks, log entries, alerts."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from analytics.vocabulary.records import Evaluation, VerdictKind
from service.wording.numbers import count_word

# Of what "cannot tell" is said, yet something is told: a loss, its two causes, or the effectiveness.
_TELLS = frozenset({
    "effectiveness_only", "transfer_fell_or_flow_rose", "deposit_suspected", "deposit_or_instrument",
    "risen_unexplained", "wandered", "calibration_would_settle",
})  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What waits at one exchanger, or at several together."""

    checks: int  # instruments whose check would settle what cannot be told
    entries: int  # proposed log entries to accept or reject
    alerts: int  # not acknowledged

    def __bool__(self) -> bool:
        return bool(self.checks or self.entries or self.alerts)

    def in_words(self) -> str:
        """Return ``an instrument to check and two alerts to acknowledge``; empty without any."""
        kinds = (
            (self.checks, "instrument to check", "instruments to check"),
            (self.entries, "proposed log entry to accept or reject",
             "proposed log entries to accept or reject"),
            (self.alerts, "alert to acknowledge", "alerts to acknowledge"),
        )  # fmt: skip
        said = [f"{count_word(n)} {one if n == 1 else more}" for n, one, more in kinds if n]
        return " and ".join([", ".join(said[:-1]), said[-1]] if len(said) > 1 else said)


def asked_of(evaluation: Evaluation, unacknowledged: Mapping[str, int]) -> Asked:
    """Return what waits at one exchanger; ``unacknowledged`` counts its alerts by tag."""
    verdict = evaluation.verdict
    check = verdict.kind is VerdictKind.CANNOT_TELL and any(
        r.code == "calibration_would_settle" for r in verdict.reasons
    )
    return Asked(
        checks=int(check),
        entries=len(evaluation.proposals),
        alerts=unacknowledged.get(evaluation.tag, 0),
    )


def together(asked: Sequence[Asked]) -> Asked:
    """Return what waits at several exchangers."""
    return Asked(
        checks=sum(a.checks for a in asked), entries=sum(a.entries for a in asked),
        alerts=sum(a.alerts for a in asked),
    )  # fmt: skip


def tells_nothing(evaluation: Evaluation) -> bool:
    """Tell whether really nothing is told of an exchanger: no loss, no cause, no effectiveness."""
    verdict = evaluation.verdict
    if verdict.kind is not VerdictKind.CANNOT_TELL:
        return False
    stopped = evaluation.health.grade == "stopped"
    return stopped or not any(r.code in _TELLS for r in verdict.reasons)
