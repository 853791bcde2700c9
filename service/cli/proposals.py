"""``proposals``: what was done and, as the readings show it, never logged."""

from typing import Annotated

import typer

from service.cli.command import AsJson, Workspace, app, naming, opened

proposals_app = typer.Typer(rich_markup_mode=None, context_settings={"max_content_width": 100})
app.add_typer(proposals_app, name="proposals")


@proposals_app.callback(invoke_without_command=True)
def proposals(
    context: typer.Context,
    workspace: Workspace = None,
    every: Annotated[bool, typer.Option("--all", help="Also those decided or withdrawn.")] = False,
    as_json: AsJson = False,
) -> None:
    """List log entries that seem to be missing. They change nothing until you accept them.

    \b
    Examples:
      plateledger proposals -w plant
      plateledger proposals accept 3 -w plant --deed "cleaned in place" --date 2026-02-17
      plateledger proposals reject 3 -w plant --note "nobody was there"
    """
    if context.invoked_subcommand is not None:
        return
    from dataclasses import asdict

    from service.cli.output import note, print_json, say
    from service.store.codec import plain
    from service.usecases.proposing import ProposalState
    from service.usecases.status import stated_proposal

    with opened(workspace) as ledger:
        plant = ledger.plant()
        found = ledger.proposals()
        shown = [k for k in found if every or k.state is ProposalState.OPEN]
        values = [stated_proposal(k, plant) for k in shown]
    if as_json:
        print_json(plain([asdict(v) for v in values]))
        return
    for v in values:
        role = f", {v.role}" if v.role else ""
        say(f"{v.number:>4}  {v.tag}  {v.at.date()}  {v.deed}{role}; {v.state}. {v.text}.")
    if not values:
        note("Nothing is proposed." if not found else "Nothing is open; --all lists the past ones.")


@proposals_app.command()
def accept(
    number: Annotated[int, typer.Argument(help="The proposal's number, as listed.")],
    date: Annotated[str, typer.Option(help="The day, if you know it better.")] = "",
    deed: Annotated[str, typer.Option(help="What was done, if you know it better.")] = "",
    plates_after: Annotated[
        int | None, typer.Option(help="Plates now fitted; needed where plates were changed.")
    ] = None,
    text: Annotated[str, typer.Option("--note", help="Anything else worth keeping.")] = "",
    by: Annotated[str, typer.Option(help="Who accepts it.")] = "",
    workspace: Workspace = None,
) -> None:
    """Enter a proposal in the maintenance log; from then on it is a visit like any other.

    The log is kept in the ledger. maintenance.csv is read into it and never written: what is entered
    here does not appear there, and is not lost when the file is loaded again.

    \b
    Example:
      plateledger proposals accept 3 -w plant --deed "cleaned in place"
    """
    from service.cli.output import note, say

    with opened(workspace) as ledger:
        event = ledger.accept_proposal(
            number, when=date, deed=deed, plates_after=plates_after, note=text, by=by
        )
        zone = ledger.plant().zone
    say(f"{event.tag}: {event.deed}, {event.at_utc.astimezone(zone):%Y-%m-%d}; stored in the log.")
    where = naming(workspace)
    note(
        "It lives in the ledger (plateledger log lists it); maintenance.csv is only read, is not changed, and "
        "need not name it as well."
    )
    note(f"The answer takes it in with: plateledger assess{where}")


@proposals_app.command()
def reject(
    number: Annotated[int, typer.Argument(help="The proposal's number, as listed.")],
    text: Annotated[str, typer.Option("--note", help="Why it was not so.")] = "",
    by: Annotated[str, typer.Option(help="Who rejects it.")] = "",
    workspace: Workspace = None,
) -> None:
    """Say that it was not so: kept, and not proposed again.

    \b
    Example:
      plateledger proposals reject 3 -w plant --note "nobody was there"
    """
    from service.cli.output import say

    with opened(workspace) as ledger:
        kept = ledger.reject_proposal(number, note=text, by=by)
    say(f"{number}: {kept.state}.")
