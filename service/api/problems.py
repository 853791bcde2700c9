"""Every error of the API as ``application/problem+json`` (RFC 9457), in one place."""

import logging
from collections.abc import Callable
from http import HTTPStatus
from typing import Any

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse, Response
from starlette.exceptions import HTTPException

from analytics.vocabulary.errors import (
    EvaluationError,
    IngestError,
    PlateledgerError,
    RegisterError,
)
from service.api import VERSION_PREFIX
from service.store.store import StoreError
from service.usecases.samples import BatchConflict

_LOG = logging.getLogger(__name__)
MEDIA_TYPE = "application/problem+json"
# The first that fits counts; an error of ours that is not named is the caller's to put right.
_STATUS: tuple[tuple[type[PlateledgerError], int], ...] = (
    (StoreError, 503),
    (EvaluationError, 409),
    (BatchConflict, 409),
    (IngestError, 422),
    (RegisterError, 422),
    (PlateledgerError, 400),
)


class NotFound(PlateledgerError):
    """What was asked for is not in this ledger."""


def problem(
    request: Request, status: int, detail: str, headers: dict[str, str] | None = None, **more: Any
) -> JSONResponse:
    """Return a problem document."""
    return JSONResponse(
        {
            "type": "about:blank",
            "title": HTTPStatus(status).phrase,
            "status": status,
            "detail": detail,
            "instance": request.url.path,
            **more,
        },
        status_code=status,
        media_type=MEDIA_TYPE,
        headers=headers,
    )


def is_api(request: Request) -> bool:
    """Tell whether a request is for the API and not for a page."""
    path = request.url.path
    return path == VERSION_PREFIX or path.startswith(VERSION_PREFIX + "/")


ErrorPage = Callable[[Request, int, str], Response]


def add_handlers(app: FastAPI, *, page: ErrorPage) -> None:
    """Answer every error: of the API as a problem document, elsewhere as ``page`` says."""

    def answer(request: Request, status: int, detail: str, **more: Any) -> Response:
        if is_api(request):
            return problem(request, status, detail, **more)
        return page(request, status, detail)

    @app.exception_handler(PlateledgerError)
    async def _ours(request: Request, exc: PlateledgerError) -> Response:
        if isinstance(exc, NotFound):
            return answer(request, 404, str(exc))
        status = next(s for kind, s in _STATUS if isinstance(exc, kind))
        return answer(request, status, str(exc))

    @app.exception_handler(RequestValidationError)
    async def _invalid(request: Request, exc: RequestValidationError) -> Response:
        errors = [
            {
                "where": ".".join(str(p) for p in e["loc"]),
                "what": e["msg"],
                "got": None if isinstance(e.get("input"), dict | bytes) else str(e.get("input")),
            }
            for e in exc.errors()
        ]
        first = errors[0]
        return answer(
            request, 422, f"{first['where']}: {first['what']}, got {first['got']!r}.", errors=errors
        )

    @app.exception_handler(HTTPException)
    async def _http(request: Request, exc: HTTPException) -> Response:
        headers = dict(exc.headers) if exc.headers else None
        return answer(request, exc.status_code, str(exc.detail), headers=headers)

    @app.exception_handler(Exception)
    async def _fault(request: Request, exc: Exception) -> Response:
        _LOG.error("%s %s failed", request.method, request.url.path, exc_info=exc)
        return answer(request, 500, "A fault of the program; its log says more.")
