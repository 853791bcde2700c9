"""``bacnet fetch`` and ``bacnet follow``: trend logs and present values read from devices."""

import typer

from service.cli.command import AsJson, Workspace, app, opened
from service.cli.receiving import stopped_by_signal

bacnet_app = typer.Typer(
    rich_markup_mode=None, context_settings={"max_content_width": 100}, no_args_is_help=True
)
app.add_typer(bacnet_app, name="bacnet")


@bacnet_app.callback()
def bacnet() -> None:
    """Read the trend logs and values of BACnet devices that the register names under [bacnet].

    Needs the extra of the package: pip install "plateledger[bacnet]". Devices are only read: nothing
    is written to them, and a write to this node is refused. BACnet/IP has no protection of its own:
    run it on the building's own network, from one configured address.

    \b
    Examples:
      plateledger bacnet fetch -w plant
      plateledger bacnet follow -w plant
    """


@bacnet_app.command("fetch")
def fetch_once(workspace: Workspace = None, as_json: AsJson = False) -> None:
    """Read what the logs hold beyond what was read before, and the values of now, and end.

    \b
    Example:
      plateledger bacnet fetch -w plant
    """
    from service.cli.output import note, print_json, say
    from service.register.reading import read_bacnet
    from service.store.codec import plain
    from service.usecases.bacnet import fetch, sentence
    from service.usecases.bacnet_following import ask_once

    with opened(workspace, load=True) as ledger:
        network = read_bacnet(ledger.settings.register_path)
        outcomes = fetch(ledger.store, network)
        if as_json:
            print_json(plain(outcomes))
        for outcome in () if as_json else outcomes:
            (say if outcome.failed is None else note)(sentence(outcome))
        silent = ask_once(ledger, network, note if as_json else say) if network.values else ()
    if silent or any(o.failed for o in outcomes):
        raise typer.Exit(1)


@bacnet_app.command("follow")
def follow(workspace: Workspace = None) -> None:
    """Read the logs, and ask for the values, as often as the register says, until stopped.

    A value is on disk as soon as it was read, and stored when the logs are. A device that does not
    answer leaves a gap, and is asked more and more seldom, at least once an hour.

    \b
    Example:
      plateledger bacnet follow -w plant
    """
    from service.cli.output import note
    from service.register.reading import read_bacnet
    from service.usecases import bacnet_following

    with opened(workspace, load=True) as ledger:
        network = read_bacnet(ledger.settings.register_path)
        bacnet_following.follow(ledger, network, stopped_by_signal(), note)
        note("Stopped; what was read is stored.")
