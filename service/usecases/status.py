"""How each exchanger stands, in plain values: what ``status --json`` prints and the API serves.

Every figure is an object with ``value``, ``low``, ``high`` and ``unit``; the interval holds the
truth nine times in ten. What cannot be told has ``null`` there and a ``reason``. Units do not follow
the plant's display units: kelvin, m2*K/W, watt, the tariff's currency, and "1" for a ratio.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from math import isfinite
from typing import TYPE_CHECKING

from analytics.vocabulary.records import (
    Cause,
    Comparison,
    Estimate,
    Evaluation,
    Exchanger,
    Instrumentation,
    MoneyAccount,
)
from service.register.plant import Plant
from service.usecases.after_visit import verdict_before
from service.usecases.proposing import KeptProposal, ProposalState
from service.usecases.told_gaps import ToldGaps, summed_up
from service.wording import foreseen
from service.wording.explaining import explanation, parts
from service.wording.limits import clean_today, passed_utc
from service.wording.paying import loss_price_and_day
from service.wording.proofs import NO_READINGS_YET, UNTIL_READINGS, proof_text, unread_visit
from service.wording.reckoned import WHY_NOT, is_reckoned
from service.wording.remarks import remark_text
from service.wording.staleness import data_age, old_readings
from service.wording.verdicts import headline
from service.wording.visit_day import is_due, visit_day

if TYPE_CHECKING:
    from service.usecases.ledger import Ledger

_TOO_FEW_DAYS = "too few days with evidence around the visit"


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """A figure with its interval, or the reason why there is none."""

    value: float | None
    low: float | None
    high: float | None
    unit: str
    reason: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class StatedCause:
    """A cause and how it stands against the leading one."""

    kind: str
    subject: str | None  # the role of the instrument, where it is one
    chances: float
    times_less_likely: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Approach:
    """Primary return minus secondary return."""

    last_day: Figure  # as measured, mean of the steady hours of the last day with any
    at_reference: Figure  # what the plates, as they are, would show at the reference condition
    clean_at_reference: Figure
    limit: Figure


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitReached:
    """When the limit is reached; a null date lies beyond the horizon, unless a reason is given."""

    earliest: datetime | None  # one chance in twenty that it is sooner
    median: datetime | None
    latest: datetime | None  # one chance in twenty that it is later
    chance_within_horizon: float | None
    horizon_days: int | None
    passed_since: datetime | None = None  # since when the approach has stayed above the limit
    reason: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class AvoidableCost:
    """What the deposit costs, against clean plates and the same heat to the building.

    What any other cause costs is not reckoned: where the verdict names one, the costs are null, but
    for a deposit beside it that certainly costs.
    """

    since: datetime | None  # from which day so_far is counted; a deposit's: when its loss began
    counted_from: str | None  # what that day is: "loss began", "last visit", "clean level"
    so_far: Figure
    next_month: Figure  # of the thirty days from next_month_from on, the end of the readings
    next_month_from: datetime | None
    next_month_basis: str  # the load it is reckoned with, and what the thirty days before cost
    last_month: Figure  # of these thirty days before
    next_year: Figure
    visit_price: Figure
    best_visit: datetime | None
    best_visit_is_due: bool  # that day is today or went by: as soon as it can be arranged
    visit_brings: Figure  # net, in twelve months: on the best day, else on the last of the readings
    why: str  # how loss, price and best day belong together


@dataclass(frozen=True, slots=True, kw_only=True)
class ThermometerPair:
    """How far the first of two thermometers reads above the second, and how that is known."""

    first: str
    second: str
    evidence: str  # "load", "standstill", "circulation"; "together": all of them
    since: datetime
    through: datetime
    hours: float
    difference: Figure
    age_days: float  # from there to the end of the data


@dataclass(frozen=True, slots=True, kw_only=True)
class StatedProposal:
    """A log entry that seems to be missing; it changes nothing until a person accepts it."""

    number: int | None  # by which it is accepted or rejected; null where it is not stored
    tag: str
    state: str
    deed: str
    role: str | None
    at: datetime
    earliest: datetime  # nine times in ten between these two
    latest: datetime
    known: datetime  # the day whose readings made it known
    size: Figure  # of U over U before, minus one ("1"); K; a meter's ratio ("1")
    text: str
    evidence: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Health:
    """How good the data of the last 30 days is."""

    grade: str
    instrumentation: str
    first: datetime | None
    last: datetime | None
    hours_running: float
    hours_evidence: float
    hours_set_aside: dict[str, float]  # by reason; an hour may have several
    missing_roles: tuple[str, ...]
    consequences: tuple[str, ...]
    logger_gaps: tuple[ToldGaps, ...]  # over all the readings, by instrument


@dataclass(frozen=True, slots=True, kw_only=True)
class Age:
    """How old the newest assessed readings are; all that is said holds for that time."""

    newest: datetime | None  # null: there is no reading
    days: float | None
    old_after_days: float  # as the register sets it
    is_old: bool
    notice: str  # what follows where they are old; else empty


@dataclass(frozen=True, slots=True, kw_only=True)
class Compared:
    """The plates before and after a visit, at the reference condition."""

    before: Figure  # cleanliness factor
    after: Figure
    gain: Figure  # U after over U before, minus one
    first: datetime  # the days it rests on
    last: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class Visit:
    """What a visit achieved, by the readings before and after it."""

    deed: str
    at: datetime
    outcome: str  # also "too early to tell", and "no day that shows it yet"; see VisitProof
    gain: Figure  # that of at_visit
    recovered: Figure  # share of the lost U that came back, at the visit
    measured: Compared | None  # mean of up to fourteen days with evidence on either side
    at_visit: (
        Compared | None
    )  # the day after against the day before, carried there along the growth
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Status:
    """One exchanger."""

    rank: int  # 1 comes first
    tag: str
    building: str
    room: str
    service: str
    verdict: str | None  # null before the first assessment
    sentence: str
    reasons: tuple[str, ...]
    explanation: str  # one sentence whose numbers can be checked on the charts
    explained_by: tuple[dict[str, float], ...]  # its numbers by part, names end in their unit, SI
    since: datetime | None
    cause: StatedCause | None
    runner_up: StatedCause | None
    assessed_through: datetime | None
    state_as_of: datetime | None
    cleanliness_factor: Figure
    fouling_resistance: Figure
    approach: Approach
    duty_at_reference: Figure
    duty_clean_at_reference: Figure
    clean_taken_from: (
        str | None
    )  # "known clean period", "first weeks" (nobody vouches), "nameplate"
    limit_reached: LimitReached
    avoidable_cost: AvoidableCost
    data_health: Health | None
    data_age: Age | None  # null before the first assessment
    thermometer_pairs: tuple[ThermometerPair, ...]
    open_alerts: int
    last_visit: Visit | None  # what the last one achieved; null: none whose effect can be told
    verdict_before_visit: str | None = None  # while no reading follows the last visit
    proposals: tuple[StatedProposal, ...] = ()  # open ones


def list_status(ledger: "Ledger") -> tuple[Status, ...]:
    """Return all registered exchangers, the most needy first, those never assessed last."""
    plant = ledger.plant()
    now_utc = ledger.now()
    open_alerts: dict[str, int] = {}
    for alert in ledger.alerts():
        if alert.is_active(now_utc):
            open_alerts[alert.tag] = open_alerts.get(alert.tag, 0) + 1
    kept = [k for k in ledger.proposals() if k.state is ProposalState.OPEN]
    ranked = [e for e in ledger.evaluations() if plant.exchanger(e.tag) is not None]
    assessed = {e.tag for e in ranked}
    found = [
        status_of(
            plant,
            e.tag,
            e,
            n,
            now_utc,
            open_alerts.get(e.tag, 0),
            [k for k in kept if k.tag == e.tag],
            summed_up(ledger.gaps(e.tag), e.through_utc),
        )
        for n, e in enumerate(ranked, 1)
    ]
    never = [e.tag for e in plant.exchangers if e.tag not in assessed]
    return (
        *found,
        *(status_of(plant, tag, None, n, now_utc) for n, tag in enumerate(never, len(found) + 1)),
    )


def status_of(
    plant: Plant,
    tag: str,
    evaluation: Evaluation | None,
    rank: int,
    now_utc: datetime,
    open_alerts: int = 0,
    proposals: Sequence[KeptProposal] = (),
    told: Sequence[ToldGaps] = (),
) -> Status:
    """Return the status of one exchanger; ``evaluation`` is ``None`` before the first."""
    exchanger = plant.exchanger(tag) or Exchanger(tag=tag)
    why = _why_nothing(evaluation, plant)
    state = None if evaluation is None else evaluation.state
    verdict = None if evaluation is None else evaluation.verdict
    no_flow = _without_flow(evaluation) or why
    unread = None if evaluation is None else unread_visit(evaluation)
    waits = "" if unread is None else f"cannot be told {UNTIL_READINGS}"
    return Status(
        rank=rank,
        tag=tag,
        building=exchanger.building,
        room=exchanger.room,
        service=exchanger.service,
        verdict=None if verdict is None else str(verdict.kind),
        sentence=why if evaluation is None else headline(evaluation, plant),
        reasons=()
        if verdict is None
        else tuple(remark_text(r, plant.units) for r in verdict.reasons),
        explanation="" if evaluation is None else explanation(evaluation, plant),
        explained_by=()
        if evaluation is None
        else tuple(dict(r.numbers) for r in parts(evaluation) if r.numbers),
        since=None if verdict is None else verdict.since_utc,
        cause=None if verdict is None else _cause(verdict.cause),
        runner_up=None if verdict is None else _cause(verdict.runner_up),
        assessed_through=None if evaluation is None else evaluation.through_utc,
        state_as_of=None if state is None else state.as_of_utc,
        cleanliness_factor=_figure(
            None if state is None else state.cleanliness_factor, "1", no_flow
        ),
        fouling_resistance=_figure(
            None if state is None else state.fouling_resistance_m2K_W,
            "m2*K/W",
            no_flow or ("" if exchanger.area_m2 else "the register has no area of the plates"),
        ),
        approach=_approach(evaluation, exchanger, why, no_flow),
        duty_at_reference=_figure(None if state is None else state.duty_reference_W, "W", no_flow),
        duty_clean_at_reference=_figure(
            None if state is None else state.duty_reference_clean_W, "W", no_flow
        ),
        clean_taken_from=None
        if evaluation is None or evaluation.reference is None
        else evaluation.reference.basis,
        limit_reached=_limit_reached(evaluation, no_flow or waits),
        avoidable_cost=_cost(evaluation, exchanger, plant, now_utc, no_flow or waits),
        data_health=_health(evaluation, plant, told),
        data_age=_age(evaluation, plant, now_utc),
        thermometer_pairs=_pairs(evaluation),
        open_alerts=open_alerts,
        last_visit=_last_visit(evaluation),
        verdict_before_visit=None if evaluation is None else verdict_before(evaluation),
        proposals=tuple(stated_proposal(k, plant) for k in proposals),
    )


def stated_proposal(kept: KeptProposal, plant: Plant) -> StatedProposal:
    """Return a proposal in plain values."""
    p = kept.proposal
    return StatedProposal(
        number=kept.number, tag=kept.tag, state=str(kept.state), deed=str(p.deed), role=p.role,
        at=p.at_utc, earliest=p.earliest_utc, latest=p.latest_utc, known=p.known_utc,
        size=_figure(p.size, p.unit or "1", ""), text=remark_text(p.remark, plant.units),
        evidence=tuple(remark_text(r, plant.units) for r in p.evidence),
    )  # fmt: skip


def _approach(
    evaluation: Evaluation | None, exchanger: Exchanger, why: str, no_flow: str
) -> Approach:
    state = None if evaluation is None else evaluation.state
    without_limit = (
        "without limits.approach_K the limit is a cleanliness factor of "
        f"{exchanger.limits.cleanliness_factor:g}"
    )
    return Approach(
        last_day=_figure(None if state is None else state.approach_K, "K", why),
        at_reference=_figure(None if state is None else state.approach_reference_K, "K", no_flow),
        clean_at_reference=_figure(
            None if evaluation is None else clean_today(evaluation), "K", no_flow
        ),
        limit=_exact(None if state is None else state.approach_limit_K, "K", why or without_limit),
    )


def _why_nothing(evaluation: Evaluation | None, plant: Plant) -> str:
    if evaluation is None:
        return "Not assessed yet: import its trends, then run plateledger assess."
    if evaluation.state is None:
        return headline(evaluation, plant)
    return ""


def _without_flow(evaluation: Evaluation | None) -> str:
    if evaluation is None:
        return ""
    if evaluation.health.instrumentation is Instrumentation.TEMPERATURES_ONLY:
        return "needs a flow or a heat meter; there are four temperatures alone"
    if evaluation.health.instrumentation is Instrumentation.INCOMPLETE:
        return "a temperature is missing: " + ", ".join(evaluation.health.missing_roles)
    return ""


def _figure(estimate: Estimate | None, unit: str, why: str) -> Figure:
    if estimate is None or not isfinite(estimate.value):
        reason = why or "the data do not tell yet"
        return Figure(value=None, low=None, high=None, unit=unit, reason=reason)
    return Figure(
        value=estimate.value,
        low=estimate.low if isfinite(estimate.low) else None,
        high=estimate.high if isfinite(estimate.high) else None,
        unit=unit,
    )


def _exact(value: float | None, unit: str, why: str) -> Figure:
    estimate = None if value is None else Estimate(value=value, low=value, high=value)
    return _figure(estimate, unit, why)


def _cause(cause: Cause | None) -> StatedCause | None:
    if cause is None:
        return None
    return StatedCause(
        kind=str(cause.kind),
        subject=cause.subject,
        chances=min(cause.chances, 1.0),  # a sum of shares may round to a hair above
        times_less_likely=cause.times_less_likely,
    )


def _limit_reached(evaluation: Evaluation | None, why: str) -> LimitReached:
    if evaluation is None or evaluation.forecast is None:
        return LimitReached(
            earliest=None,
            median=None,
            latest=None,
            chance_within_horizon=None,
            horizon_days=None,
            reason=why or "there is no forecast while no deposit is seen to grow",
        )
    forecast = evaluation.forecast
    return LimitReached(
        earliest=forecast.date_5,
        median=forecast.date_50,
        latest=forecast.date_95,
        chance_within_horizon=forecast.chance_within_horizon,
        horizon_days=forecast.horizon_days,
        passed_since=passed_utc(evaluation),
    )


def _cost(
    evaluation: Evaluation | None, exchanger: Exchanger, plant: Plant, now_utc: datetime, why: str
) -> AvoidableCost:
    money: MoneyAccount | None = None if evaluation is None else evaluation.money
    unit = exchanger.tariff.currency if money is None else money.currency
    spoken_of = None if evaluation is None else visit_day(evaluation)
    why = why or "the register has no prices, or the data do not tell yet"
    told, untold = money, why
    if evaluation is not None and not is_reckoned(evaluation):
        told, untold = None, WHY_NOT
    basis = None if told is None else told.month_basis
    unknown = untold if told is None else "the thirty days before are not all known"
    price = exchanger.tariff.visit_price if money is None else money.visit_price
    no_price = "the register has no price of a visit"
    return AvoidableCost(
        since=None if money is None else money.since_utc,
        counted_from=None if money is None else money.counted_from,
        so_far=_figure(None if told is None else told.avoidable_so_far, unit, untold),
        next_month=_figure(None if told is None else told.next_month, unit, untold),
        next_month_from=None if money is None or evaluation is None else evaluation.through_utc,
        next_month_basis="" if evaluation is None else foreseen.sentence(evaluation, plant),
        last_month=_figure(None if basis is None else basis.cost_before, unit, unknown),
        next_year=_figure(None if told is None else told.next_year_untouched, unit, untold),
        visit_price=_exact(price, unit, no_price),
        best_visit=None if money is None else money.best_visit_utc,
        best_visit_is_due=evaluation is not None and is_due(evaluation, plant, now_utc),
        visit_brings=_figure(
            None if spoken_of is None else spoken_of.net_benefit,
            unit,
            why if money is None else no_price,
        ),
        why="" if evaluation is None else loss_price_and_day(evaluation, plant, now_utc),
    )


def _pairs(evaluation: Evaluation | None) -> tuple[ThermometerPair, ...]:
    return tuple(
        ThermometerPair(
            first=p.first_role, second=p.second_role, evidence=p.evidence, since=p.from_utc,
            through=p.to_utc, hours=p.hours, age_days=p.age_days,
            difference=Figure(
                value=p.difference_K.value, low=p.difference_K.low, high=p.difference_K.high, unit="K"
            ),
        )
        for p in (evaluation.pairs if evaluation is not None else ())
    )  # fmt: skip


def _last_visit(evaluation: Evaluation | None) -> Visit | None:
    proofs = () if evaluation is None else evaluation.proofs
    last = max(proofs, key=lambda p: p.event.at_utc, default=None)
    if last is None:
        return None
    why = NO_READINGS_YET if last.outcome == NO_READINGS_YET else _TOO_FEW_DAYS
    return Visit(
        deed=str(last.event.deed),
        at=last.event.at_utc,
        outcome=last.outcome,
        gain=_figure(last.at_visit.gain if last.at_visit else None, "1", why),
        recovered=_figure(last.recovered, "1", "" if last.at_visit else why),
        measured=_compared(last.measured),
        at_visit=_compared(last.at_visit),
        text=proof_text(last),
    )


def _compared(seen: Comparison | None) -> Compared | None:
    if seen is None:
        return None
    before, after, gain = (_figure(e, "1", "") for e in (seen.before, seen.after, seen.gain))
    return Compared(before=before, after=after, gain=gain, first=seen.first_utc, last=seen.last_utc)


def _age(evaluation: Evaluation | None, plant: Plant, now_utc: datetime) -> Age | None:
    if evaluation is None:
        return None
    age = data_age(evaluation, plant, now_utc)
    return Age(
        newest=age.newest_utc,
        days=age.days,
        old_after_days=plant.stale_after_days,
        is_old=age.is_old,
        notice=old_readings(evaluation, plant, now_utc),
    )


def _health(evaluation: Evaluation | None, plant: Plant, told: Sequence[ToldGaps]) -> Health | None:
    if evaluation is None:
        return None
    health = evaluation.health
    return Health(
        grade=health.grade,
        instrumentation=str(health.instrumentation),
        first=health.first_utc,
        last=health.last_utc,
        hours_running=health.hours_running_30d,
        hours_evidence=health.hours_evidence_30d,
        hours_set_aside=dict(health.set_aside_30d),
        missing_roles=health.missing_roles,
        consequences=tuple(remark_text(r, plant.units) for r in health.consequences),
        logger_gaps=tuple(told),
    )
