"""``log``: what was done to the exchangers."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from service.cli.command import AsJson, Workspace, app, naming, opened

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import tzinfo

    from analytics.vocabulary.records import MaintenanceEvent
    from service.usecases.ledger import Ledger


@app.command("log")
def log_entry(
    tag: Annotated[str | None, typer.Argument(help="The exchanger; alone: list its log.")] = None,
    date: Annotated[
        str | None, typer.Argument(help="2026-03-02, or '2026-03-02 09:30' in the site's zone.")
    ] = None,
    deed: Annotated[
        str | None,
        typer.Argument(
            help="cleaned in place, opened and cleaned, gaskets changed, plates changed, "
            "meter changed, thermometer calibrated, strainer rinsed or other."
        ),
    ] = None,
    role: Annotated[
        str | None, typer.Option(help="The instrument that was touched, by its role.")
    ] = None,
    plates_after: Annotated[
        int | None, typer.Option(help="Plates now fitted; needed where plates were changed.")
    ] = None,
    text: Annotated[str, typer.Option("--note", help="Anything else worth keeping.")] = "",
    file: Annotated[
        Path | None,
        typer.Option(help="Take entries from a CSV file with the columns of maintenance.csv."),
    ] = None,
    remove: Annotated[
        bool, typer.Option("--remove", help="Take this entry out of the log.")
    ] = False,
    workspace: Workspace = None,
    as_json: AsJson = False,
) -> None:
    """Log a visit, list the log, or take an entry out. An entry that stands there already is not doubled.

    The log is kept in the ledger. The lines of maintenance.csv are added to it whenever the register
    is loaded, each once; the file itself is never written. A line that is changed or deleted there
    leaves its former entry in the log: take that out with --remove.

    \b
    Examples:
      plateledger log HX-03 2026-03-02 "cleaned in place" --note "very scaled"
      plateledger log HX-03 2026-03-02 "plates changed" --plates-after 72
      plateledger log HX-03
      plateledger log HX-03 2026-03-02 "cleaned in place" --remove
      plateledger log --file visits.csv
    """
    from datetime import UTC, datetime

    from analytics.vocabulary.errors import RegisterError
    from service.cli.output import WRONG_USE, fail, note, say
    from service.register.maintenance import entry, read_maintenance
    from service.register.reading import exchanger_of
    from service.wording import dates

    with opened(workspace, load=True) as ledger:
        plant = ledger.plant()
        if file is not None:
            if not file.exists():
                raise RegisterError(f"{file}: no such file. Check the path.")
            events = read_maintenance(file, plant, now_utc=datetime.now(UTC))
            added = ledger.add_events(events)
            say(f"{added} of {len(events)} entries are new and stored.")
            if added:
                note(f"The answers take them in with: plateledger assess{naming(workspace)}")
            return
        if tag is not None and date is not None and deed is not None:
            event = entry(
                plant,
                tag=tag,
                when=date,
                deed=deed,
                role=role,
                plates_after=plates_after,
                note=text,
                now_utc=datetime.now(UTC),
            )
            if remove:
                _remove(ledger, event, workspace)
                return
            new = ledger.add_event(event)
            say(
                f"{event.tag}: {event.deed}, {dates.stamp(event.at_utc, plant.zone)}; "
                + ("stored." if new else "stands there already.")
            )
            if new:
                note(f"The answer takes it in with: plateledger assess{naming(workspace)}")
            return
        if date is not None or remove:
            fail(
                'A log entry needs TAG DATE DEED, as in: HX-03 2026-03-02 "cleaned in place"',
                WRONG_USE,
            )
        chosen = None if tag is None else exchanger_of(plant, tag).tag
        _list(ledger.events(chosen), plant.zone, as_json=as_json)


def _remove(ledger: "Ledger", event: "MaintenanceEvent", workspace: Path | None) -> None:
    from service.cli.output import fail, note, say
    from service.register.maintenance import read_maintenance
    from service.store.log import is_same_entry

    plant, path = ledger.plant(), ledger.settings.maintenance_path
    said = f"{event.tag}: {event.deed}, {event.at_utc.astimezone(plant.zone):%Y-%m-%d}"
    if any(is_same_entry(event, line, plant.zone) for line in read_maintenance(path, plant)):
        fail(
            f"{said}: stands in {path.name}, which would bring it back. Delete its line there first."
        )
    if not ledger.remove_event(event):
        fail(f"{said}: is not in the log. See: plateledger log {event.tag}{naming(workspace)}")
    say(f"{said}; taken out of the log.")
    note(f"The answer does without it after: plateledger assess{naming(workspace)}")


def _list(events: "Sequence[MaintenanceEvent]", zone: "tzinfo", *, as_json: bool) -> None:
    from service.cli.output import note, print_json, say
    from service.store.codec import plain
    from service.wording import dates

    if as_json:
        print_json(plain(events))
        return
    if not events:
        note("The log is empty.")
    for e in events:
        details = [e.role or "", f"{e.plates_after} plates" if e.plates_after else "", e.note]
        said = [e.tag, dates.stamp(e.at_utc, zone), str(e.deed), *(d for d in details if d)]
        say("  ".join(said))
