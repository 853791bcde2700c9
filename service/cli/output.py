"""What the command prints: answers on standard output, everything else on standard error.

JSON stands alone on standard output, so that it can be piped. Progress is drawn on a terminal only,
and only once something takes longer than two seconds.
"""

import json
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from time import monotonic
from typing import Any, NoReturn

import typer
from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn

from analytics.vocabulary.errors import PlateledgerError
from service.usecases.progress import Progress as Report

_PATIENCE_S = 2.0
# Piped output must not depend on the width of a terminal that is not there.
_PLAIN_WIDTH = 200

FAILED = 1
WRONG_USE = 2


def console() -> Console:
    """Return the console of answers."""
    if sys.stdout.isatty():
        return Console(highlight=False)
    return Console(highlight=False, width=_PLAIN_WIDTH, color_system=None)


def say(text: str) -> None:
    """Print a line of an answer."""
    typer.echo(text)


def note(text: str) -> None:
    """Print a line that is no answer."""
    typer.echo(text, err=True)


def print_json(value: Any) -> None:
    """Print plain values as JSON."""
    typer.echo(json.dumps(value, indent=2, ensure_ascii=False, allow_nan=False))


def fail(text: str, status: int = FAILED) -> NoReturn:
    """Print what is wrong and end."""
    note(text)
    raise typer.Exit(status)


@contextmanager
def user_errors() -> Iterator[None]:
    """Turn errors that the user can put right into a sentence and a status; no traceback."""
    try:
        yield
    except PlateledgerError as exc:
        fail(str(exc))
    except KeyboardInterrupt:
        fail("Stopped. What was finished is stored; nothing is stored by half.", 130)
    except BrokenPipeError:
        # the reader of a pipe has enough
        sys.stderr.close()
        raise typer.Exit(0) from None


@contextmanager
def progress() -> Iterator[Report]:
    """Give a function that reports progress on standard error."""
    screen = Console(stderr=True)
    if not screen.is_terminal:
        yield lambda _what, _done, _total: None
        return
    bar = Progress(
        TextColumn("{task.description}"),
        BarColumn(),
        MofNCompleteColumn(),
        TimeElapsedColumn(),
        console=screen,
        transient=True,
    )
    began = monotonic()
    task = bar.add_task("", total=None)

    def report(what: str, done: int, total: int) -> None:
        bar.update(task, description=what, completed=done, total=total)
        if not bar.live.is_started and (monotonic() - began > _PATIENCE_S or total > 1):
            bar.start()

    try:
        yield report
    finally:
        bar.stop()
