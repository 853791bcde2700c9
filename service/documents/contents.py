"""What the two pages say: words and figures only; how they are set is ``cleaning.typ``.

A text is a list of pieces, each with ``t`` and, where it is set bold, ``b``.
"""

from collections.abc import Sequence
from datetime import UTC, datetime, tzinfo
from typing import Any

from analytics.vocabulary.records import (
    Cause,
    CauseKind,
    Estimate,
    Evaluation,
    Exchanger,
    MaintenanceEvent,
    VerdictKind,
)
from service.charts.approach import approach_chart
from service.documents.print_style import PRINT_STYLE
from service.register.plant import Plant
from service.wording import dates, foreseen, numbers
from service.wording.causes import (
    cause_in_a_sentence,
    cause_title,
    chances,
    odds_beside,
    shared_odds,
)
from service.wording.counted import counted_sentence
from service.wording.explaining import explanation
from service.wording.limits import clean_today, plates_changed
from service.wording.numbers import NBSP, Figure
from service.wording.paying import loss_price_and_day
from service.wording.proofs import UNTIL_READINGS, achieved, unread_visit, visit_sentence
from service.wording.reasons import by_temperatures_alone, causes_there, loss, reason
from service.wording.reckoned import NOT_RECKONED, WHY_NOT, is_of_another_cause, is_reckoned
from service.wording.remarks import remark_text
from service.wording.staleness import old_readings
from service.wording.verdicts import headline, limit_reached, month_of_waiting, shortage_sentence
from service.wording.visit_day import SOON, is_due, reckoned_for, visit_day
from service.wording.waiting import days_of_waiting
from service.wording.yardstick import is_unvouched, unvouched_sentence

_RIVALS = 5
_BASES = {
    "known clean period": "The clean level comes from a period that the register vouches for.",
    "nameplate": "The clean level comes from the nameplate alone, so that ranges are wide.",
}
_CHEMICALS = (
    "data sheet at hand, compatible with gaskets and plates, good ventilation, eye and skin"
    " protection, rinsed out and disposed of as the local rules ask."
)
_SAID_ABOVE = frozenset({"visit_unread", "before_visit"})  # by the first paragraph
Pieces = list[dict[str, Any]]


def _plain(*texts: str) -> Pieces:
    return [{"t": t, "b": False} for t in texts]


def _mixed(*pieces: tuple[str, bool]) -> Pieces:
    return [{"t": t, "b": b} for t, b in pieces]


def document_number(tag: str, made_utc: datetime, zone: tzinfo) -> str:
    """Return the number of the document, ``HX-03/2026-11-23``: the day it is made, in the site's zone.

    Documents are made whenever one is looked at and counted nowhere, so that a running number would
    be none.
    """
    return f"{tag}/{made_utc.astimezone(zone).date().isoformat()}"


def page_one(
    plant: Plant, exchanger: Exchanger, evaluation: Evaluation,
    events: Sequence[MaintenanceEvent], made_utc: datetime,
) -> dict[str, Any]:  # fmt: skip
    """Return the page that can be signed alone."""
    cleaning = evaluation.verdict.kind is VerdictKind.CLEAN_NOW
    chart = approach_chart(
        evaluation, events, plant, width=860.0, height=316.0, name="paper", style=PRINT_STYLE
    )
    place = f"{exchanger.tag}, {exchanger.building}" if exchanger.building else exchanger.tag
    return {
        "plant": plant.name,
        "number": document_number(exchanger.tag, made_utc, plant.zone),
        "date": dates.long_day(made_utc, plant.zone),
        "tag": exchanger.tag,
        "place": ", ".join(p for p in (place, exchanger.room) if p),
        "title": f"Please approve a cleaning visit: {place}" if cleaning else f"Report: {place}",
        "old": old_readings(evaluation, plant, made_utc),
        "request": _request(evaluation, plant, made_utc) if cleaning else _no_visit(evaluation, plant),
        "figures": _figures(evaluation, plant),
        "chart": chart.svg if chart is not None else "",
        "chart_key": chart.key if chart is not None else "",
        "chart_heading": _chart_heading(evaluation, events, plant),
        "why_heading": "Why we say deposit, and what we ruled out" if cleaning else "What speaks for this",
        "why": _why(evaluation, plant),
        "achieved": None if cleaning else _achieved(evaluation, plant),
        **_rivals(evaluation, plant),
        "sums": _how_reckoned(evaluation, plant, made_utc),
        "sure": _how_sure(evaluation, plant, cleaning=cleaning),
        "approval_heading": "Approval" if cleaning else "Noted",
        "approval": _approval(evaluation, plant, made_utc) if cleaning else
        ["seen", "a visit is wanted all the same, because"],
        "through": dates.long_day(evaluation.through_utc, plant.zone),
    }  # fmt: skip


def _by_when(evaluation: Evaluation, plant: Plant, made_utc: datetime) -> tuple[str, str]:
    """Return by when the visit brings the most, with its preposition: ``by``, a day; empty where none pays."""
    best = evaluation.money.best_visit_utc if evaluation.money is not None else None
    if best is None:
        return "", ""
    if is_due(evaluation, plant, made_utc):
        return "", SOON
    return "by ", dates.long_day(best, plant.zone)


def _request(evaluation: Evaluation, plant: Plant, made_utc: datetime) -> Pieces:
    money, through = evaluation.money, dates.long_day(evaluation.through_utc, plant.zone)
    if money is None:
        return _plain(
            "What the deposit costs cannot be told, for want of a tariff or of a measured flow. "
            "Please decide by the heat transfer that is lost and by the limit, below."
        )
    spoken_of = visit_day(evaluation)
    if money.visit_price is None or spoken_of is None:
        untouched = numbers.money(money.next_year_untouched, money.currency)
        return _mixed(
            ("No price of a visit is registered. Left alone, the deposit costs ", False),
            (untouched.main, True),
            (f" ({untouched.range}) in the twelve months from {through}. ", False),
            ("Please decide whether an offer shall be asked for.", True),
        )
    net = spoken_of.net_benefit
    # what is avoided is what the visit brings plus what it costs; its price is agreed, not estimated
    avoided = Estimate(value=net.value + money.visit_price, low=net.low + money.visit_price,
                       high=net.high + money.visit_price)  # fmt: skip
    saved, brings = numbers.money(avoided, money.currency), numbers.money(net, money.currency)
    by, day = _by_when(evaluation, plant, made_utc)
    pieces = [
        ("It costs ", False), (numbers.sum_of_money(money.visit_price, money.currency), True),
        (", avoids ", False), (saved.main, True),
        (f" ({saved.range}) of cost in the following twelve months, and so brings ", False),
        (brings.main, True), (f" ({brings.range})", False),
    ]  # fmt: skip
    pieces += [(f" if done {by}", False), (day, True)] if day else []
    pieces.append((".", False))
    return _mixed(*pieces)


def _no_visit(evaluation: Evaluation, plant: Plant) -> Pieces:
    kind = evaluation.verdict.kind
    unread = unread_visit(evaluation) is not None
    if unread and kind is VerdictKind.CANNOT_TELL:
        said = "No further cleaning visit is asked for. "
    elif kind is VerdictKind.CANNOT_TELL:
        said = "Whether a cleaning visit is needed cannot be told. "
    elif kind is VerdictKind.CLEAN_LATER:
        said = "A cleaning visit is not recommended yet. "
    elif by_temperatures_alone(evaluation):
        said = "Nothing asks for a cleaning visit, as far as four temperatures can tell. "
    else:
        said = "A cleaning visit is not recommended. "
    why = reason(evaluation, plant)
    # "cannot tell" needs no saying twice
    verdict = "" if kind is VerdictKind.CANNOT_TELL and not unread else headline(evaluation, plant)
    return _mixed((said, True), (f"{verdict} {why}".strip(), False))


def _figures(evaluation: Evaluation, plant: Plant) -> list[dict[str, str]]:
    lost, money, state = loss(evaluation), evaluation.money, evaluation.state
    first_weeks = "since its first weeks" if lost is not None and is_unvouched(evaluation) else ""
    unread = unread_visit(evaluation)
    before = "before the visit" if lost is not None and unread is not None else ""
    share = numbers.figure(lost, numbers.PERCENT)
    month, limit = month_of_waiting(evaluation), limit_reached(evaluation, plant)
    so_far = numbers.money(
        money.avoidable_so_far if money else None, money.currency if money else ""
    )
    if not is_reckoned(evaluation):
        so_far = Figure(main=NOT_RECKONED, bare=NOT_RECKONED)
    elif unread is not None:
        so_far = Figure(main=numbers.CANNOT_TELL, bare=numbers.CANNOT_TELL, range=UNTIL_READINGS)
    measure = numbers.measure_of("limit_K", plant.units)
    name = "Limit reached"
    if state is not None and state.approach_limit_K is not None:
        verb = "" if limit.main == "passed" else " reached"
        name = f"Limit of {numbers.single(state.approach_limit_K, measure)}{verb}"
    since = (
        f"since {dates.short_day(money.since_utc, UTC, year=True)}"
        if money and is_reckoned(evaluation)
        else ""
    )
    return [
        {"label": "Heat transfer lost", "figure": share.main,
         "note": ", ".join(p for p in (share.range, before, first_weeks) if p)},
        {"label": f"{days_of_waiting(evaluation, plant)} cost",
         "figure": month.main,
         "note": "; ".join(n for n in (month.range, foreseen.briefly(evaluation, plant)) if n)},
        {"label": name, "figure": limit.main, "note": limit.range},
        {"label": "Lost so far", "figure": so_far.main,
         "note": ", ".join(p for p in (so_far.range, since) if p)},
    ]  # fmt: skip


def _chart_heading(evaluation: Evaluation, events: Sequence[MaintenanceEvent], plant: Plant) -> str:
    state, reference = evaluation.state, evaluation.reference
    now = state.approach_reference_K if state is not None else None
    clean = clean_today(evaluation)
    if now is None or reference is None or clean is None:
        return "The approach temperature"
    measure = numbers.measure_of("approach_K", plant.units)
    level = numbers.figure(clean, measure).main
    shown = numbers.figure(now, measure).main
    if unread_visit(evaluation) is not None:
        return f"Before the visit the approach temperature was {shown}, clean {level}"
    if now.low > clean.high:
        return f"The approach temperature has risen from {level} clean to {shown}"
    if plates_changed(evaluation, list(events)) is not None:
        former = numbers.figure(reference.approach_K, measure).main
        return (
            f"The approach temperature is {shown}, clean {level};"
            f" with the former plates, clean, it was {former}"
        )
    return f"The approach temperature is {shown}; clean it is {level}"


def _why(evaluation: Evaluation, plant: Plant) -> str:
    beside = (visit_sentence(evaluation, plant), shortage_sentence(evaluation, plant))
    return " ".join(p for p in (_carried(evaluation, plant), *beside) if p)


def _achieved(evaluation: Evaluation, plant: Plant) -> dict[str, Any] | None:
    """Return what the last cleaning achieved, for the report that follows it."""
    found = achieved(evaluation, plant)
    if found is None:
        return None
    rows = [list(row) for row in (found.heads, *found.rows)]
    return {"heading": found.heading.rstrip("."), "note": found.note, "rows": rows}


def _carried(evaluation: Evaluation, plant: Plant) -> str:
    cause = evaluation.verdict.cause
    said = [*(cause.speaks_for if cause is not None else ()), *evaluation.verdict.reasons]
    carried = explanation(evaluation, plant)
    if carried:  # which tells the loss itself
        said = [r for r in said if r.code != "loss_at_reference"]
    said = [r for r in said if r.code not in _SAID_ABOVE]
    unique = list(dict.fromkeys(remark_text(r, plant.units) for r in said))
    unique = [u for u in unique if u[1:] not in carried]
    if carried or unique:
        return " ".join([carried, *(f"{s}." for s in unique[:3])]).strip()
    consequences = [remark_text(r, plant.units) for r in evaluation.health.consequences]
    return (
        " ".join(f"{s}." for s in consequences[:3]) or "There is too little data to weigh causes."
    )


def _rivals(evaluation: Evaluation, plant: Plant) -> dict[str, Any]:
    """Return the other explanations and the head over their odds, which tells odds that all share."""
    leading = evaluation.verdict.cause
    if leading is None:  # without a leading cause there is nothing to compare the others with
        return {"rivals": [], "compared": ""}
    named = (leading.kind, leading.subject)
    others = [c for c in causes_there(evaluation) if (c.kind, c.subject) != named][:_RIVALS]
    odds = [odds_beside(c, leading) for c in others]
    shared = f"Each {odds[0]}" if len(set(odds)) == 1 and shared_odds(odds[0]) else ""
    told = [""] * len(odds) if shared else odds
    rivals = [[cause_title(c), _against(c, plant), o] for c, o in zip(others, told, strict=True)]
    return {"rivals": rivals, "compared": shared or "Compared"}


def _against(cause: Cause, plant: Plant) -> str:
    said = [remark_text(r, plant.units) for r in cause.speaks_against[:2]]
    return ". ".join(said) or "nothing found"


def _sides_by_pressure(cause: Cause | None) -> set[str]:
    """Return the sides whose channels have narrowed by their pressure drop."""
    codes = ("channels_narrowed", "deposit_side")
    return {r.words["side"] for r in (cause.speaks_for if cause else ()) if r.code in codes}


def _side_of_deposit(cause: Cause | None) -> str:
    """Return the side for the visit sheet, as far as a pressure drop speaks for one."""
    sides = _sides_by_pressure(cause)
    return f"{sides.pop()}, by its pressure drop" if len(sides) == 1 else "cannot tell"


def _how_reckoned(evaluation: Evaluation, plant: Plant, made_utc: datetime) -> str:
    """Return what the sums on the page are made of; empty where there are none."""
    money = evaluation.money
    if money is None or not is_reckoned(evaluation):
        return ""
    said = (
        counted_sentence(money),
        foreseen.sentence(evaluation, plant),
        loss_price_and_day(evaluation, plant, made_utc),
        reckoned_for(evaluation, plant, made_utc),
    )
    return " ".join(s for s in said if s)


def _how_sure(evaluation: Evaluation, plant: Plant, *, cleaning: bool) -> str:
    said = ["Ranges hold nine times in ten."]
    cause, money = evaluation.verdict.cause, evaluation.money
    if cause is not None and cause.kind is CauseKind.NOTHING:
        said.append(f"That nothing has changed has {chances(cause.chances)}.")
    elif cause is not None:
        name = cause_in_a_sentence(cause)
        said.append(f"The cause is {name} with {chances(cause.chances)}.")
    if evaluation.reference is not None:
        said.append(_BASES.get(evaluation.reference.basis) or unvouched_sentence(evaluation))
    if is_of_another_cause(evaluation):
        said.append(f"{WHY_NOT[:1].upper()}{WHY_NOT[1:]}.")
    if cleaning and money is not None and money.chance_visit_pays is not None:
        said.append(
            f"That the visit pays for itself within twelve months has {chances(money.chance_visit_pays)}."
        )
    if cause is not None and cause.kind is CauseKind.DEPOSIT:
        narrowed = _sides_by_pressure(cause)
        said.append(
            "Which side the deposit is on is not certain; the pressure drop speaks for the one named above."
            if narrowed
            else "Which side the deposit is on cannot be told from outside."
        )
    if cleaning:
        said.append(
            "What the visit achieved is reported after about two weeks of running, also if it is little."
        )
    said.append(
        f"The figures rest on the trends logged up to {dates.long_day(evaluation.through_utc, plant.zone)}."
    )
    return " ".join(said)


def _approval(evaluation: Evaluation, plant: Plant, made_utc: datetime) -> list[str]:
    money = evaluation.money
    if money is None or money.visit_price is None:
        return ["ask for an offer for the visit", "not approved, because"]
    price = numbers.sum_of_money(money.visit_price, money.currency)
    by, day = _by_when(evaluation, plant, made_utc)
    return [f"approved, {price}{f', {by}{day}' if day else ''}", "not approved, because"]


def page_two(plant: Plant, exchanger: Exchanger, evaluation: Evaluation) -> dict[str, Any]:
    """Return the sheet that goes to the plant room; ``exchanger`` is as fitted."""
    return {
        "cautions": _cautions(plant, exchanger),
        "there": _what_is_there(plant, exchanger),
        "expected": _what_is_expected(plant, exchanger, evaluation),
        "units": {
            "temperature": numbers.symbol_of(plant.units.temperature),
            "flow": numbers.symbol_of(plant.units.flow),
            "power": numbers.symbol_of(plant.units.power),
            "pressure": numbers.symbol_of(plant.units.pressure),
        },
        "plates": str(exchanger.plates) if exchanger.plates else "____",
    }


def _most(side_degC: float | None, rating_Pa: float | None, plant: Plant) -> str:
    parts = []
    if side_degC is not None:
        parts.append(numbers.plain(side_degC, numbers.measure_of("inlet_degC", plant.units)))
    if rating_Pa is not None:
        parts.append(f"{numbers.number(rating_Pa / 1e5, 0)}{NBSP}bar")
    return " and ".join(parts)


def _cautions(plant: Plant, exchanger: Exchanger) -> list[Pieces]:
    secondary = exchanger.secondary
    primary_most = _most(
        exchanger.primary.design_inlet_degC, exchanger.primary.pressure_rating_Pa, plant
    )
    secondary_most = _most(secondary.design_outlet_degC, secondary.pressure_rating_Pa, plant)
    hot = "The water scalds"
    if primary_most:
        hot += f": primary up to {primary_most}"
        hot += f", secondary up to {secondary_most}" if secondary_most else ""
    dimension = "the maker's dimension"
    if exchanger.tightening_dimension_m is not None:
        length = numbers.measure_of("dimension_m", plant.units)
        dimension += f" ({numbers.single(exchanger.tightening_dimension_m, length)} as built)"
    return [
        _mixed(("Isolate both sides, lock the valves, let the pressure off, drain and cool ", True),
               ("before a bolt is loosened.", False)),
        _mixed((f"{hot}. ", True), ("Vent and check that no pressure is left.", False)),
        _mixed(("Frame parts and plates are heavy, edges are sharp: ", True),
               ("lifting gear, gloves, and a secured pressure plate.", False)),
        _mixed(("Cleaning chemicals: ", True),
               (_CHEMICALS, False)),
        _mixed(("Tighten evenly and in diagonal pairs to ", True),
               (f"{dimension}, never below the least that the maker allows, never by torque alone.", False)),
        _mixed(("The maker's manual, local codes and licensed practice ", True),
               ("come before this sheet.", False)),
    ]  # fmt: skip


def _taken(text: str, name: str, exchanger: Exchanger) -> str:
    """Mark what nobody registered: on a sheet for the plant room it would pass for a fact."""
    return f"{text} (assumed)" if name in exchanger.assumed else text


def _what_is_there(plant: Plant, exchanger: Exchanger) -> list[list[str]]:
    unknown = "not registered"
    area = f"{exchanger.area_m2:,.1f}{NBSP}m²" if exchanger.area_m2 else "area not registered"
    length = numbers.measure_of("dimension_m", plant.units)
    dimension = exchanger.tightening_dimension_m
    ports = {"front": "all in front", "both ends": "at both ends"}[exchanger.ports]
    passes = f"{exchanger.primary.passes} and {exchanger.secondary.passes}"
    return [
        ["Plates, effective area", f"{exchanger.plates}, {area}" if exchanger.plates else unknown],
        ["Most plates, frame and bolts", str(exchanger.plates_most or unknown)],
        [
            "Passes, ports",
            f"{_taken(passes, 'passes', exchanger)}, {_taken(ports, 'ports', exchanger)}",
        ],
        [
            "Tightening dimension as built",
            numbers.single(dimension, length) if dimension else "not registered for this pack",
        ],
    ]


def _what_is_expected(
    plant: Plant, exchanger: Exchanger, evaluation: Evaluation
) -> list[list[str]]:
    state = evaluation.state
    resistance = numbers.with_power(
        state.fouling_resistance_m2K_W if state else None,
        numbers.measure_of("r_m2K_W", plant.units),
    )
    after = numbers.figure(clean_today(evaluation), numbers.measure_of("approach_K", plant.units))
    drop = exchanger.primary.design_pressure_drop_Pa
    pressure = numbers.measure_of("drop_Pa", plant.units)
    return [
        ["Deposit, fouling resistance", resistance],
        ["Side of the deposit", _side_of_deposit(evaluation.verdict.cause)],
        ["Approach after, reference", after.text],
        ["Pressure drop, primary, design",
         numbers.plain(drop, pressure) if drop is not None else "not registered"],
    ]  # fmt: skip
