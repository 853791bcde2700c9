"""First page and exchanger page in a real browser: no error, no request to another host."""

import os
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
import uvicorn
from playwright.sync_api import Page, sync_playwright

from tests.service import made_up
from tests.service.test_pages import MadeUpLedger, app_of

CHROMIUM = Path(os.environ.get("PLATELEDGER_CHROMIUM", "/usr/bin/chromium"))
STRICT = bool(os.environ.get("PLATELEDGER_TEST_STRICT"))
pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def address() -> Iterator[str]:
    """Serve the pages from memory at a free port."""
    ledger = MadeUpLedger(list(made_up.every_case().values()), made_up.whole_plant())
    server = uvicorn.Server(uvicorn.Config(app_of(ledger), port=0, log_level="error", ws="none"))
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    for _ in range(200):
        if server.started:
            break
        time.sleep(0.05)
    port = server.servers[0].sockets[0].getsockname()[1]
    yield f"http://127.0.0.1:{port}"
    server.should_exit = True
    thread.join(timeout=10)


@pytest.fixture(scope="module")
def page() -> Iterator[Page]:
    """Open a browser; without one the tests stand aside, unless the run is a strict one."""
    if not CHROMIUM.exists() and not STRICT:
        pytest.skip(f"no browser at {CHROMIUM}")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=str(CHROMIUM), args=["--no-sandbox", "--disable-gpu"]
        )
        yield browser.new_page(viewport={"width": 1440, "height": 900})
        browser.close()


def watched(page: Page, address: str, path: str) -> tuple[list[str], list[str]]:
    """Open a page and return what it complained of and what it asked of other hosts."""
    complaints: list[str] = []
    elsewhere: list[str] = []
    page.on("console", lambda m: complaints.append(m.text) if m.type == "error" else None)
    page.on("pageerror", lambda e: complaints.append(str(e)))
    page.on(
        "request",
        lambda r: (
            elsewhere.append(r.url) if not r.url.startswith((address, "data:", "blob:")) else None
        ),
    )
    page.goto(address + path, wait_until="networkidle")
    return complaints, elsewhere


def test_first_page_loads_and_searches_while_typing(page: Page, address: str) -> None:
    complaints, elsewhere = watched(page, address, "/")
    assert not complaints
    assert not elsewhere
    page.fill("input[name=q]", "library")
    visible = page.locator("#exchangers tbody tr:visible")
    assert visible.count() == 1
    assert "HX-04" in visible.first.inner_text()


def test_exchanger_page_explores_raw_trends_from_its_own_host(page: Page, address: str) -> None:
    complaints, elsewhere = watched(page, address, "/exchangers/HX-03")
    page.click("button[data-explore]")
    page.wait_for_selector("#explorer .plot-container", timeout=20_000)
    assert not complaints
    assert not elsewhere


@pytest.mark.parametrize(
    "path", ["/", "/exchangers/HX-03", "/alerts", "/import", "/documents", "/settings"]
)
@pytest.mark.parametrize("width", [320, 390, 1000, 1440])
def test_page_never_scrolls_sideways(page: Page, address: str, path: str, width: int) -> None:
    page.set_viewport_size({"width": width, "height": 900})
    page.goto(address + path)
    assert page.evaluate("document.documentElement.scrollWidth") <= width
