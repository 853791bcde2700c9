"""The page that describes the API, written from its OpenAPI description; it loads nothing from elsewhere."""

from dataclasses import dataclass
from typing import Any

from fastapi import Request
from fastapi.responses import HTMLResponse

from service.pages.rendering import page

_METHODS = ("get", "post", "put", "patch", "delete")


@dataclass(frozen=True, slots=True, kw_only=True)
class Operation:
    """One request that the API answers."""

    method: str
    path: str
    subject: str
    summary: str
    text: str
    parameters: tuple[tuple[str, str, str], ...]  # name, where it stands, what it means
    bodies: tuple[str, ...]  # media types that it takes
    answers: tuple[tuple[str, str], ...]  # status and what it says


def show(request: Request) -> HTMLResponse:
    """Answer with all requests of the API."""
    described = request.app.openapi()
    found = operations(described)
    everywhere = set.intersection(*(set(o.answers) for o in found))
    return page(
        request,
        "description.html",
        title="The API",
        count=len(found),
        subjects=by_subject(described, found),
        common=sorted(everywhere),
        address=request.app.openapi_url,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Subject:
    """Requests about one thing."""

    name: str
    text: str
    operations: tuple[Operation, ...]


def by_subject(description: dict[str, Any], found: tuple[Operation, ...]) -> tuple[Subject, ...]:
    """Return the operations under their tags, in the order in which the description lists these."""
    return tuple(
        Subject(
            name=tag["name"],
            text=tag.get("description", ""),
            operations=tuple(o for o in found if o.subject == tag["name"]),
        )
        for tag in description.get("tags", ())
    )


def operations(description: dict[str, Any]) -> tuple[Operation, ...]:
    """Return the operations of an OpenAPI description in its order."""
    return tuple(
        _operation(method, path, item[method])
        for path, item in description["paths"].items()
        for method in _METHODS
        if method in item
    )


def _operation(method: str, path: str, found: dict[str, Any]) -> Operation:
    return Operation(
        method=method.upper(),
        path=path,
        subject=found.get("tags", ("",))[0],
        summary=found.get("summary", ""),
        text=found.get("description", ""),
        parameters=tuple(
            (p["name"], p["in"], p.get("description", "")) for p in found.get("parameters", ())
        ),
        bodies=tuple(found.get("requestBody", {}).get("content", ())),
        answers=tuple((s, a.get("description", "")) for s, a in found.get("responses", {}).items()),
    )
