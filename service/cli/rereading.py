"""``reread``: the kept originals again, with the register as it is now."""

from typing import Annotated

import typer

from service.cli.command import AsJson, Workspace, app, naming, opened


@app.command("reread")
def reread_originals(
    accept: Annotated[
        bool,
        typer.Option("--accept", help="Where a question is open, take it as a check shows it."),
    ] = False,
    workspace: Workspace = None,
    as_json: AsJson = False,
) -> None:
    """Read all kept files again after a point, a unit or the zone was corrected in plant.toml.

    The bytes of every import are kept. What was stored under the old register goes, and each file is
    read anew, with the answers that were given when it was imported. All of it, or nothing.

    \b
    Example:
      plateledger reread -w plant
    """
    from service.cli.output import note, print_json, progress, say
    from service.store.codec import plain

    with opened(workspace, load=True) as ledger, progress() as report:
        done = ledger.reread(accept=accept, progress=report)
    if as_json:
        print_json(plain(done))
        return
    say(
        f"{done.files} files read again: {done.values_now:,} values stored in place of "
        f"{done.values_before:,}."
    )
    note(f"The answers take it in with: plateledger assess{naming(workspace)}")
