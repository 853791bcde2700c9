"""``bacnet fetch`` and ``bacnet follow``: trend logs read from devices."""

from typing import TYPE_CHECKING

import typer

from service.cli.command import AsJson, Workspace, app, opened
from service.cli.receiving import stopped_by_signal

if TYPE_CHECKING:
    from service.usecases.bacnet import LogOutcome
    from service.usecases.ledger import Ledger

bacnet_app = typer.Typer(
    rich_markup_mode=None, context_settings={"max_content_width": 100}, no_args_is_help=True
)
app.add_typer(bacnet_app, name="bacnet")


@bacnet_app.callback()
def bacnet() -> None:
    """Read the trend logs of BACnet devices that the register names under [bacnet].

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
    """Read what the logs hold beyond what was read before, and end.

    \b
    Example:
      plateledger bacnet fetch -w plant
    """
    from service.cli.output import print_json
    from service.store.codec import plain

    with opened(workspace, load=True) as ledger:
        outcomes = _fetch(ledger, quiet=as_json)
        if as_json:
            print_json(plain(outcomes))
    if any(o.failed for o in outcomes):
        raise typer.Exit(1)


@bacnet_app.command("follow")
def follow(workspace: Workspace = None) -> None:
    """Read the logs again and again, as often as the register says, until stopped.

    \b
    Example:
      plateledger bacnet follow -w plant
    """
    from service.cli.output import note
    from service.register.reading import read_bacnet

    with opened(workspace, load=True) as ledger:
        every_s = read_bacnet(ledger.settings.register_path).every_s
        stop = stopped_by_signal()
        while True:
            outcomes = _fetch(ledger, quiet=False)
            ledger.assess_when_due(sorted({t for o in outcomes for t in o.tags}))
            if stop.wait(every_s):
                break
        note("Stopped; what was read is stored.")


def _fetch(ledger: "Ledger", *, quiet: bool) -> "tuple[LogOutcome, ...]":
    from service.cli.output import note, say
    from service.register.reading import read_bacnet
    from service.usecases.bacnet import fetch, sentence

    outcomes = fetch(ledger.store, read_bacnet(ledger.settings.register_path))
    for outcome in () if quiet else outcomes:
        (say if outcome.failed is None else note)(sentence(outcome))
    return outcomes
