"""``status``, ``alerts`` and ``document``: what the ledger has to say.

``status --json`` prints a list with one object for each exchanger, the most needy first:

    rank, tag, building, room, service
    verdict             "clean it", "clean later", "building side", "add plates", "check an
                        instrument", "check the controls", "check the piping", "rinse the strainer",
                        "cannot tell", "leave it"; null before the first assessment
    sentence, reasons   the verdict in words, and what it rests on
    explanation         one sentence whose numbers can be checked on the charts
    explained_by        [{name: number}], those numbers by part of the sentence, in SI units
    since               when it began to stand
    cause, runner_up    {kind, subject, chances, times_less_likely}, or null
    assessed_through, state_as_of
    cleanliness_factor, fouling_resistance, duty_at_reference, duty_clean_at_reference
    clean_taken_from    "known clean period", "first weeks" (nobody vouches for them: only what was
                        lost since then counts), "nameplate" or null
    approach            {last_day, at_reference, clean_at_reference, limit}
    limit_reached       {earliest, median, latest, chance_within_horizon, horizon_days,
                        passed_since, reason}; nine times in ten between earliest and latest,
                        null: beyond the horizon
    avoidable_cost      {since, counted_from, so_far, next_month, next_month_from, next_month_basis,
                        last_month, next_year, visit_price, best_visit, best_visit_is_due,
                        visit_brings, why}; months are thirty days; next_month_basis: the load that is
                        assumed, why: how loss, price and best day belong together. What a deposit
                        costs; null with a reason where the verdict names another cause
    data_health         {grade, instrumentation, first, last, hours_running, hours_evidence,
                        hours_set_aside, missing_roles, consequences, logger_gaps}, hours over the last
                        30 days of readings, set aside by reason; or null. logger_gaps: [{role, count,
                        hours, hours_recent, reasons, last_end}], the gaps that loggers told of
    data_age            {newest, days, old_after_days, is_old, notice}: how far the readings reach, and
                        what follows where that is longer ago than stale_after_days of the register
    thermometer_pairs   [{first, second, evidence, since, through, hours, difference, age_days}]
    open_alerts         how many are active
    last_visit          {deed, at, outcome, gain, recovered, measured, at_visit, text}: what the last
                        visit achieved; or null. measured, at_visit: {before, after, gain, first, last},
                        means of up to fourteen days a side, and the day after against the day before,
                        carried there along the deposit's growth; gain is that of at_visit. While no
                        reading follows the visit, outcome is "no day that shows it yet"
    verdict_before_visit  the verdict that such a visit has put off until readings follow; or null
    proposals           [{number, tag, state, deed, role, at, earliest, latest, known, size, text,
                        evidence}]: log entries that seem to be missing

A figure is {value, low, high, unit, reason}; the interval holds the truth nine times in ten. Where
it cannot be told, value, low and high are null and reason says why. Times are ISO 8601 in UTC.
"""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from service.cli.command import AsJson, Workspace, app, naming, opened

if TYPE_CHECKING:
    from rich.table import Table

    from service.usecases.ledger import Ledger


@app.command()
def status(workspace: Workspace = None, as_json: AsJson = False) -> None:
    """Say which exchanger needs you, why, and what waiting costs; the most needy first.

    \b
    Examples:
      plateledger status -w plant
      plateledger status -w plant --json

    --json prints a list with one object for each exchanger:

    \b
      rank, tag, building, room, service, verdict, sentence, reasons, since
      explanation, explained_by (the sentence's numbers by part, SI)
      cause, runner_up    {kind, subject, chances, times_less_likely} or null
      assessed_through, state_as_of
      cleanliness_factor, fouling_resistance, duty_at_reference,
      duty_clean_at_reference, clean_taken_from
      approach            {last_day, at_reference, clean_at_reference, limit}
      limit_reached       {earliest, median, latest, chance_within_horizon,
                           horizon_days, passed_since, reason}
      avoidable_cost      {since, counted_from, so_far, next_month (30 days),
                           next_month_from, next_month_basis, last_month, next_year,
                           visit_price, best_visit, best_visit_is_due, visit_brings,
                           why}
      data_health         {grade, instrumentation, first, last, hours_running,
                           hours_evidence, hours_set_aside, missing_roles,
                           consequences, logger_gaps} or null
      data_age            {newest, days, old_after_days, is_old, notice} or null
      thermometer_pairs   [{first, second, evidence, since, through, hours,
                           difference, age_days}]
      proposals           [{number, deed, role, at, earliest, latest, known, size,
                           text, evidence}], log entries that seem to be missing
      last_visit          {deed, at, outcome, gain, recovered, measured, at_visit,
                           text} or null
      verdict_before_visit  while no reading follows the last visit; or null
      open_alerts

    A figure is {value, low, high, unit, reason}; the interval holds the truth nine times in ten.
    What cannot be told has null for value, low and high, and a reason. Times are UTC.
    """
    from service.cli.output import print_json
    from service.store.codec import plain
    from service.usecases.status import list_status

    with opened(workspace) as ledger:
        if as_json:
            print_json(plain(list_status(ledger)))
        else:
            print_ranking(ledger, workspace)
            _print_proposals(ledger, workspace)
            _print_outdated(ledger, workspace)


def _print_proposals(ledger: "Ledger", workspace: Path | None) -> None:
    from service.cli.output import note
    from service.usecases.proposing import ProposalState
    from service.wording.remarks import remark_text

    plant = ledger.plant()
    for kept in ledger.proposals():
        if kept.state is ProposalState.OPEN:
            said = remark_text(kept.proposal.remark, plant.units)
            note(
                f"{kept.tag}: perhaps missing in the log: {said}. Accept or reject it: "
                f"plateledger proposals accept {kept.number}{naming(workspace)}"
            )


def _print_outdated(ledger: "Ledger", workspace: Path | None) -> None:
    from service.cli.output import note

    if changed := ledger.outdated():
        note(
            f"Readings, log or register changed since this was assessed: {', '.join(changed)}. "
            f"Take it in with: plateledger assess{naming(workspace)}"
        )


def print_ranking(ledger: "Ledger", workspace: Path | None = None) -> None:
    """Print the sentence of the first page and a table of all exchangers."""
    from service.alerts.lifecycle import unacknowledged
    from service.cli.output import console, note
    from service.wording.explaining import explanation
    from service.wording.proofs import visit_sentence
    from service.wording.staleness import old_plant
    from service.wording.verdicts import home_sentence, shortage_sentence

    plant = ledger.plant()
    evaluations = ledger.evaluations()
    screen = console()
    if old := old_plant(evaluations, plant, ledger.now()):
        screen.print(old)
        screen.print()
    screen.print(home_sentence(evaluations, plant, unacknowledged(ledger.alerts(), ledger.now())))
    screen.print()
    if evaluations:
        screen.print(_ranking(ledger))
        screen.print()
        for evaluation in evaluations:
            said = [explanation(evaluation, plant), visit_sentence(evaluation, plant),
                    shortage_sentence(evaluation, plant)]  # fmt: skip
            screen.print(f"{evaluation.tag}: {' '.join(s for s in said if s)}", highlight=False)
        where = naming(workspace)
        note(
            f"Ranges hold nine times in ten. More: plateledger serve{where}, "
            f"or plateledger status --json{where}"
        )
    assessed = {e.tag for e in evaluations}
    never = [e.tag for e in plant.exchangers if e.tag not in assessed]
    if never:
        note(f"Not assessed yet: {', '.join(never)}.")


def _ranking(ledger: "Ledger") -> "Table":
    from rich.table import Table

    from service.wording import foreseen, numbers, verdicts, waiting, yardstick

    plant = ledger.plant()
    evaluations = ledger.evaluations()
    shared = waiting.shared_days(evaluations, plant)
    table = Table(box=None, pad_edge=False, header_style="bold", padding=(0, 2, 0, 0))
    for heading in (
        "exchanger",
        "verdict",
        shared,
        "limit reached",
        "cleanliness",
        "approach*",
    ):
        table.add_column(heading, overflow="fold")
    for evaluation in evaluations:
        other = waiting.other_days(evaluation, shared, plant) if evaluation.money else ""
        state = evaluation.state
        factor = None if state is None else state.cleanliness_factor
        approach = None if state is None else state.approach_reference_K
        kelvin = numbers.measure_of("approach_K", plant.units)
        table.add_row(
            evaluation.tag,
            verdicts.headline(evaluation, plant),
            f"{verdicts.month_of_waiting(evaluation).text} {other}".strip(),
            verdicts.limit_reached(evaluation, plant).text,
            f"{numbers.figure(factor, numbers.RATIO).text}{yardstick.marked(evaluation)}",
            numbers.figure(approach, kelvin).text,
        )
    unvouched = yardstick.unvouched_footnote(evaluations)
    table.caption = (f"{unvouched}\n" if unvouched else "") + (
        "* primary return minus secondary return, at the reference condition\n"
        f"{shared}: what waiting costs, from the end of the readings on, {foreseen.AT_THE_LOAD}.\n"
        "Ordered by what is to be decided (a cleaning now first, nothing last), then by cost; only what a"
        " deposit costs is reckoned."
    )
    table.caption_justify = "left"
    return table


alerts_app = typer.Typer(rich_markup_mode=None, context_settings={"max_content_width": 100})
app.add_typer(alerts_app, name="alerts")


@alerts_app.callback(invoke_without_command=True)
def alerts(
    context: typer.Context,
    workspace: Workspace = None,
    every: Annotated[
        bool, typer.Option("--all", help="Also those returned to normal and acknowledged.")
    ] = False,
    as_json: AsJson = False,
) -> None:
    """List alerts: those that wait for a person first. States use the words of IEC 62682.

    \b
    Examples:
      plateledger alerts -w plant
      plateledger alerts -w plant --all --json
      plateledger alerts acknowledge 12 -w plant --by "A. Reader"
      plateledger alerts shelve 12 -w plant --days 14
    """
    if context.invoked_subcommand is not None:
        return
    from service.alerts.lifecycle import AlertState, needs_a_person
    from service.cli.output import note, print_json, say
    from service.wording.history import changed_lines

    with opened(workspace) as ledger:
        plant, now_utc = ledger.plant(), ledger.now()
        found = sorted(ledger.alerts(), key=lambda a: not needs_a_person(a, now_utc))
        shown = [a for a in found if every or a.state(now_utc) is not AlertState.NORMAL]
        values = [alert_values(a, plant, now_utc) for a in shown]
        lines = {a.number: changed_lines(a, plant) for a in shown}
    if as_json:
        print_json(values)
        return
    for alert, v in zip(shown, values, strict=True):
        raised = alert.raised_utc.astimezone(plant.zone)
        say(f"{v['number']:>4}  {v['tag']}  {raised:%Y-%m-%d}  {v['state']}: {v['text']}")
        for line in lines[v["number"]]:
            say(f"      {line}")
    if not values:
        note("No alert is open." if not found else "No alert is open; --all lists the past ones.")


def alert_values(alert: Any, plant: Any, now_utc: Any) -> dict[str, Any]:
    """Return an alert as plain values with its state and its text."""
    from service.store.codec import plain
    from service.wording.remarks import remark_text

    values: dict[str, Any] = plain(alert)
    del values["remark"]
    history = [
        {
            **{name.removesuffix("_utc"): value for name, value in plain(step).items()},
            "reason": None if step.reason is None else remark_text(step.reason, plant.units),
        }
        for step in alert.history
    ]
    del values["history"]
    return {
        "number": values.pop("number"),
        "tag": values.pop("tag"),
        "kind": values.pop("kind"),
        "subject": values.pop("subject"),
        "state": str(alert.state(now_utc)),
        "text": remark_text(alert.remark, plant.units),
        **{name.removesuffix("_utc"): value for name, value in values.items()},
        "history": history,
    }


@alerts_app.command()
def acknowledge(
    number: Annotated[int, typer.Argument(help="The alert's number, as listed.")],
    by: Annotated[str, typer.Option(help="Who acknowledges it.")] = "",
    workspace: Workspace = None,
) -> None:
    """Acknowledge an alert: somebody has seen it.

    \b
    Example:
      plateledger alerts acknowledge 12 -w plant --by "A. Reader"
    """
    from service.cli.output import say

    with opened(workspace) as ledger:
        alert = ledger.acknowledge_alert(number, by=by)
        say(f"{number}: {alert.state(ledger.now())}.")


@alerts_app.command()
def shelve(
    number: Annotated[int, typer.Argument(help="The alert's number, as listed.")],
    days: Annotated[int, typer.Option(min=0, max=365, help="For how long; 0: off the shelf.")] = 14,
    by: Annotated[str, typer.Option(help="Who shelves it.")] = "",
    workspace: Workspace = None,
) -> None:
    """Shelve an alert for some days: it stays listed but asks for nobody.

    \b
    Example:
      plateledger alerts shelve 12 -w plant --days 14
    """
    from datetime import timedelta

    from service.cli.output import say

    with opened(workspace) as ledger:
        now_utc = ledger.now()
        until_utc = now_utc + timedelta(days=days) if days else None
        alert = ledger.shelve_alert(number, until_utc=until_utc, by=by)
    say(f"{number}: {alert.state(now_utc)}.")


@app.command()
def document(
    tag: Annotated[str, typer.Argument(help="The exchanger.")],
    output: Annotated[
        Path | None,
        typer.Option(
            "-o", "--output", help="PDF to write; without: into the workspace's documents."
        ),
    ] = None,
    workspace: Workspace = None,
) -> None:
    """Write the document: a request to clean, or a report where none is due; and a visit sheet.

    \b
    Example:
      plateledger document HX-03 -w plant -o hx-03.pdf
    """
    from service.cli.output import say

    with opened(workspace) as ledger:
        say(str(ledger.write_document(tag, output)))
