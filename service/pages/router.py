"""Addresses of the pages; each handler is in the module of its page."""

from fastapi import APIRouter
from fastapi.responses import HTMLResponse, Response

from service.pages import alerts, archives, confirming, exchanger, home, imports, papers, register
from service.pages.rendering import static_response


def make_router() -> APIRouter:
    """Return the router of all pages; handlers find the ledger in ``app.state.ledger``."""
    router = APIRouter(default_response_class=HTMLResponse, include_in_schema=False)
    router.add_api_route("/", home.show)
    router.add_api_route("/exchangers/{tag}", exchanger.show)
    router.add_api_route("/exchangers/{tag}/now", exchanger.present_part)
    router.add_api_route("/exchangers/{tag}/week.json", exchanger.week_data)
    router.add_api_route("/exchangers/{tag}/document.pdf", papers.pdf)
    router.add_api_route(
        "/exchangers/{tag}/log", exchanger.add_entry, methods=["POST"], response_model=None
    )
    router.add_api_route(
        "/exchangers/{tag}/proposals/{number}", exchanger.decide_proposal, methods=["POST"],
        response_model=None,
    )  # fmt: skip
    router.add_api_route("/alerts", alerts.show)
    router.add_api_route(
        "/alerts/{number}/acknowledge", alerts.acknowledge, methods=["POST"], response_model=None
    )
    router.add_api_route(
        "/alerts/{number}/shelve", alerts.shelve, methods=["POST"], response_model=None
    )
    router.add_api_route("/documents", papers.show)
    router.add_api_route("/documents/{tag}", papers.write, methods=["POST"])
    router.add_api_route("/settings", register.show)
    router.add_api_route(
        "/import/{digest}/mapping", confirming.confirm, methods=["POST"], response_model=None
    )
    router.add_api_route("/import/{digest}/store-all", archives.store_all, methods=["POST"])
    router.add_api_route("/static/{version}/{name}", _static)
    router.add_api_route("/import", imports.show)
    router.add_api_route("/import", imports.receive, methods=["POST"], response_model=None)
    router.add_api_route("/import/runs/{run}", imports.findings)
    router.add_api_route("/import/{digest}", imports.check)
    router.add_api_route(
        "/import/{digest}/store", imports.store, methods=["POST"], response_model=None
    )
    return router


def _static(version: str, name: str) -> Response:
    del version  # it only makes the address change with the file
    return static_response(name)
