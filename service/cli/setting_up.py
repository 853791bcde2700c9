"""``init`` and ``register``: begin a workspace, describe the plant."""

from typing import Annotated

import typer

from service.cli.command import AsJson, Workspace, app, naming, opened, settings_for


@app.command()
def init(
    workspace: Workspace = None,
    print_only: Annotated[
        bool, typer.Option("--print", help="Print the example register; write nothing.")
    ] = False,
) -> None:
    """Begin a workspace: write an example register with every entry explained.

    The exchanger in it, HX-01, is an example: it is there to be replaced by yours.

    \b
    Example:
      plateledger init -w plant
    Then describe your exchangers in plant/plant.toml and load it with plateledger register.
    """
    from service.cli.output import note, say, user_errors
    from service.register.reading import example_register
    from service.usecases.workspace import EXAMPLE, init_workspace

    if print_only:
        say(example_register())
        return
    with user_errors():
        for path in init_workspace(settings_for(workspace)):
            say(str(path))
        named = naming(workspace)
        note(EXAMPLE)
        note(f"Let it read an export first: plateledger import{named} --check trends.csv")
        note(f"Describe the plant there, then load it: plateledger register{named}")


@app.command()
def register(
    workspace: Workspace = None,
    check: Annotated[
        bool, typer.Option("--check", help="Say what is wrong or missing; load nothing.")
    ] = False,
    as_json: AsJson = False,
) -> None:
    """Check plant.toml and maintenance.csv, load them, and list what is taken for granted.

    For each exchanger the defaults are named that stand in for entries left out, and what cannot
    be said without them.

    \b
    Examples:
      plateledger register -w plant
      plateledger register -w plant --check
    """
    from service.cli.output import note, print_json, say, user_errors
    from service.usecases.workspace import EXAMPLE, check_register, is_example

    if check:
        with user_errors():
            plant = check_register(settings_for(workspace))
        summary = {"loaded": False, "new": [], "gone": [], "log_entries_added": 0}
    else:
        with opened(workspace, load=None) as ledger:
            done = ledger.load_register()
        plant = done.plant
        summary = {
            "loaded": True,
            "new": list(done.new_tags),
            "gone": list(done.gone_tags),
            "log_entries_added": done.new_log_entries,
        }
    if as_json:
        tags = [e.tag for e in plant.exchangers]
        notes = {t: list(plant.notes.get(t, ())) for t in tags}
        print_json({"plant": plant.name, "exchangers": tags, "notes": notes, **summary})
        return
    count = len(plant.exchangers)
    say(f"{plant.name}: {count} exchanger{'' if count == 1 else 's'}, times in {plant.zone.key}.")
    for exchanger in plant.exchangers:
        notes_of = plant.notes.get(exchanger.tag, ())
        say(f"{exchanger.tag}: {'nothing is taken for granted.' if not notes_of else ''}".rstrip())
        for text in notes_of:
            say(f"  - {text}")
    if check:
        note("Nothing is wrong with it. Nothing was loaded.")
    else:
        if done.gone_tags:
            note(f"Not in the register any more, readings kept: {', '.join(done.gone_tags)}.")
        fresh = f"new: {', '.join(done.new_tags)}" if done.new_tags else "no new exchanger"
        entries = "entry" if done.new_log_entries == 1 else "entries"
        note(f"Loaded, {fresh}; {done.new_log_entries} new {entries} in the maintenance log.")
    if is_example(settings_for(workspace)):
        note(EXAMPLE)
