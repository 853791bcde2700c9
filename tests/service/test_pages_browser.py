"""First page and exchanger page in a real browser: no error, no request to another host."""

import os
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pandas as pd
import pytest
import uvicorn
from fastapi import FastAPI
from playwright.sync_api import Page, sync_playwright

from service.app import create_app
from service.settings import Settings
from tests.benchmarks import mapping
from tests.service import made_up
from tests.service.test_pages import MadeUpLedger, app_of

CHROMIUM = Path(os.environ.get("PLATELEDGER_CHROMIUM", "/usr/bin/chromium"))
STRICT = bool(os.environ.get("PLATELEDGER_TEST_STRICT"))
pytestmark = pytest.mark.browser


@contextmanager
def served(app: FastAPI) -> Iterator[str]:
    """Serve an application at a free port and yield its address."""
    server = uvicorn.Server(uvicorn.Config(app, port=0, log_level="error", ws="none"))
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
def address() -> Iterator[str]:
    """Serve the pages from memory at a free port."""
    ledger = MadeUpLedger(list(made_up.every_case().values()), made_up.whole_plant())
    with served(app_of(ledger)) as at:
        yield at


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


@pytest.fixture
def plant_address(tmp_path: Path) -> Iterator[tuple[str, Path]]:
    """Serve a real workspace without readings; return its address and its folder."""
    (tmp_path / "plant.toml").write_text(
        '[plant]\nname = "East bank"\ntime_zone = "UTC"\n\n[[exchanger]]\ntag = "HX-01"\n',
        encoding="utf-8",
    )
    app = create_app(Settings(workspace=tmp_path, workers=1))
    app.state.ledger.load_register()
    app.state.ledger.assess_soon = lambda tags=None: None
    with served(app) as at:
        yield at, tmp_path


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


@pytest.mark.parametrize("scripts", [True, False])
def test_a_mapping_is_confirmed_on_the_page(
    page: Page, plant_address: tuple[str, Path], tmp_path: Path, scripts: bool
) -> None:
    at, workspace = plant_address
    truth, candidates = mapping.plant(3, "four temperatures", "nothing", False)
    main = [c for c in candidates if "_return_" in truth[c.heading][0] or truth[c.heading][0].endswith("y_supply_temperature")]  # fmt: skip
    frame = pd.DataFrame({c.heading: c.values.round(3) for c in main})
    frame.index = frame.index.tz_localize(None)
    frame.to_csv(tmp_path / "export.csv", index_label="Time")
    context = page.context.browser.new_context(  # type: ignore[union-attr]
        java_script_enabled=scripts, viewport={"width": 390, "height": 900}
    )
    tab = context.new_page()
    tab.goto(f"{at}/import")
    tab.set_input_files("input[type=file]", str(tmp_path / "export.csv"))
    tab.get_by_role("button", name="Check the file").click()
    open_roles = [
        h for h in frame if tab.get_by_label(f"Role of {h}", exact=True).input_value() == ""
    ]
    assert open_roles
    tab.get_by_role("button", name="Write and store").click()
    assert "/mapping" not in tab.url, "the browser asks for the choice first"
    assert tab.locator("h1").inner_text().startswith("One of five columns")
    for heading in frame:
        role, unit = truth[heading]
        tab.get_by_label(f"Role of {heading}", exact=True).select_option(role)
        tab.get_by_label(f"Unit of {heading}", exact=True).fill(unit)
    tab.get_by_role("button", name="Write and store").click()
    tab.wait_for_url("**/import?stored=*")
    assert "Four points are written" in tab.locator("main").inner_text()
    text = (workspace / "plant.toml").read_text(encoding="utf-8")
    assert all(f'"{heading}"' in text for heading in frame)
    context.close()


@pytest.mark.parametrize("width", [320, 390, 900, 1400])
def test_the_check_never_scrolls_sideways(
    page: Page, plant_address: tuple[str, Path], tmp_path: Path, width: int
) -> None:
    at, _ = plant_address
    stamps = pd.date_range("2025-11-03", periods=30, freq="1h")
    heading = "BLOCK-A/SUBSTATION-HX1/PRIMARY/SUPPLY_WATER_TEMPERATURE_OF_THE_LIBRARY"
    frame = pd.DataFrame({heading: range(30), "FLOW": range(30)}, index=stamps)
    frame.to_csv(tmp_path / "long.csv", index_label="Time")
    page.set_viewport_size({"width": width, "height": 900})
    page.goto(f"{at}/import")
    page.set_input_files("input[type=file]", str(tmp_path / "long.csv"))
    page.get_by_role("button", name="Check the file").click()
    page.wait_for_load_state()
    assert page.evaluate("document.documentElement.scrollWidth") <= width
