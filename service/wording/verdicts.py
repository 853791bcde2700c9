"""Verdicts: what to do and why, as the pages, the documents and the command say it.

Lives here: the sentence of one exchanger and of the whole plant. Not here: rounding
(``numbers.py``), single remarks (``remarks.py``), markup.
"""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime

from analytics.vocabulary.records import (
    Cause,
    CauseKind,
    Deed,
    Estimate,
    Evaluation,
    Forecast,
    MoneyAccount,
    VerdictKind,
)
from service.register.plant import Plant
from service.wording import dates, numbers
from service.wording.asking import Asked, asked_of, tells_nothing, together
from service.wording.causes import role_label
from service.wording.explaining import settling
from service.wording.limits import passed_utc
from service.wording.numbers import NBSP, Figure, count_word
from service.wording.proofs import (
    UNTIL_READINGS,
    changed_nothing,
    done_without_readings,
    unread_visit,
)
from service.wording.reasons import by_temperatures_alone, loss, reason, units_of, zone_of
from service.wording.reckoned import NOT_RECKONED, is_of_another_cause, is_reckoned
from service.wording.remarks import remark_text
from service.wording.waiting import DAYS
from service.wording.yardstick import is_unvouched

# Verdicts on which somebody has to act; the order of the enumeration is that of the filter.
NEEDS_SOMEBODY = frozenset(VerdictKind) - {
    VerdictKind.CLEAN_LATER,
    VerdictKind.CANNOT_TELL,
    VerdictKind.LEAVE,
}
FILTER_LABELS: dict[VerdictKind, str] = {
    VerdictKind.CLEAN_NOW: "Clean",
    VerdictKind.CLEAN_LATER: "Clean later",
    VerdictKind.BUILDING_SIDE: "Building side",
    VerdictKind.ADD_PLATES: "Add plates",
    VerdictKind.CHECK_INSTRUMENT: "Check an instrument",
    VerdictKind.CHECK_CONTROLS: "Check the controls",
    VerdictKind.CHECK_PIPING: "Check the piping",
    VerdictKind.RINSE_STRAINER: "Rinse the strainer",
    VerdictKind.CANNOT_TELL: "Cannot tell",
    VerdictKind.LEAVE: "Leave alone",
}
_MISSING: dict[str, str] = {
    "effectiveness_only": "Cannot tell: no flow is measured.",
    "transfer_fell_or_flow_rose": "Cannot tell: no flow is measured.",
    "no_flow": "Cannot tell: no flow is measured.",
    "deposit_suspected": "Cannot tell yet: perhaps the beginning of a deposit.",
    "deposit_or_instrument": "Cannot tell yet: deposit, or an instrument.",
    "risen_unexplained": "Cannot tell: it passes more heat than clean.",
    "flow_unit": "Cannot tell: a flow seems to be in another unit.",
    "would_let_tell": "Cannot tell: a temperature is missing.",
    "no_readings": "Cannot tell: no reading yet.",
    "points_swapped": "Cannot tell: two points seem swapped.",
    "few_days": "Cannot tell yet: too few steady days.",
    "quiet_low_load": "Cannot tell yet: too little load.",
    "off_season": "Cannot tell: it is not running.",
}
# Of what cannot be told: why somebody has to act first, and why only time helps.
ACT_FIRST = frozenset({"points_swapped", "flow_unit", "missing_role", "no_readings", "stopped"})
_WAIT = frozenset({"few_days", "quiet_low_load", "visit_unread"})


_UNTIL_READINGS = replace(numbers.UNKNOWN, range=UNTIL_READINGS)


def headline(evaluation: Evaluation, plant: Plant | None = None) -> str:
    """Return what to do, colon, cause: ``Clean it: deposit.``"""
    kind, cause = evaluation.verdict.kind, evaluation.verdict.cause
    if kind is VerdictKind.CANNOT_TELL:
        return _cannot_tell(evaluation, plant)
    if kind is VerdictKind.CHECK_INSTRUMENT:
        return _check_instrument(cause)
    if kind is VerdictKind.ADD_PLATES:
        capacity = evaluation.capacity
        more = capacity.plates_to_add if capacity is not None else None
        return (
            f"Add {more} plates: too few for the load." if more else "Too few plates for the load."
        )
    if kind is VerdictKind.LEAVE:
        return _leave(evaluation, plant)
    if kind in (VerdictKind.CLEAN_NOW, VerdictKind.CLEAN_LATER):
        return _clean(evaluation, plant)
    return {
        VerdictKind.BUILDING_SIDE: "Building side: return too warm.",
        VerdictKind.CHECK_CONTROLS: "Check the controls: the loop hunts.",
        VerdictKind.CHECK_PIPING: "Check the piping: parallel flow.",
        VerdictKind.RINSE_STRAINER: "Rinse the strainer: it is blocked.",
    }[kind]


def _clean(evaluation: Evaluation, plant: Plant | None) -> str:
    """Return when to clean, and what a cleaning alone does not put right or did not before."""
    now = evaluation.verdict.kind is VerdictKind.CLEAN_NOW
    said = ["Clean it: deposit" if now else "Clean later: deposit, still mild"]
    said += ["too few plates as well"] if too_few_plates(evaluation) else []
    said += [changed] if (changed := changed_nothing(evaluation, plant)) else []
    return f"{'; '.join(said)}."


def too_few_plates(evaluation: Evaluation) -> bool:
    """Tell whether the plates are too few for the load even where they are clean."""
    return any(c.kind is CauseKind.CAPACITY and c.chances > 0.5 for c in evaluation.causes)


def shortage_sentence(evaluation: Evaluation, plant: Plant | None = None) -> str:
    """Return how much a cleaning leaves short; empty where clean plates are enough, or add plates is said."""
    found, kind = evaluation.capacity, evaluation.verdict.kind
    if found is None or kind is VerdictKind.ADD_PLATES or not too_few_plates(evaluation):
        return ""
    power = numbers.measure_of("load_W", units_of(plant))
    short = found.load_at_design_W.value - found.delivers_clean_W.value
    if short <= 0:
        return ""
    more = f"; {found.plates_to_add} more plates would do" if found.plates_to_add else ""
    return f"Even clean it is {numbers.single(short, power)} short on the coldest days{more}."


def _leave(evaluation: Evaluation, plant: Plant | None) -> str:
    if by_temperatures_alone(evaluation):  # of a loss nothing can be told
        return "Leave it: effectiveness as it was."
    if any(p.remark.code == "visit_unlogged" for p in evaluation.proposals):
        return "Leave it: cleaned, it seems, but not logged."
    changed = changed_nothing(evaluation, plant)
    if changed:
        return f"Leave it: no loss found; {changed}."
    if not evaluation.proofs or evaluation.proofs[-1].outcome != "worked":
        since = " since its first weeks" if is_unvouched(evaluation) else ""
        return f"Leave it: no loss found{since}."
    if evaluation.proofs[-1].event.deed is Deed.PLATES_CHANGED:
        return "Leave it: clean since its plates were changed."
    return "Leave it: the visit worked."


def _cannot_tell(evaluation: Evaluation, plant: Plant | None) -> str:
    """Return what is missing, as far as one thing is."""
    said = [r.code for r in (*evaluation.verdict.reasons, *evaluation.health.consequences)]
    if "visit_unread" in said and not ACT_FIRST & {r.code for r in evaluation.verdict.reasons}:
        return f"Cannot tell yet: {done_without_readings(evaluation, plant)}."
    for code in said:
        if code in _MISSING:
            return _MISSING[code]
    since = evaluation.verdict.since_utc
    if since is None:
        return "Cannot tell yet."
    return f"Cannot tell since {dates.long_day(since, zone_of(plant))}."


def _check_instrument(cause: Cause | None) -> str:
    if cause is None:
        return "Check an instrument."
    if cause.kind is CauseKind.THERMOMETER:
        label = role_label(cause.subject)
        return f"Check a thermometer: {label}." if label else "Check a thermometer."
    label = role_label(cause.subject)
    return f"Check a meter: {label}." if label else "Check a flow meter."


def month_of_waiting(evaluation: Evaluation) -> Figure:
    """Return what the thirty days from the readings' end cost; ``at most €90`` where it may be nothing.

    Of a cause whose cost is not reckoned, that is said; what a deposit would cost stands beside it.
    """
    another, deposit = is_of_another_cause(evaluation), _month_of_a_deposit(evaluation.money)
    if unread_visit(evaluation) is not None and not another:
        return _UNTIL_READINGS
    if not another:
        return deposit
    if is_reckoned(evaluation):
        return replace(deposit, range=f"{deposit.range}, by deposit alone")
    beside = f"deposit: {deposit.main}" if evaluation.money is not None else ""
    return Figure(main=NOT_RECKONED, bare=NOT_RECKONED, range=beside)


def _month_of_a_deposit(money: MoneyAccount | None) -> Figure:
    if money is None:
        return numbers.UNKNOWN
    cost = money.next_month
    shown = numbers.money(cost, money.currency)
    if cost.low > 0 or shown.main == numbers.CANNOT_TELL:
        return shown
    decimals = numbers.decimals_for(cost.high - cost.low, 0)
    most = numbers.sum_of_money(max(cost.high, 0.0), money.currency, decimals)
    if most.endswith(f"{numbers.currency_sign(money.currency)}0"):
        return Figure(main=most, bare="0")
    return Figure(main=f"at most{NBSP}{most}", bare=most)


def is_a_loss(estimate: Estimate | None) -> bool:
    """Tell whether a cost's interval excludes zero: only then it stands in red."""
    return estimate is not None and estimate.low > 0


def limit_reached(evaluation: Evaluation, plant: Plant | None = None) -> Figure:
    """Return when the limit is reached: ``2 Jan–21 Mar 2027`` and ``6–17 weeks after 23 Nov``."""
    forecast, zone = evaluation.forecast, zone_of(plant)
    if forecast is None:
        return _UNTIL_READINGS if unread_visit(evaluation) else numbers.UNKNOWN
    made = forecast.made_utc
    months = f"{round(forecast.horizon_days / 30.44)}{NBSP}months"
    first, last = forecast.date_5, forecast.date_95
    if first is None:
        return Figure(main="not within", range=months)
    if last is None:
        if first <= made:
            return Figure(main="perhaps passed", range="or much later")
        middle = forecast.date_50
        even = f"even chance by {dates.month(middle, zone, year=True)}" if middle else "if at all"
        return Figure(main=f"{dates.day_span(first, first, zone, made)} or later", range=even)
    if last <= made:
        since = passed_utc(evaluation)
        day = dates.short_day(since, zone, year=True) if since is not None else ""
        return Figure(main="passed", range=f"since {day}" if day else "")
    if first <= made:
        latest = dates.day_span(last, last, zone, made)
        if _likely_passed(forecast):
            return Figure(main="likely passed", range=f"or by {latest}")
        return Figure(main=f"by {latest}", range="may be passed already")
    return Figure(
        main=dates.day_span(first, last, zone, made),
        range=dates.time_after(first, last, zone, made),
    )


def _likely_passed(forecast: Forecast) -> bool:
    """Tell whether the limit is passed by more than an even chance."""
    return forecast.date_50 is not None and forecast.date_50 <= forecast.made_utc


def limit_clause(evaluation: Evaluation, plant: Plant | None = None) -> str:
    """Return when the limit is reached, inside a sentence; empty where it is not in sight."""
    forecast, zone = evaluation.forecast, zone_of(plant)
    if forecast is None or forecast.date_5 is None:
        return ""
    made = forecast.made_utc
    if forecast.date_95 is None:
        if forecast.date_50 is None:
            return ""
        return f"it may reach its limit from {dates.long_day(forecast.date_5, zone)}"
    if forecast.date_95 <= made:
        since = passed_utc(evaluation)
        if since is None:
            return "its limit is passed"
        return f"its limit has been passed since {dates.long_day(since, zone)}"
    first, last = dates.long_span(forecast.date_5, forecast.date_95, zone)
    if _likely_passed(forecast):
        return f"it has likely passed its limit, or does so by {last}"
    if forecast.date_5 <= made:
        return f"it reaches its limit by {last}"
    return f"it reaches its limit between {first} and {last}"


def home_clauses(
    evaluations: Sequence[Evaluation], plant: Plant, unacknowledged: Mapping[str, int] | None = None
) -> tuple[str, str]:
    """Return the first page's sentence as its first clause and its rest.

    ``unacknowledged`` counts the alerts that wait to be acknowledged, by tag.
    """
    if not evaluations:
        return "No exchanger has been assessed yet.", "Import a trend file to begin."
    asked = {e.tag: asked_of(e, unacknowledged or {}) for e in evaluations}
    needy = [e for e in evaluations if e.verdict.kind in NEEDS_SOMEBODY]
    if not needy:
        return _no_verdict_asks(evaluations, asked, plant)
    opening, rest = _needed(needy, evaluations, plant)
    waits = together(list(asked.values())).in_words()
    return opening, " ".join(p for p in (rest, f"Also waiting: {waits}." if waits else "") if p)


def _needed(
    needy: Sequence[Evaluation], evaluations: Sequence[Evaluation], plant: Plant
) -> tuple[str, str]:
    if len(evaluations) > MANY:
        return _many(needy, len(evaluations), plant)
    first = needy[0]
    opening, rest = _first_in_need(first, plant)
    others = len(needy) - 1
    if others:
        verb = "needs" if others == 1 else "need"
        rest = f"{rest} {count_word(others).capitalize()} more {verb} a decision."
    if blocked := sum(_rests_on(e, ACT_FIRST) for e in evaluations):
        rest = f"{rest} Of {count_word(blocked)} nothing can be told before its data is put right."
    return opening, rest.strip()


MANY = 60  # above it, the first page lists only what needs a decision


def home_sentence(
    evaluations: Sequence[Evaluation], plant: Plant, unacknowledged: Mapping[str, int] | None = None
) -> str:
    """Return the first page's sentence: which, what to do, its size, its cost, by when."""
    return " ".join(p for p in home_clauses(evaluations, plant, unacknowledged) if p)


def place(tag: str, plant: Plant) -> str:
    """Return ``HX-03 in Mill Lane block``, or the tag alone."""
    exchanger = plant.exchanger(tag)
    return f"{tag} in {exchanger.building}" if exchanger and exchanger.building else tag


def _first_in_need(evaluation: Evaluation, plant: Plant) -> tuple[str, str]:
    where = place(evaluation.tag, plant)
    if evaluation.verdict.kind is VerdictKind.CLEAN_NOW:
        return f"{where} needs a cleaning visit:", _sentence(
            [
                _loss_clause(evaluation),
                cost_clause(evaluation, plant),
                limit_clause(evaluation, plant),
            ]
        )
    said = headline(evaluation, plant).rstrip(".")
    rest = [reason(evaluation, plant)]
    cost = cost_clause(evaluation, plant)
    if cost:
        rest.append(f"{cost[:1].upper()}{cost[1:]}.")
    return f"{where}: {said[:1].lower()}{said[1:]}.", " ".join(r for r in rest if r)


def _loss_clause(evaluation: Evaluation) -> str:
    lost = loss(evaluation)
    if lost is None:
        return "deposit has built up on its plates"
    since = " since its first weeks" if is_unvouched(evaluation) else ""
    return f"deposit has taken {numbers.figure(lost, numbers.PERCENT).main} of its heat transfer{since}"


def cost_clause(evaluation: Evaluation, plant: Plant | None = None) -> str:
    """Return what waiting another thirty days from the readings' end costs, inside a sentence; empty where nothing is known of it.

    What they cost at most is of interest only where there is a deposit to wait with.
    """
    if evaluation.money is None:
        return ""
    cost, kind = month_of_waiting(evaluation), evaluation.verdict.kind
    waits = kind in (VerdictKind.CLEAN_NOW, VerdictKind.CLEAN_LATER)
    if cost.main == numbers.CANNOT_TELL or not (waits or is_a_loss(evaluation.money.next_month)):
        return ""
    day = dates.long_day(evaluation.through_utc, zone_of(plant))
    return f"another {DAYS} days of waiting from {day} cost {cost.text}"


def _sentence(clauses: Sequence[str]) -> str:
    kept = [c for c in clauses if c]
    if len(kept) > 2:
        return f"{', '.join(kept[:-1])}, and {kept[-1]}."
    return f"{' and '.join(kept)}." if kept else ""


def _no_verdict_asks(
    evaluations: Sequence[Evaluation], asked: Mapping[str, Asked], plant: Plant
) -> tuple[str, str]:
    """Return the sentence where no verdict asks for anything: what else waits, or that nothing does."""
    blocked = [e for e in evaluations if _rests_on(e, ACT_FIRST)]
    waiting = [e for e in evaluations if _rests_on(e, _WAIT)]
    waits = together(list(asked.values())).in_words()
    if blocked or len(waiting) == len(evaluations):
        opening, why = _nothing_told([*blocked, *waiting], blocked, plant)
        also = f"Also waiting: {waits}." if waits else ""
        return opening, " ".join(p for p in (why, also) if p)
    count = len(evaluations)
    needed = [e for e in evaluations if asked[e.tag]]
    told: list[str] = []
    if needed:
        where = place(needed[0].tag, plant)
        others = len(needed) - 1
        opening = f"{where} needs you:"
        if others:
            opening = f"{where} and {count_word(others)} more need you:"
        told.append(f"{waits}.")
    elif count == 1:
        opening = f"{evaluations[0].tag} does not need you."
    elif waiting:
        opening = f"None of the {count_word(count)} exchangers needs you as far as can be told."
    elif count == 2:
        opening = "Neither of the two exchangers needs you."
    else:
        opening = f"None of the {count_word(count)} exchangers needs you."
    later = next((e for e in evaluations if e.verdict.kind is VerdictKind.CLEAN_LATER), None)
    if later is not None and count == 1:
        told.append("It may later: deposit, still mild.")
    elif later is not None:
        told.append(f"The next that may is {place(later.tag, plant)}: deposit, still mild.")
    if unknown := sum(tells_nothing(e) for e in evaluations):
        told.append(f"Of {count_word(unknown)} nothing can be told yet.")
    return opening, " ".join(told)


def _rests_on(evaluation: Evaluation, codes: frozenset[str]) -> bool:
    """Tell whether nothing can be told of an exchanger for one of these reasons."""
    if evaluation.verdict.kind is not VerdictKind.CANNOT_TELL:
        return False
    return any(r.code in codes for r in evaluation.verdict.reasons)


def _nothing_told(
    untold: Sequence[Evaluation], blocked: Sequence[Evaluation], plant: Plant
) -> tuple[str, str]:
    """Say of the first of which nothing can be told why, and what it needs, and how many follow."""
    first = untold[0]
    why = headline(first, plant).partition(": ")[2]
    if not why:
        said = next(r for r in first.verdict.reasons if r.code in ACT_FIRST | _WAIT)
        why = f"{_lower(remark_text(said, units_of(plant)))}."
    opening = f"Nothing can be told of {place(first.tag, plant)} yet: {why}"
    rest = [settling(first, plant)]
    if more := len(blocked) - 1 if blocked else 0:
        verb = "needs its" if more == 1 else "need their"
        rest.append(f"{count_word(more).capitalize()} more {verb} data put right as well.")
    if more := len(untold) - max(len(blocked), 1):
        verb = "has" if more == 1 else "have"
        rest.append(f"{count_word(more).capitalize()} more {verb} too few readings yet.")
    return opening, " ".join(r for r in rest if r)


def _many(needy: Sequence[Evaluation], count: int, plant: Plant) -> tuple[str, str]:
    verb = "needs" if len(needy) == 1 else "need"
    opening = f"{count_word(len(needy)).capitalize()} of {count:,} exchangers {verb} a decision."
    sums = [e.money for e in needy if e.money is not None and is_reckoned(e)]
    rest = []
    if sums:
        # Intervals of different exchangers are taken as independent: half-widths add in quadrature.
        value = sum(m.next_month.value for m in sums)
        half = sum(((m.next_month.high - m.next_month.low) / 2) ** 2 for m in sums) ** 0.5
        total = Estimate(value=value, low=value - half, high=value + half)
        rest.append(
            f"Together their next {DAYS} days cost {numbers.money(total, sums[0].currency).text}"
            " by deposit."
        )
    rest.append(f"First is {place(needy[0].tag, plant)}: {_lower(headline(needy[0], plant))}.")
    return opening, " ".join(rest)


def changes_since(
    evaluations: Sequence[Evaluation], seen_utc: datetime | None, plant: Plant
) -> list[str]:
    """Return what changed since the reader last looked, one clause for each exchanger."""
    if seen_utc is None:
        return []
    said: list[str] = []
    for evaluation in evaluations:
        proofs = [p for p in evaluation.proofs if p.event.at_utc > seen_utc]
        raised = [a for a in evaluation.alerts if a.raised_utc > seen_utc]
        since = evaluation.verdict.since_utc
        if unread_visit(evaluation) is not None and proofs:
            said.append(f"{evaluation.tag}: {done_without_readings(evaluation, plant)}")
        elif proofs:
            said.append(f"{evaluation.tag}: {proofs[-1].outcome} after its visit")
        elif since is not None and since > seen_utc:
            said.append(f"{evaluation.tag}, {_lower(headline(evaluation, plant))}")
        elif raised:
            text = remark_text(raised[-1].remark, plant.units)
            said.append(f"{evaluation.tag}: {_lower(text)}")
    return said


def _lower(text: str) -> str:
    return (text[:1].lower() + text[1:]).rstrip(".").replace(": ", ", ")
