"""``serve`` and ``demo``: the pages in a browser."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from service.cli.command import Workspace, app, opened, settings_for

if TYPE_CHECKING:
    from service.settings import Settings

Port = Annotated[
    int | None,
    typer.Option(min=0, max=65535, help="Port; without: 8420. 0: any that is free."),
]


@app.command()
def serve(
    workspace: Workspace = None,
    host: Annotated[str | None, typer.Option(help="Address; without: 127.0.0.1.")] = None,
    port: Port = None,
) -> None:
    """Show the ledger in a browser, and serve its JSON under /v1.

    There are no accounts: whoever reaches the address may read and write. It is this machine's own
    unless you choose another. For other names than localhost set PLATELEDGER_ALLOWED_HOSTS.

    \b
    Example:
      plateledger serve -w plant --port 8420
    """
    with opened(workspace, load=True, host=host, port=port) as ledger:
        settings = ledger.settings
    serve_pages(settings)


@app.command()
def demo(
    workspace: Annotated[
        Path, typer.Option("--workspace", "-w", help="Folder to make it in.")
    ] = Path("demo-plant"),
    no_serve: Annotated[
        bool, typer.Option("--no-serve", help="Print the answer and end; serve no pages.")
    ] = False,
    port: Port = None,
) -> None:
    """Make a made-up plant with a year of trends, assess it, and show what comes out.

    \b
    Examples:
      plateledger demo
      plateledger demo --no-serve --workspace look
    """
    from service.cli.answers import print_ranking
    from service.cli.output import note, progress, user_errors
    from service.usecases.demo import prepare_demo, run_demo
    from service.usecases.ledger import Ledger
    from service.wording.dates import long_day

    with user_errors():
        settings = settings_for(workspace, port=port)
        trend_files = prepare_demo(settings)
        ledger = Ledger.open(settings)
        try:
            with progress() as report:
                outcome = run_demo(ledger, trend_files, progress=report)
            for text in outcome.assessed.failed.values():
                note(text)
            print_ranking(ledger, settings.workspace)
            through = max(e.through_utc for e in ledger.evaluations())
            day = long_day(through, ledger.plant().zone)
            note(
                f"The plant is made up and its readings end on {day}: what it says holds for that day."
            )
            if outcome.document is not None:
                note(f"Cleaning document: {outcome.document}")
        finally:
            ledger.close()
        if outcome.assessed.failed:
            raise typer.Exit(1)
    if no_serve:
        note(f"To see it in a browser: plateledger serve -w {workspace}")
    else:
        serve_pages(settings)


def serve_pages(settings: "Settings") -> None:
    """Serve until the user stops it."""
    import socket

    import uvicorn

    from service.app import create_app
    from service.cli.output import fail, note

    family = socket.AF_INET6 if ":" in settings.host else socket.AF_INET
    listener = socket.socket(family, socket.SOCK_STREAM)
    listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listener.bind((settings.host, settings.port))
    except OSError as exc:
        listener.close()
        fail(
            f"{settings.host}:{settings.port}: cannot be served at, {exc.strerror}. "
            "Choose another --port."
        )
    shown = f"[{settings.host}]" if family == socket.AF_INET6 else settings.host
    note(f"http://{shown}:{listener.getsockname()[1]}/  (stop with Ctrl-C)")
    server = uvicorn.Server(uvicorn.Config(create_app(settings), log_level="warning"))
    try:
        server.run(sockets=[listener])
    except KeyboardInterrupt:
        note("Stopped.")
    finally:
        listener.close()
