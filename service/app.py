"""Put the application together: ledger, API, pages, and who may ask."""

from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from http import HTTPStatus
from urllib.parse import urlsplit

from fastapi import FastAPI, Request, Response
from starlette.middleware.gzip import GZipMiddleware
from starlette.middleware.trustedhost import TrustedHostMiddleware

from service.api import VERSION_PREFIX, problems
from service.api.router import router
from service.api.subjects import openapi_tags
from service.pages import description
from service.pages.rendering import message_page
from service.pages.router import make_router
from service.settings import Settings
from service.usecases.ledger import Ledger

_READING = ("GET", "HEAD", "OPTIONS")


def create_app(settings: Settings) -> FastAPI:
    """Return the application for one workspace.

    ``app.state.ledger`` is the ledger and ``app.state.settings`` the settings, for all routes.

    Raises
    ------
    StoreError
        If the database cannot be opened.
    """
    ledger = Ledger.open(settings)

    @asynccontextmanager
    async def lifespan(_app: FastAPI) -> AsyncIterator[None]:
        yield
        ledger.close()

    app = FastAPI(
        title="plateledger",
        summary="A running account of plate heat exchangers.",
        version="1",
        openapi_tags=openapi_tags(),
        openapi_url=f"{VERSION_PREFIX}/openapi.json",
        # the usual pages of documentation load scripts from elsewhere; ours is among the pages
        docs_url=None,
        redoc_url=None,
        lifespan=lifespan,
    )
    app.state.settings = settings
    app.state.ledger = ledger
    app.include_router(router)
    app.include_router(make_router())
    app.add_api_route(f"{VERSION_PREFIX}/docs", description.show, include_in_schema=False)
    problems.add_handlers(app, page=_error_page)
    app.middleware("http")(_refuse_writes_from_elsewhere)
    app.add_middleware(GZipMiddleware, minimum_size=2000)
    app.add_middleware(TrustedHostMiddleware, allowed_hosts=[*_hosts(settings)])
    return app


def _error_page(request: Request, status: int, detail: str) -> Response:
    """Answer an error on a page as a page."""
    title = HTTPStatus(status).phrase if status != 404 else "There is no such page."
    return message_page(request, title, detail, status=status)


def _hosts(settings: Settings) -> tuple[str, ...]:
    """Names a browser may use: a page elsewhere that points its own name here is refused."""
    named = () if settings.host in ("0.0.0.0", "::") else (settings.host,)
    return tuple(dict.fromkeys((*settings.allowed_hosts, *named)))


async def _refuse_writes_from_elsewhere(
    request: Request, call_next: Callable[[Request], Awaitable[Response]]
) -> Response:
    """Refuse a write that a page of another site makes a browser send."""
    if request.method not in _READING and not _is_same_origin(request):
        return problems.problem(
            request, 403, "This write was asked for by a page of another site. Use the pages here."
        )
    return await call_next(request)


def _is_same_origin(request: Request) -> bool:
    """A browser says whence a request comes; a program that is no browser says nothing."""
    site = request.headers.get("sec-fetch-site")
    if site is not None and site not in ("same-origin", "none"):
        return False
    origin = request.headers.get("origin")
    return origin is None or urlsplit(origin).netloc == request.headers.get("host")
