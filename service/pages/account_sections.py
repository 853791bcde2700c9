"""Money, capacity, proofs and log of an exchanger, in words."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from analytics.vocabulary.records import (
    Capacity,
    CauseKind,
    Estimate,
    Evaluation,
    MaintenanceEvent,
    MoneyAccount,
)
from service.alerts.lifecycle import Alert
from service.charts.account import benefit_chart, capacity_chart
from service.pages.sections import PHONE, Part
from service.register.plant import Plant
from service.wording import dates, foreseen, numbers
from service.wording.causes import deed_text
from service.wording.counted import counted_sentence
from service.wording.history import changes
from service.wording.numbers import MINUS, count_word
from service.wording.paying import loss_price_and_day
from service.wording.proofs import proof_text, unread_visit
from service.wording.reckoned import WHY_NOT, is_of_another_cause
from service.wording.remarks import remark_text
from service.wording.visit_day import best_when, reckoned_for
from service.wording.waiting import days_of_waiting

_COSTS = {
    "heat": "Heat bought",
    "return temperature": "Return-temperature charge",
    "volume": "Volume charge",
    "pumping": "Pumping",
    "unmet heat": "Heat not delivered",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One line of an account."""

    label: str
    figure: str
    range: str = ""
    total: bool = False
    cost: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Lines:
    """Lines under one head; the total is the last."""

    head: str
    unit: str
    note: str
    lines: tuple[Line, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Account:
    """A table that adds up by eye."""

    caption: str
    groups: tuple[Lines, ...]
    note: str = ""
    big: bool = False


def money(evaluation: Evaluation, plant: Plant, now_utc: datetime) -> Part:
    """Return when a visit brings the most."""
    account = evaluation.money
    if account is None and unread_visit(evaluation) is not None:
        return Part(
            heading="What it costs from now on cannot be told yet.",
            note="It is reckoned again once readings after the visit arrive.",
        )
    if account is None:
        codes = {"no_tariff", "no_flow", "no_price"}
        said = [
            remark_text(r, plant.units) for r in evaluation.health.consequences if r.code in codes
        ]
        note = (
            " ".join(f"{s}." for s in said)
            or "It needs a tariff, a flow or a heat meter, and a clean level."
        )
        return Part(heading="What it costs cannot be told.", note=note)
    chart = benefit_chart(evaluation, plant, now_utc, width=540.0)
    phone = benefit_chart(evaluation, plant, now_utc, width=PHONE, name="benefit-phone")
    return Part(
        heading=_money_heading(evaluation, account, plant, now_utc),
        note=_money_note(evaluation, account, plant, now_utc),
        chart=chart,
        phone_chart=phone,
    )


def _money_heading(
    evaluation: Evaluation, account: MoneyAccount, plant: Plant, now_utc: datetime
) -> str:
    if account.visit_price is None:
        month = numbers.money(account.next_month, account.currency)
        if account.next_month.low > 0:
            days = days_of_waiting(evaluation, plant)
            return f"The {days} cost {month.main}; whether a visit pays needs its price."
        return "No cost of a deposit is certain."
    when = best_when(evaluation, plant, now_utc)
    if not when:
        return "No cleaning visit pays for itself within twelve months."
    best = numbers.money(account.best_net_benefit, account.currency).main
    return f"A visit {when} brings the most: {best} net."


def _money_note(
    evaluation: Evaluation, account: MoneyAccount, plant: Plant, now_utc: datetime
) -> str:
    another = f"{WHY_NOT[:1].upper()}{WHY_NOT[1:]}." if is_of_another_cause(evaluation) else ""
    said = (
        _visit_note(account),
        loss_price_and_day(evaluation, plant, now_utc),
        reckoned_for(evaluation, plant, now_utc),
        another,
    )
    return " ".join(s for s in said if s)


def _visit_note(account: MoneyAccount) -> str:
    if account.visit_price is None:
        return "With the price of a visit in the register, the best day for one is told here."
    price = numbers.sum_of_money(account.visit_price, account.currency)
    return f"Net benefit over twelve months by date of the visit; the visit costs {price}."


def money_account(evaluation: Evaluation, plant: Plant) -> Account | None:
    """Return the account so far and of the next twelve months; both add up by eye."""
    account = evaluation.money
    if account is None:
        return None
    sign = numbers.currency_sign(account.currency).strip()
    total = account.avoidable_so_far
    whole = numbers.rounded_to_add_up([c.so_far.value for c in account.lines], total.value)
    # what neither has cost nor can have cost anything needs no line
    so_far = [
        Line(label=_COSTS[c.code], figure=f"{v:,}".replace("-", MINUS), range=_range(c.so_far))
        for c, v in zip(account.lines, whole, strict=True)
        if v or _range(c.so_far) != "0"
    ]
    so_far.append(
        Line(label="Lost so far", figure=numbers.number(total.value, 0), range=_range(total),
             total=True, cost=total.low > 0)
    )  # fmt: skip
    since = dates.short_day(account.since_utc, UTC, year=True)
    through = dates.short_day(evaluation.through_utc, plant.zone, year=True)
    groups = [
        Lines(head=f"Avoidable since {since}", unit=sign, note="range", lines=tuple(so_far)),
        Lines(
            head=f"Twelve months from {through}",
            unit=sign,
            note="range",
            lines=_next_year(account),
        ),
    ]
    return Account(caption="What a deposit has cost and will cost", groups=tuple(groups),
                   note=" ".join(s for s in (counted_sentence(account), foreseen.sentence(evaluation, plant)) if s))  # fmt: skip


def _range(estimate: Estimate) -> str:
    decimals = numbers.decimals_for(estimate.high - estimate.low, 0)
    return numbers.bare_span(estimate.low, estimate.high, decimals)


def _owed(estimate: Estimate) -> Estimate:
    """Return a cost as it is subtracted: its value and its range with one sign."""
    return Estimate(value=-estimate.value, low=-estimate.high, high=-estimate.low)


def _next_year(account: MoneyAccount) -> tuple[Line, ...]:
    untouched, after = account.next_year_untouched, account.next_year_after_visit
    lines = [Line(label="Cost if nothing is done", figure=numbers.number(untouched.value, 0),
                  range=_range(untouched))]  # fmt: skip
    if after is None or account.visit_price is None or account.net_benefit_now is None:
        return tuple(lines)
    net = account.net_benefit_now
    lines += [
        Line(label="Cost after a visit on the first day (it fouls again)", range=_range(_owed(after)),
             figure=numbers.number(-after.value, 0)),
        Line(label="The visit", figure=numbers.number(-account.visit_price, 0), range="fixed"),
        Line(label="Net benefit of a visit on the first day", figure=numbers.number(net.value, 0),
             range=_range(net), total=True),
    ]  # fmt: skip
    return tuple(lines)


def capacity(evaluation: Evaluation, plant: Plant) -> Part:
    """Return whether there are enough plates."""
    found = evaluation.capacity
    if found is None:
        codes = {"no_outdoor", "no_design_outdoor", "no_design"}
        said = [
            remark_text(r, plant.units) for r in evaluation.health.consequences if r.code in codes
        ]
        note = " ".join(f"{s}." for s in said) or (
            "It needs an outdoor temperature, a measured duty and the design outdoor temperature."
        )
        return Part(heading="Whether there are enough plates cannot be told.", note=note)
    return Part(
        heading=_capacity_heading(found, plant),
        note=_capacity_note(found, plant),
        chart=capacity_chart(found, evaluation.tag, plant, width=540.0),
        phone_chart=capacity_chart(
            found, evaluation.tag, plant, width=PHONE, name="capacity-phone"
        ),
    )


def _capacity_heading(found: Capacity, plant: Plant) -> str:
    power = numbers.measure_of("load_W", plant.units)
    need, clean, now = found.load_at_design_W, found.delivers_clean_W, found.delivers_now_W
    if clean.value < need.value:
        short = numbers.single(need.value - clean.value, power)
        more = f" {found.plates_to_add} more plates would do." if found.plates_to_add else ""
        return f"Too few plates: even clean it is {short} short on the coldest days.{more}"
    if now.low < need.high:
        return "There are enough plates when they are clean; as they are it is not certain."
    return "There are enough plates."


def _capacity_note(found: Capacity, plant: Plant) -> str:
    power = numbers.measure_of("load_W", plant.units)
    degrees = numbers.measure_of("outdoor_degC", plant.units)
    at = numbers.plain(found.design_outdoor_degC, degrees)
    return (
        f"At {at} the building needs {numbers.figure(found.load_at_design_W, power).text}; the plates"
        f" deliver {numbers.figure(found.delivers_clean_W, power).text} clean,"
        f" {numbers.figure(found.delivers_now_W, power).text} as they are."
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One line of the log."""

    day: str
    said: str
    note: str = ""


def log_entries(
    evaluation: Evaluation | None,
    events: Sequence[MaintenanceEvent],
    plant: Plant,
    alerts: Sequence[Alert] = (),
) -> list[Entry]:
    """Return visits with what they achieved, alerts, and what became of these later, newest first."""
    proofs = {p.event.at_utc: p for p in evaluation.proofs} if evaluation is not None else {}
    dated: list[tuple[datetime, Entry]] = [
        (
            event.at_utc,
            Entry(
                day=dates.short_day(event.at_utc, plant.zone, year=True),
                said=f"{deed_text(event).capitalize()}.",
                note=" ".join(
                    part
                    for part in (
                        _as_sentence(event.note),
                        proof_text(proofs[event.at_utc]) if event.at_utc in proofs else "",
                    )
                    if part
                ),
            ),
        )
        for event in events
    ]
    for alert in evaluation.alerts if evaluation is not None else ():
        said = remark_text(alert.remark, plant.units)
        day = dates.short_day(alert.raised_utc, plant.zone, year=True)
        entry = Entry(day=day, said=f"{_kind(alert.kind)}.", note=f"{said}.")
        dated.append((alert.raised_utc, entry))
    dated += [
        (at, Entry(day=dates.short_day(at, plant.zone, year=True), said=f"{_kind(alert.kind)}.",
                   note=f"{text[:1].upper()}{text[1:]}."))
        for alert in alerts for at, text in changes(alert, plant)
    ]  # fmt: skip
    return [entry for _, entry in sorted(dated, key=lambda d: d[0], reverse=True)]


def _kind(kind: CauseKind | str) -> str:
    return "Drift alert" if str(kind) == "deposit" else f"Alert, {kind}"


def _as_sentence(text: str) -> str:
    return f"{text[:1].upper()}{text[1:].rstrip('.')}." if text else ""


def log_heading(events: Sequence[MaintenanceEvent], plant: Plant) -> str:
    """Return the finding of the log."""
    if not events:
        return "Nothing is in the log yet."
    last = max(e.at_utc for e in events)
    count = "One visit" if len(events) == 1 else f"{count_word(len(events)).capitalize()} visits"
    return f"{count} in the log; the last on {dates.long_day(last, plant.zone)}."
