"""``sender``, ``watch`` and ``listen``: readings that come by themselves."""

import signal
from pathlib import Path
from threading import Event
from typing import TYPE_CHECKING, Annotated

import typer

from service.cli.command import AsJson, Workspace, app, naming, opened

if TYPE_CHECKING:
    from service.usecases.dropping import Taken

sender_app = typer.Typer(
    rich_markup_mode=None, context_settings={"max_content_width": 100}, no_args_is_help=True
)
app.add_typer(sender_app, name="sender")


@sender_app.callback()
def sender() -> None:
    """Programs that may push samples to POST /v1/samples, each with a token of its own.

    The service itself speaks plain HTTP on this machine. For senders elsewhere put a reverse proxy
    with TLS before it, which lets /v1/samples through: a token that goes over an open network in
    plain text is anybody's.

    \b
    Examples:
      plateledger sender add gateway-1 -w plant
      plateledger sender list -w plant
      plateledger sender revoke gateway-1 -w plant
    """


@sender_app.command("add")
def add(
    name: Annotated[str, typer.Argument(help="What you call it.")], workspace: Workspace = None
) -> None:
    """Make a sender and print its token, once; of the token a hash is kept.

    \b
    Example:
      plateledger sender add gateway-1 -w plant
    """
    from service.cli.output import note, say
    from service.usecases.senders import add_sender

    with opened(workspace) as ledger:
        say(add_sender(ledger.store, name))
    note("Keep it now, it is not shown again. Send it as: Authorization: Bearer TOKEN")


@sender_app.command("list")
def list_all(workspace: Workspace = None, as_json: AsJson = False) -> None:
    """List the senders.

    \b
    Example:
      plateledger sender list -w plant
    """
    from service.cli.output import note, print_json, say
    from service.store import senders
    from service.store.codec import plain
    from service.wording import dates

    with opened(workspace) as ledger, ledger.store.reading() as connection:
        found = senders.list_senders(connection)
        zone = ledger.plant().zone
    if as_json:
        print_json([{k: plain(v) for k, v in s.items()} for s in found])
        return
    for s in found:
        made, used, gone = (
            dates.stamp(at, zone) if (at := s[name]) else ""
            for name in ("created_utc", "last_used_utc", "revoked_utc")
        )
        heard = f"heard of {used}" if used else "never heard of"
        say(f"{s['name']}  made {made}, {f'revoked {gone}' if gone else heard}")
    if not found:
        note(f"There is none. Make one: plateledger sender add NAME{naming(workspace)}")


@sender_app.command("revoke")
def revoke(
    name: Annotated[str, typer.Argument(help="The sender.")], workspace: Workspace = None
) -> None:
    """Let a sender's token be good no more. What it sent stays.

    \b
    Example:
      plateledger sender revoke gateway-1 -w plant
    """
    from service.cli.output import say
    from service.usecases.senders import revoke_sender

    with opened(workspace) as ledger:
        revoke_sender(ledger.store, name)
    say(f"{name}: revoked.")


def stopped_by_signal() -> Event:
    stop = Event()
    for name in (signal.SIGINT, signal.SIGTERM):
        signal.signal(name, lambda _number, _frame: stop.set())
    return stop


@app.command()
def watch(
    folder: Annotated[
        Path | None, typer.Argument(help="Folder; without: inbox in the workspace.")
    ] = None,
    every: Annotated[
        float, typer.Option(min=0.2, max=3600.0, help="Seconds between two looks.")
    ] = 5.0,
    once: Annotated[
        bool, typer.Option("--once", help="Take what is there and end, as for a schedule.")
    ] = False,
    workspace: Workspace = None,
) -> None:
    """Import what is dropped into a folder, and move it to done or to refused.

    A file is taken once its size has stood still from one look to the next. Beside a refused one
    lies the reason. What names no exchanger, or leaves a question open, is refused: look at it with
    plateledger import --check. The exchangers concerned are assessed, at most once an hour.

    \b
    Examples:
      plateledger watch -w plant
      plateledger watch /srv/exports -w plant --every 60
      plateledger watch /srv/exports -w plant --once
    """
    from service.cli.output import note
    from service.usecases.dropping import DropFolder

    with opened(workspace, load=True) as ledger:
        drop = DropFolder(folder or ledger.settings.workspace / "inbox", settle_s=every * 0.9)
        drop.prepare()
        stop = stopped_by_signal()
        note(f"{drop.folder}: watched; drop files there (stop with Ctrl-C).")
        drop.sweep(ledger)  # the first look at what is there
        while not stop.wait(every):
            for taken in drop.sweep(ledger):
                _print_taken(taken)
                fresh = {tag for o in taken.outcomes if not o.repeated for tag in o.tags}
                ledger.assess_when_due(sorted(fresh))
            if once:
                break


def _print_taken(taken: "Taken") -> None:
    from service.cli.output import note, say

    for outcome in taken.outcomes:
        said = "was stored before" if outcome.repeated else outcome.account.sentence()
        say(f"{outcome.name}: {said}; {', '.join(outcome.tags)}.")
    if taken.refused is not None:
        note(f"{taken.name}: refused. {taken.refused}")


@app.command()
def listen(workspace: Workspace = None) -> None:
    """Listen to the MQTT broker that the register names, and store what comes.

    Needs the extra of the package: pip install "plateledger[mqtt]". A message is on disk before it
    is acknowledged; while this does not run the broker keeps what comes. The password is taken from
    PLATELEDGER_MQTT_PASSWORD.

    \b
    Example:
      plateledger listen -w plant
    """
    from service.cli.output import note
    from service.register.reading import read_broker
    from service.usecases.listening import Listener

    with opened(workspace, load=True) as ledger:
        settings = ledger.settings
        password = settings.mqtt_password
        listener = Listener(
            ledger,
            read_broker(settings.register_path),
            password=None if password is None else password.get_secret_value(),
            report=note,
        )
        listener.run(stopped_by_signal())
        note("Stopped; what came is stored.")
