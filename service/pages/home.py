"""The first page: which exchanger needs somebody, why, and what waiting costs."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from urllib.parse import urlencode

from fastapi import Request
from fastapi.responses import HTMLResponse

from analytics.vocabulary.errors import PlateledgerError
from analytics.vocabulary.records import (
    Estimate,
    Evaluation,
    Exchanger,
    MaintenanceEvent,
    VerdictKind,
)
from service.alerts.lifecycle import unacknowledged
from service.charts.drawing import Chart
from service.charts.spark import spark, spark_axis, used_up_bar
from service.pages.data_health import GRADES
from service.pages.rendering import ledger_of, message_page, now, page
from service.register.plant import Plant
from service.wording import dates, numbers
from service.wording.causes import role_label
from service.wording.explaining import explanation
from service.wording.foreseen import AT_THE_LOAD
from service.wording.limits import is_at_stake
from service.wording.numbers import NBSP, Figure
from service.wording.staleness import old_plant
from service.wording.verdicts import (
    FILTER_LABELS,
    MANY,
    NEEDS_SOMEBODY,
    changes_since,
    headline,
    home_clauses,
    is_a_loss,
    limit_reached,
    month_of_waiting,
)
from service.wording.waiting import days_of_waiting, other_days, shared_days
from service.wording.yardstick import marked, unvouched_footnote

_CHANGES_SHOWN = 4
_FIRST_OF_MANY = 40


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One exchanger of the list, in words."""

    tag: str
    building: str
    about: str
    headline: str
    why: str
    needs: bool
    cost: Figure
    cost_days: str  # of which days, in full
    cost_from: str  # where they are not those of the heading
    is_loss: bool
    limit: Figure
    limit_nears: bool
    chart: Chart
    approach: Figure
    cleanliness: Figure
    mark: str  # of a cleanliness factor for whose clean state nobody vouches
    data: str
    data_note: str
    search: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Group:
    """Exchangers that need no decision, counted in one line that opens."""

    title: str
    note: str
    rows: tuple[tuple[str, str, str], ...]  # tag, building, headline


@dataclass(frozen=True, slots=True, kw_only=True)
class Sieve:
    """One choice of the filter."""

    label: str
    count: int
    address: str
    chosen: bool


def show(request: Request, verdict: str = "", q: str = "") -> HTMLResponse:
    """Answer the first page; ``verdict`` and ``q`` narrow the list without scripts."""
    ledger = ledger_of(request)
    try:
        plant = ledger.plant()
    except PlateledgerError as exc:
        return message_page(request, "No plant is registered yet.", str(exc))
    evaluations = list(ledger.evaluations())
    if not plant.exchangers and not evaluations:
        return message_page(
            request, "No exchanger yet.",
            "The register names no exchanger. Add one to plant.toml, then import a trend file.",
            action=("/import", "Import a trend file"),
        )  # fmt: skip
    seen = ledger.last_seen()
    changes = changes_since(evaluations, seen, plant)
    if not (verdict or q):
        ledger.mark_seen()
    opening, rest = home_clauses(evaluations, plant, unacknowledged(ledger.alerts(), now(request)))
    events = _by_tag(ledger.events())
    many = len(evaluations) > MANY
    shared = shared_days(evaluations, plant)
    chosen = [e for e in evaluations if _matches(e, plant, verdict, q)]
    listed, groups = _split(chosen, plant) if many and not (verdict or q) else (chosen, [])
    through = max((e.through_utc for e in evaluations), default=None)
    return page(
        request, "home.html", title="Exchangers", through_utc=through,
        opening=opening, rest=rest, seen=_seen(seen, plant), changes=changes[:_CHANGES_SHOWN],
        more_changes=max(0, len(changes) - _CHANGES_SHOWN),
        rows=[_row(e, events.get(e.tag, []), plant, through, shared, many=many) for e in listed],
        old=old_plant(evaluations, plant, now(request)),
        groups=groups, many=many, sieves=_sieves(evaluations, verdict, q), q=q, verdict=verdict,
        axis=spark_axis(through or now(request), plant.zone), waiting=_waiting(plant, evaluations),
        unvouched=unvouched_footnote(listed), waiting_days=shared, at_the_load=AT_THE_LOAD, working=ledger.working_on(), degrees=numbers.measure_of("approach_K", plant.units).symbol,
    )  # fmt: skip


def _by_tag(events: Sequence[MaintenanceEvent]) -> dict[str, list[MaintenanceEvent]]:
    found: dict[str, list[MaintenanceEvent]] = {}
    for event in events:
        found.setdefault(event.tag, []).append(event)
    return found


def _seen(seen: datetime | None, plant: Plant) -> str:
    return "" if seen is None else dates.weekday(seen, plant.zone, year=False)


def _waiting(plant: Plant, evaluations: Sequence[Evaluation]) -> list[str]:
    """Return the registered exchangers that have not been assessed yet."""
    known = {e.tag for e in evaluations}
    return [e.tag for e in plant.exchangers if e.tag not in known]


def _slug(kind: VerdictKind) -> str:
    return str(kind).replace(" ", "-")


def _matches(evaluation: Evaluation, plant: Plant, verdict: str, q: str) -> bool:
    if verdict and _slug(evaluation.verdict.kind) != verdict:
        return False
    return q.strip().lower() in _search_text(evaluation, plant)


def _search_text(evaluation: Evaluation, plant: Plant) -> str:
    exchanger = plant.exchanger(evaluation.tag)
    where = f"{exchanger.building} {exchanger.room} {exchanger.service}" if exchanger else ""
    return f"{evaluation.tag} {where} {headline(evaluation, plant)}".lower()


def _sieves(evaluations: Sequence[Evaluation], verdict: str, q: str) -> list[Sieve]:
    def address(slug: str) -> str:
        query = {k: v for k, v in (("verdict", slug), ("q", q)) if v}
        return "/" + (f"?{urlencode(query)}" if query else "")

    sieves = [Sieve(label="All", count=len(evaluations), address=address(""), chosen=not verdict)]
    for kind in VerdictKind:
        count = sum(e.verdict.kind is kind for e in evaluations)
        slug = _slug(kind)
        if count or slug == verdict:
            sieves.append(
                Sieve(
                    label=FILTER_LABELS[kind],
                    count=count,
                    address=address(slug),
                    chosen=slug == verdict,
                )
            )
    return sieves


def _split(evaluations: list[Evaluation], plant: Plant) -> tuple[list[Evaluation], list[Group]]:
    """Return those that need a decision one by one, all others as lines that open."""
    needy = [e for e in evaluations if e.verdict.kind in NEEDS_SOMEBODY]
    groups = []
    if len(needy) > _FIRST_OF_MANY:
        groups.append(_group("more that need a decision", "", needy[_FIRST_OF_MANY:], plant))
    for kind, title, note in (
        (VerdictKind.CLEAN_LATER, "to clean later", "a deposit that is still mild"),
        (VerdictKind.CANNOT_TELL, "where nothing can be told", "too little data, or none"),
        (VerdictKind.LEAVE, "to leave alone", "nothing asks for a visit"),
    ):
        same = [e for e in evaluations if e.verdict.kind is kind]
        if same:
            groups.append(_group(title, note, same, plant))
    return needy[:_FIRST_OF_MANY], groups


def _group(title: str, note: str, members: Sequence[Evaluation], plant: Plant) -> Group:
    rows = tuple((e.tag, _building(plant.exchanger(e.tag)), headline(e, plant)) for e in members)
    return Group(title=f"{len(members):,} {title}", note=note, rows=rows)


def _building(exchanger: Exchanger | None) -> str:
    return exchanger.building if exchanger is not None else ""


def about(exchanger: Exchanger | None, plant: Plant) -> str:
    """Return service and size: ``heating, 620 kW``."""
    if exchanger is None:
        return "not in the register"
    if exchanger.design_duty_W is None:
        return exchanger.service
    power = numbers.single(exchanger.design_duty_W, numbers.measure_of("duty_W", plant.units))
    return f"{exchanger.service}, {power}"


def _row(
    evaluation: Evaluation, events: Sequence[MaintenanceEvent], plant: Plant,
    through_utc: datetime | None, shared: str, *, many: bool,
) -> Row:  # fmt: skip
    exchanger, state = plant.exchanger(evaluation.tag), evaluation.state
    chart = (
        used_up_bar(evaluation, plant) if many
        else spark(evaluation, events, plant, through_utc=through_utc)
    )  # fmt: skip
    data, note = _data(evaluation)
    return Row(
        tag=evaluation.tag,
        building=_building(exchanger),
        about=about(exchanger, plant),
        headline=headline(evaluation, plant),
        why=explanation(evaluation, plant, brief=True),
        needs=evaluation.verdict.kind is VerdictKind.CLEAN_NOW,
        cost=month_of_waiting(evaluation),
        cost_days=days_of_waiting(evaluation, plant),
        cost_from=other_days(evaluation, shared, plant) if evaluation.money else "",
        is_loss=is_a_loss(evaluation.money.next_month if evaluation.money else None),
        limit=limit_reached(evaluation, plant),
        limit_nears=is_at_stake(evaluation),
        chart=chart,
        approach=_now(evaluation, state.approach_reference_K if state else None,
                      numbers.measure_of("approach_K", plant.units)),
        cleanliness=_now(evaluation, state.cleanliness_factor if state else None, numbers.RATIO),
        mark=marked(evaluation),
        data=data,
        data_note=note,
        search=_search_text(evaluation, plant),
    )  # fmt: skip


def _now(evaluation: Evaluation, estimate: Estimate | None, measure: numbers.Measure) -> Figure:
    """Return the present figure; where nothing can be told, the last known one as a note."""
    figure = numbers.figure(estimate, measure)
    stale = evaluation.verdict.kind is VerdictKind.CANNOT_TELL
    if stale and figure.main != numbers.CANNOT_TELL:
        return Figure(
            main=numbers.CANNOT_TELL, bare=numbers.CANNOT_TELL, range=f"last {figure.bare}"
        )
    return figure


def _data(evaluation: Evaluation) -> tuple[str, str]:
    health = evaluation.health
    if health.grade == "stopped":
        silent = evaluation.through_utc - (health.last_utc or evaluation.through_utc)
        what = role_label(health.missing_roles[0]) if health.missing_roles else "data"
        days = max(1, round(silent / timedelta(days=1)))
        lasting = f" for {days}{NBSP}days" if days > 1 else ""
        return GRADES["stopped"], f"no {what}{lasting}"
    note = f"{health.hours_evidence_30d:,.0f}{NBSP}steady hours"
    if health.grade == "none":
        note = "no reading yet"
    return GRADES.get(health.grade, health.grade), note
