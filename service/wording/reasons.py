"""Why a verdict was reached: its reasons, its runner-up, the size of the loss.

Lives here: what stands behind a verdict. Not here: the verdict itself (``verdicts.py``).
"""

from datetime import UTC, tzinfo

from analytics.vocabulary.records import (
    BESIDE_THE_PLATES,
    Cause,
    CauseKind,
    Estimate,
    Evaluation,
    Instrumentation,
    VerdictKind,
)
from service.register.plant import DisplayUnits, Plant
from service.wording import dates, numbers
from service.wording.causes import cause_in_a_sentence, looks_alike, times_less_likely
from service.wording.remarks import remark_text

# Reasons whose numbers the explanation gives in fewer words.
_IN_NUMBERS = frozenset({"visit_unlogged", "plates_unlogged", "wandered", "loss_at_reference"})


def by_temperatures_alone(evaluation: Evaluation) -> bool:
    """Tell whether no flow is measured, so that of heat transfer itself nothing is known."""
    return evaluation.health.instrumentation is Instrumentation.TEMPERATURES_ONLY


def causes_there(evaluation: Evaluation) -> list[Cause]:
    """Return the causes without the meter that stands in for a flow which nobody measures."""
    if not by_temperatures_alone(evaluation):
        return list(evaluation.causes)
    return [c for c in evaluation.causes if c.kind is not CauseKind.FLOW_METER]


def zone_of(plant: Plant | None) -> tzinfo:
    """Return the site's zone; UTC where no plant is known."""
    return plant.zone if plant is not None else UTC


def units_of(plant: Plant | None) -> DisplayUnits:
    """Return the plant's units; the usual ones where no plant is known."""
    return plant.units if plant is not None else DisplayUnits()


def reason(evaluation: Evaluation, plant: Plant | None = None, *, beside: str = "") -> str:
    """Return one or two short sentences that carry the verdict, or the runner-up.

    What ``beside`` says already is left out.
    """
    units = units_of(plant)
    told = [r for r in evaluation.verdict.reasons if not beside or r.code not in _IN_NUMBERS]
    texts = [remark_text(r, units) for r in told[:2]]
    said = [f"{t}." for t in texts if not beside or t[1:] not in beside]
    if evaluation.verdict.kind is VerdictKind.CLEAN_LATER:
        said = [*_pays_from(evaluation, plant), *said]
    follower = runner_up(evaluation)
    if follower and len(said) < 2:
        said.append(follower)
    return " ".join(said[:2])


def _pays_from(evaluation: Evaluation, plant: Plant | None) -> list[str]:
    money = evaluation.money
    if money is None or money.best_visit_utc is None:
        return []
    if money.best_visit_utc <= evaluation.through_utc:
        return []
    day = dates.long_day(money.best_visit_utc, zone_of(plant))
    return [f"A visit brings most on {day}."]


def runner_up(evaluation: Evaluation) -> str:
    """Return the runner-up and how far behind it is, or an empty text.

    A cause beside the plates and their instruments has none: it may hold along with any of them.
    """
    follower, cause = evaluation.verdict.runner_up, evaluation.verdict.cause
    if follower is None or follower.kind is CauseKind.NOTHING:
        return ""
    if cause is not None and cause.kind in BESIDE_THE_PLATES:
        return ""
    if evaluation.verdict.kind is VerdictKind.LEAVE:
        return _deposit_at_most(evaluation) if follower.kind is CauseKind.DEPOSIT else ""
    if looks_alike(follower):
        return f"With a single meter {cause_in_a_sentence(follower)} looks the same."
    odds = times_less_likely(follower.times_less_likely)
    return f"Runner-up {odds}: {cause_in_a_sentence(follower)}."


def _deposit_at_most(evaluation: Evaluation) -> str:
    lost = loss(evaluation)
    if lost is None or lost.high < 0.01:
        return ""
    most = numbers.single(lost.high, numbers.PERCENT)
    return f"A deposit, if there is any, takes at most {most} of the heat transfer."


def loss(evaluation: Evaluation) -> Estimate | None:
    """Return the share of the heat transfer that is lost: one minus the cleanliness factor."""
    factor = evaluation.state.cleanliness_factor if evaluation.state is not None else None
    if factor is None:
        return None
    return Estimate(value=1 - factor.value, low=1 - factor.high, high=1 - factor.low)
