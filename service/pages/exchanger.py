"""The page of one exchanger: the answer first, then the evidence in the order one would doubt it."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from typing import Any

import pandas as pd
from fastapi import Request
from fastapi.responses import HTMLResponse, JSONResponse, RedirectResponse

from analytics.vocabulary.errors import PlateledgerError, RegisterError
from analytics.vocabulary.quantities import TREND_ROLES
from analytics.vocabulary.records import (
    SURFACE_DEEDS,
    CauseKind,
    Deed,
    Estimate,
    Evaluation,
    Exchanger,
    MaintenanceEvent,
    VerdictKind,
)
from service.charts.trends import aside_text, explorer_figure, told_text, trends_chart
from service.pages import account_sections, causes, sections
from service.pages.data_health import data_health
from service.pages.home import about
from service.pages.outages import outages_part
from service.pages.rendering import ledger_of, message_page, page, render
from service.pages.sections import Part
from service.pages.thermometer_pairs import pairs_table
from service.register.fitted import as_fitted, last_change_of_plates
from service.register.maintenance import refuse_future
from service.register.plant import Plant
from service.usecases.proposing import KeptProposal, ProposalState
from service.usecases.told_gaps import summed_up, within
from service.wording import dates, numbers
from service.wording.causes import (
    cause_in_a_sentence,
    looks_alike,
    role_label,
    times_less_likely,
)
from service.wording.counted import loss_began
from service.wording.explaining import explanation
from service.wording.foreseen import briefly
from service.wording.limits import clean_today
from service.wording.numbers import Figure
from service.wording.proofs import UNTIL_READINGS, achieved, unread_visit, visit_sentence
from service.wording.reasons import loss, reason, runner_up
from service.wording.remarks import remark_text
from service.wording.staleness import old_readings
from service.wording.verdicts import (
    cost_clause,
    headline,
    is_a_loss,
    limit_clause,
    limit_reached,
    month_of_waiting,
    shortage_sentence,
)
from service.wording.visit_day import SOON, is_due, visit_day
from service.wording.waiting import days_of_waiting
from service.wording.yardstick import is_unvouched, leads_with_plates, unvouched_sentence

_WEEK = timedelta(days=7)


@dataclass(frozen=True, slots=True, kw_only=True)
class Fact:
    """One of the figures beside the answer."""

    label: str
    figure: str
    note: str = ""
    cost: bool = False


def show(request: Request, tag: str, week: str = "") -> HTMLResponse:
    """Answer the page of ``tag``; ``week`` is the first day of the raw trends, ISO 8601."""
    ledger = ledger_of(request)
    plant = ledger.plant()
    exchanger = plant.exchanger(tag)
    evaluation = ledger.evaluation(tag)
    if evaluation is None:
        return _without_evaluation(request, tag, exchanger)
    events = ledger.events(tag)
    fitted, changed = exchanger, None
    if exchanger is not None:
        fitted = as_fitted(exchanger, events, ledger.now())
        changed = last_change_of_plates(exchanger, events, ledger.now())
    opening, rest = answer(evaluation, plant)
    return page(
        request, "exchanger.html", title=tag, through_utc=evaluation.through_utc, tag=tag,
        exchanger=exchanger, fitted=fitted, about=about(exchanger, plant), opening=opening, rest=rest,
        old=old_readings(evaluation, plant, ledger.now()),
        why=explanation(evaluation, plant), lead=_lead(evaluation, plant, rest), facts=facts(evaluation, plant, ledger.now()),
        cleaning=evaluation.verdict.kind is VerdictKind.CLEAN_NOW,
        consequences=sections.consequences(evaluation, plant),
        approach=sections.approach(evaluation, events, plant),
        transfer=sections.transfer(evaluation, plant), duties=sections.duties(evaluation, plant),
        causes_heading=causes.heading(evaluation),
        causes=causes.rows(evaluation, plant), compared=causes.compared_with(evaluation),
        thermometers=sections.thermometers(evaluation, plant),
        pairs=pairs_table(evaluation, plant),
        present=sections.present(evaluation, tag, plant),
        latest_start=evaluation.latest.start_utc.isoformat() if evaluation.latest else "",
        money=account_sections.money(evaluation, plant, ledger.now()),
        account=account_sections.money_account(evaluation, plant),
        capacity=account_sections.capacity(evaluation, plant),
        pack=sections.pack_rows(fitted, plant, changed),
        health=data_health(evaluation, summed_up(ledger.gaps(tag), evaluation.through_utc), plant),
        achieved=achieved(evaluation, plant),
        log_heading=account_sections.log_heading(events, plant),
        log=account_sections.log_entries(evaluation, events, plant, ledger.alerts(tag)),
        proposals=open_proposals(ledger.proposals(tag), plant), deeds=[str(d) for d in Deed], roles=[(q.name, q.label) for q in TREND_ROLES],
        today=dates_today(ledger.now(), plant), outages=outages_part(ledger.outages(tag), plant), raw=_raw(request, evaluation, plant, week),
    )  # fmt: skip


def _without_evaluation(request: Request, tag: str, exchanger: Exchanger | None) -> HTMLResponse:
    if exchanger is None:
        return message_page(
            request, f"There is no exchanger {tag}.",
            "The register names no such tag. Look at the list for those it has.", status=404,
            action=("/", "Show the exchangers"),
        )  # fmt: skip
    return message_page(
        request, f"{tag} has not been assessed yet.",
        "No reading of it has been stored. Import a trend file that holds its points.",
        action=("/import", "Import a trend file"),
    )  # fmt: skip


def dates_today(now_utc: datetime, plant: Plant) -> str:
    """Return today in the site's zone, as a date field wants it."""
    return now_utc.astimezone(plant.zone).date().isoformat()


def answer(evaluation: Evaluation, plant: Plant) -> tuple[str, str]:
    """Return the page's sentence: the verdict, its size, and what that counts from where nobody vouches."""
    said, size = headline(evaluation, plant), _size(evaluation, plant)
    if not leads_with_plates(evaluation):
        return said, size
    return said, " ".join(s for s in (size, unvouched_sentence(evaluation)) if s)


def _size(evaluation: Evaluation, plant: Plant) -> str:
    lost = loss(evaluation)
    cause = evaluation.verdict.cause
    if cause is not None and cause.kind is CauseKind.DEPOSIT and lost is not None and lost.low > 0:
        figure = numbers.figure(lost, numbers.PERCENT).text
        began = loss_began(evaluation)
        since = "" if began is None else f" since {dates.long_day(began, UTC)}"
        if evaluation.verdict.kind is VerdictKind.CANNOT_TELL:
            return f"Heat transfer reads {figure} lower{since}."
        return f"It has taken {figure} of the heat transfer{since}."
    return reason(evaluation, plant, beside=explanation(evaluation, plant))


def _lead(evaluation: Evaluation, plant: Plant, before: str) -> str:
    """Return the runner-up, unless ``before`` has named it, and what waiting brings."""
    said = []
    follower, sentence = evaluation.verdict.runner_up, runner_up(evaluation)
    if sentence and sentence not in before and evaluation.verdict.kind is VerdictKind.LEAVE:
        said.append(sentence)
    elif follower is not None and looks_alike(follower):
        said += [sentence] if sentence not in before else []
    elif follower is not None and sentence and sentence not in before:
        odds = times_less_likely(follower.times_less_likely)
        said.append(f"The next best explanation, {cause_in_a_sentence(follower)}, is {odds}.")
    waiting = [c for c in (cost_clause(evaluation, plant), limit_clause(evaluation, plant)) if c]
    if waiting:
        text = " and ".join(waiting)
        said.append(f"{text[:1].upper()}{text[1:]}.")
    said += [
        s for s in (visit_sentence(evaluation, plant), shortage_sentence(evaluation, plant)) if s
    ]
    return " ".join(said)


def facts(evaluation: Evaluation, plant: Plant, now_utc: datetime) -> list[Fact]:
    """Return the five figures beside the answer."""
    state, money = evaluation.state, evaluation.money
    measure = numbers.measure_of("approach_K", plant.units)
    approach = numbers.figure(state.approach_reference_K if state else None, measure)
    levels = [approach.range]
    clean = clean_today(evaluation)
    if clean is not None and approach.range:
        levels.append(f"clean {numbers.figure(clean, measure).bare}")
    if state is not None and state.approach_limit_K is not None:
        levels.append(f"limit {numbers.number(measure.shown(state.approach_limit_K), 1)}")
    before = ["before the visit"] if unread_visit(evaluation) and state is not None else []
    factor = numbers.figure(state.cleanliness_factor if state else None, numbers.RATIO)
    limit, month = limit_reached(evaluation, plant), month_of_waiting(evaluation)
    return [
        Fact(label="Approach at the reference condition", figure=approach.main,
             note="; ".join(part for part in (*before, *levels) if part)),
        Fact(label="Cleanliness factor", figure=factor.main,
             note="; ".join(n for n in (*before, _of_what(factor.range, evaluation)) if n)),
        Fact(label="Limit reached", figure=limit.main, note=limit.range),
        Fact(label=f"{days_of_waiting(evaluation, plant)} cost",
             figure=month.main, note="; ".join(n for n in (month.range, briefly(evaluation, plant)) if n),
             cost=money is not None and is_a_loss(money.next_month)),
        _visit_fact(evaluation, plant, now_utc),
    ]  # fmt: skip


def _of_what(known: str, evaluation: Evaluation) -> str:
    return f"{known}; of its first weeks" if known and is_unvouched(evaluation) else known


def _visit_fact(evaluation: Evaluation, plant: Plant, now_utc: datetime) -> Fact:
    money = evaluation.money
    spoken_of = visit_day(evaluation)
    if unread_visit(evaluation) is not None:
        return Fact(label="A visit brings", figure=numbers.CANNOT_TELL, note=UNTIL_READINGS)
    if money is None or spoken_of is None:
        missing = "no costs known" if money is None else "no price of a visit"
        return Fact(label="A visit brings", figure=numbers.CANNOT_TELL, note=missing)
    on_a_day = f"on {dates.short_day(spoken_of.at_utc, plant.zone)}"
    visit = f"A visit {SOON if is_due(evaluation, plant, now_utc) else on_a_day}"
    label, benefit = f"{visit} brings", spoken_of.net_benefit
    if benefit.high < 0:
        label = f"{visit} loses"
        benefit = Estimate(value=-benefit.value, low=-benefit.high, high=-benefit.low)
    net: Figure = numbers.money(benefit, money.currency)
    note = f"{net.range} in twelve months"
    if money.visit_price is not None:
        note += f"; visit {numbers.sum_of_money(money.visit_price, money.currency)}"
    return Fact(label=label, figure=f"{net.main} net", note=note)


@dataclass(frozen=True, slots=True, kw_only=True)
class Raw:
    """The week of raw trends that is shown, and the weeks beside it."""

    part: Part
    first_day: str
    before: str
    after: str
    data_address: str


def _first_day(evaluation: Evaluation, plant: Plant, week: str) -> date:
    try:
        return date.fromisoformat(week)
    except ValueError:
        last = evaluation.through_utc
        if len(evaluation.intervals):
            last = evaluation.intervals.index[-1].to_pydatetime()
        return (last.astimezone(plant.zone) - _WEEK + timedelta(days=1)).date()


def _week_frame(
    request: Request, evaluation: Evaluation, plant: Plant, first: date
) -> pd.DataFrame:
    start = datetime.combine(first, time(), tzinfo=plant.zone)
    frame = evaluation.intervals
    held = frame.loc[
        (frame.index >= pd.Timestamp(start)) & (frame.index < pd.Timestamp(start + _WEEK))
    ]
    if len(held) or frame.empty:
        return held
    return ledger_of(request).intervals(evaluation.tag, start, start + _WEEK)


def _raw(request: Request, evaluation: Evaluation, plant: Plant, week: str) -> Raw:
    first = _first_day(evaluation, plant, week)
    frame = _week_frame(request, evaluation, plant, first)
    start = datetime.combine(first, time(), tzinfo=plant.zone)
    told = within(ledger_of(request).gaps(evaluation.tag), start, start + _WEEK)
    wide = trends_chart(frame, evaluation.tag, plant, told=told, width=1160.0)
    phone = trends_chart(
        frame, evaluation.tag, plant, told=told, width=sections.PHONE, name="trends-phone"
    )
    from_day = dates.long_day(start, plant.zone)
    if wide is None:
        part = Part(
            heading=f"No readings in the week from {from_day}.",
            note=f"{told_text(told)} Choose another week.".strip(),
        )
    else:
        carrying = int((frame["set_aside"] == 0).sum())
        part = Part(
            heading=f"Week from {from_day}: {carrying:,} of {len(frame):,} intervals carry evidence.",
            note=f"{aside_text(frame)} {told_text(told)}".strip(), chart=wide, phone_chart=phone,
        )  # fmt: skip
    address = f"/exchangers/{evaluation.tag}"
    return Raw(
        part=part,
        first_day=first.isoformat(),
        before=f"{address}?week={(first - _WEEK).isoformat()}#raw",
        after=f"{address}?week={(first + _WEEK).isoformat()}#raw",
        data_address=f"{address}/week.json?week={first.isoformat()}",
    )


def week_data(request: Request, tag: str, week: str = "") -> JSONResponse:
    """Answer the week as a figure for the charting library."""
    plant, evaluation = ledger_of(request).plant(), ledger_of(request).evaluation(tag)
    if evaluation is None:
        return JSONResponse({"detail": f"{tag} has not been assessed yet."}, status_code=404)
    first = _first_day(evaluation, plant, week)
    frame = _week_frame(request, evaluation, plant, first)
    start = datetime.combine(first, time(), tzinfo=plant.zone)
    told = within(ledger_of(request).gaps(tag), start, start + _WEEK)
    figure: dict[str, Any] = explorer_figure(frame, plant, told)
    return JSONResponse(figure)


def present_part(request: Request, tag: str) -> HTMLResponse:
    """Answer the section of the present values alone; the page takes it anew when it changes."""
    plant, evaluation = ledger_of(request).plant(), ledger_of(request).evaluation(tag)
    return render("present.html", present=sections.present(evaluation, tag, plant))


async def add_entry(request: Request, tag: str) -> HTMLResponse | RedirectResponse:
    """Store a log entry from the form and return to the page, or say what is wrong with it."""
    async with request.form() as sent:
        form = {k: str(v).strip() for k, v in sent.items()}
    ledger = ledger_of(request)
    try:
        event = _event(tag, form, ledger.plant())
        refuse_future(event.at_utc, ledger.now(), ledger.plant().zone)
        ledger.add_event(event)
    except PlateledgerError as exc:
        back = (f"/exchangers/{tag}#log", "Back to the log")
        return message_page(request, "The entry was not stored.", str(exc), status=422, action=back)
    ledger.assess_soon([tag])
    return RedirectResponse(f"/exchangers/{tag}#log", status_code=303)


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """A log entry that seems to be missing, put as a question."""

    number: int | None
    question: str
    said: str
    also: str
    day: str
    deed: str
    plates: bool


def open_proposals(kept: Sequence[KeptProposal], plant: Plant) -> list[Asked]:
    """Return the open proposals, the newest first."""
    return [
        _asked(k, plant) for k in reversed(kept) if k.state is ProposalState.OPEN
    ]  # fmt: skip


def _asked(kept: KeptProposal, plant: Plant) -> Asked:
    p = kept.proposal
    when = dates.long_day(p.at_utc, UTC, year=True)
    apart = (p.latest_utc - p.earliest_utc).days
    spread = ""
    if apart > 2:
        first, last = (dates.long_day(t, UTC, year=True) for t in (p.earliest_utc, p.latest_utc))
        spread = f" It lies between {first} and {last}, nine times in ten."
    what = {
        Deed.THERMOMETER_CALIBRATED: f"Was the {role_label(p.role)} thermometer touched",
        Deed.METER_CHANGED: f"Was the {role_label(p.role)} meter changed",
        Deed.PLATES_CHANGED: "Were plates added",
        Deed.OTHER: "Was there a service",
    }.get(p.deed, "Were the plates cleaned")
    also = "".join(f" {remark_text(r, plant.units)}." for r in p.evidence)
    known = dates.long_day(p.known_utc, UTC, year=True)
    return Asked(
        number=kept.number, question=f"{what} about {when}?",
        said=f"{remark_text(p.remark, plant.units)}.{spread}",
        also=f"Known since {known}.{also}", day=p.at_utc.date().isoformat(), deed=str(p.deed),
        plates=p.deed in SURFACE_DEEDS,
    )  # fmt: skip


async def decide_proposal(
    request: Request, tag: str, number: int
) -> HTMLResponse | RedirectResponse:
    """Accept a proposal into the log, or reject it, and return to the log."""
    async with request.form() as sent:
        form = {k: str(v).strip() for k, v in sent.items()}
    ledger = ledger_of(request)
    try:
        if form.get("answer") == "no":
            ledger.reject_proposal(number, note=form.get("note", "")[:500])
        else:
            ledger.accept_proposal(
                number, when=form.get("day", ""), deed=form.get("deed", ""),
                plates_after=form.get("plates_after") or None, note=form.get("note", "")[:500],
            )  # fmt: skip
            ledger.assess_soon([tag])
    except PlateledgerError as exc:
        back = (f"/exchangers/{tag}#log", "Back to the log")
        return message_page(
            request, "The proposal was left as it was.", str(exc), status=422, action=back
        )
    return RedirectResponse(f"/exchangers/{tag}#log", status_code=303)


def _event(tag: str, form: dict[str, str], plant: Plant) -> MaintenanceEvent:
    if plant.exchanger(tag) is None:
        raise RegisterError(f"{tag}: the register names no such exchanger. Add it to plant.toml.")
    try:
        day = date.fromisoformat(form.get("day", ""))
        clock = time.fromisoformat(form.get("clock") or "12:00")
    except ValueError as exc:
        raise RegisterError(
            f"{tag}: {form.get('day')!r} {form.get('clock')!r} is no day and time."
            " Write them as 2026-11-23 and 09:30."
        ) from exc
    try:
        deed = Deed(form.get("deed", ""))
    except ValueError as exc:
        known = ", ".join(Deed)
        raise RegisterError(f"{tag}: {form.get('deed')!r} is no deed. Known: {known}.") from exc
    plates = form.get("plates_after", "")
    if plates and not plates.isdecimal():
        raise RegisterError(f"{tag}: plates now fitted: {plates!r} is no whole number.")
    return MaintenanceEvent(
        tag=tag, at_utc=datetime.combine(day, clock, tzinfo=plant.zone).astimezone(UTC), deed=deed,
        role=form.get("role") or None, plates_after=int(plates) if plates else None,
        note=form.get("note", "")[:500],
    )  # fmt: skip
