"""Templates, static files and the frame around every page.

Lives here: what all pages share. Not here: what any one page says.
"""

import hashlib
import re
from datetime import datetime
from functools import cache
from importlib.resources import files
from typing import Any

import jinja2
from fastapi import Request
from fastapi.responses import HTMLResponse, Response
from markupsafe import Markup, escape
from plotly.offline import get_plotlyjs, get_plotlyjs_version

from analytics.vocabulary.errors import PlateledgerError
from service.charts.drawing import Chart
from service.register.plant import Plant
from service.usecases.ledger import Ledger
from service.wording import dates

PAGES: tuple[tuple[str, str], ...] = (
    ("/", "Exchangers"),
    ("/alerts", "Alerts"),
    ("/import", "Import"),
    ("/documents", "Documents"),
    ("/settings", "Settings"),
)
_STATIC = files("service.pages") / "static"
_TYPES = {"css": "text/css; charset=utf-8", "js": "text/javascript; charset=utf-8"}
_KEPT_A_YEAR = "public, max-age=31536000, immutable"
_RANGE = re.compile(r"(?<=\S)–(?=\S)")


def keep(text: object) -> Markup:
    """Escape ``text`` and keep its ranges on one line: no break behind an en dash."""
    return Markup(_RANGE.sub("–\u2060", str(escape(text))))


def _drawing(chart: Chart | None) -> Markup:
    """Let a drawing of our own stand as it is: its writer escapes every text."""
    return Markup(chart.svg) if chart is not None else Markup("")


@cache
def _environment() -> jinja2.Environment:
    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("service.pages"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["keep"] = keep
    environment.filters["drawing"] = _drawing
    environment.globals["static"] = static_url
    return environment


@cache
def _static_bytes(name: str) -> bytes | None:
    if name == "plotly.min.js":
        return bytes(get_plotlyjs(), "utf-8")
    known = {entry.name for entry in _STATIC.iterdir()}
    return (_STATIC / name).read_bytes() if name in known else None


@cache
def static_url(name: str) -> str:
    """Return the address of a static file; it changes with the file, so browsers may keep it."""
    if name == "plotly.min.js":
        return f"/static/{get_plotlyjs_version()}/{name}"
    data = _static_bytes(name)
    if data is None:
        raise KeyError(f"static file {name!r} is not packaged.")
    return f"/static/{hashlib.sha256(data).hexdigest()[:12]}/{name}"


def static_response(name: str) -> Response:
    """Return a packaged static file, or 404."""
    data = _static_bytes(name)
    kind = _TYPES.get(name.rsplit(".", 1)[-1])
    if data is None or kind is None:
        return Response("There is no such file.", status_code=404, media_type="text/plain")
    return Response(data, media_type=kind, headers={"Cache-Control": _KEPT_A_YEAR})


def ledger_of(request: Request) -> Ledger:
    """Return the plant's ledger."""
    ledger: Ledger = request.app.state.ledger
    return ledger


def now(request: Request) -> datetime:
    """Return the present moment; the ledger's clock is the only one of the pages."""
    return ledger_of(request).now()


def plant_or_none(request: Request) -> Plant | None:
    """Return the plant, or ``None`` while no register is there; then the pages say so."""
    try:
        return ledger_of(request).plant()
    except PlateledgerError:
        return None


def render(template: str, *, status: int = 200, **context: Any) -> HTMLResponse:
    """Render a template into a response."""
    html = _environment().get_template(template).render(pages=PAGES, **context)
    return HTMLResponse(html, status_code=status, headers={"Cache-Control": "no-store"})


def page(
    request: Request, template: str, *, title: str, status: int = 200, **context: Any
) -> HTMLResponse:
    """Render a page inside the frame that all pages share."""
    plant = plant_or_none(request)
    return render(
        template,
        status=status,
        title=title,
        current=_section(request.url.path),
        where=_where(plant, context.get("through_utc"), now(request)),
        **context,
    )


def _section(path: str) -> str:
    inner = [address for address, _ in PAGES if address != "/" and path.startswith(address)]
    return inner[0] if inner else "/"


def _where(plant: Plant | None, through_utc: datetime | None, now_utc: datetime) -> tuple[str, str]:
    if plant is None:
        return ("", "no plant registered yet")
    if through_utc is None:
        return (plant.name, dates.weekday(now_utc, plant.zone))
    at, today = (t.astimezone(plant.zone) for t in (through_utc, now_utc))
    if at.date() == today.date():
        to = dates.clock(at, plant.zone)
        return (plant.name, f"{dates.weekday(today, plant.zone)}, data to {to}")
    day, to = (dates.short_day(t, plant.zone, year=True) for t in (today, at))
    return (plant.name, f"{day}, data to {to}")


def message_page(
    request: Request, heading: str, text: str, *, status: int = 200,
    action: tuple[str, str] | None = None,
) -> HTMLResponse:  # fmt: skip
    """Return a page that says one thing: what is missing or wrong, and what to do."""
    return page(
        request,
        "message.html",
        title=heading,
        status=status,
        heading=heading,
        text=text,
        action=action,
    )
