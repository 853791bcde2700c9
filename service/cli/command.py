"""The command's entry and what its parts share.

Start-up is kept short: this module and those of the parts import little; what a command needs is
imported when it runs.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from service.settings import Settings
    from service.usecases.ledger import Ledger

app = typer.Typer(
    name="plateledger",
    help=(
        "A running account of plate heat exchangers, kept from the trends that a "
        "building-management system logs.\n\n"
        "\b\n"
        "To look at a made-up plant:     plateledger demo\n"
        "To begin with a plant of yours: plateledger init -w plant\n"
        "                                (describe it in plant/plant.toml)\n"
        "                                plateledger import -w plant trends/*.csv\n"
        "                                plateledger assess -w plant\n"
        "                                plateledger status -w plant\n"
        "                                plateledger serve -w plant"
    ),
    epilog=(
        "Every setting may be given in the environment as well: PLATELEDGER_WORKSPACE, "
        "PLATELEDGER_DATABASE_URL (a PostgreSQL database in place of the file), PLATELEDGER_HOST, "
        "PLATELEDGER_PORT, PLATELEDGER_ALLOWED_HOSTS, PLATELEDGER_WORKERS."
    ),
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    add_completion=True,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
)

Workspace = Annotated[
    Path | None,
    typer.Option(
        "--workspace",
        "-w",
        help="Folder with plant.toml, the ledger and the documents; without: the current one.",
        show_default=False,
    ),
]
AsJson = Annotated[bool, typer.Option("--json", help="Print JSON, and nothing else.")]


def naming(workspace: Path | None) -> str:
    """Return the option that names the workspace, as it goes into a command that is printed."""
    from shlex import quote

    return "" if workspace is None else f" -w {quote(str(workspace))}"


def settings_for(workspace: Path | None, **changes: object) -> "Settings":
    """Return the settings, of the environment where no option was given."""
    from pydantic import ValidationError

    from service.cli.output import WRONG_USE, fail
    from service.settings import Settings

    given = {k: v for k, v in {"workspace": workspace, **changes}.items() if v is not None}
    try:
        return Settings(**given)  # type: ignore[arg-type]
    except ValidationError as exc:
        first = exc.errors(include_url=False)[0]
        name = ".".join(str(p) for p in first["loc"])
        fail(f"setting {name}: {first['msg']}, got {first['input']!r}.", WRONG_USE)


@contextmanager
def opened(
    workspace: Path | None, *, load: bool | None = False, **changes: object
) -> Iterator["Ledger"]:
    """Open the ledger of a workspace and close it at the end; errors end as sentences.

    ``load``: take over register and log as they are in the workspace's files now; ``None``: not even
    into an empty ledger, as the caller does it and tells what is new, or only checks. Without a register file the ledger's own copy serves, so that a second machine needs the database alone.
    """
    from service.cli.output import user_errors
    from service.usecases.ledger import Ledger

    with user_errors():
        settings = settings_for(workspace, **changes)
        _require_ledger(settings)
        ledger = Ledger.open(settings)
        try:
            due = load or (load is False and not ledger.is_registered())
            if due and settings.register_path.exists():
                ledger.load_register()
            yield ledger
        finally:
            ledger.close()


def _require_ledger(settings: "Settings") -> None:
    """An empty ledger is not made in whatever folder the command happens to be called in."""
    from analytics.vocabulary.errors import RegisterError

    known = settings.register_path.exists() or (settings.workspace / "ledger.sqlite").exists()
    if not known and settings.database_url is None:
        raise RegisterError(
            f"{settings.workspace}: no plant.toml there. Name the folder with --workspace, or begin "
            "one with: plateledger init"
        )


def main() -> None:
    """Run the command."""
    # the parts add their commands to ``app`` when they are imported
    from service.cli import (  # noqa: F401
        answers,
        bacnet,
        data,
        maintenance,
        proposals,
        receiving,
        rereading,
        serving,
        setting_up,
    )

    app(prog_name="plateledger")
