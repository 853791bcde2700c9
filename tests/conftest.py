"""Fixtures shared by the tests of all packages: databases, workspaces, trend files."""

import os
from collections.abc import Callable, Iterator
from pathlib import Path
from uuid import uuid4

import numpy as np
import pandas as pd
import pytest
from sqlalchemy import create_engine, text
from sqlalchemy.exc import OperationalError

from service.register.reading import example_register
from service.settings import Settings
from service.store.store import Store
from service.usecases.ledger import Ledger

SERVER = os.environ.get(
    "PLATELEDGER_TEST_POSTGRESQL", "postgresql+psycopg://postgres@127.0.0.1:5432/test"
)


def _run_on_server(statement: str) -> None:
    engine = create_engine(
        SERVER, isolation_level="AUTOCOMMIT", connect_args={"connect_timeout": 5}
    )
    try:
        with engine.connect() as connection:
            connection.execute(text(statement))
    finally:
        engine.dispose()


@pytest.fixture(scope="session", autouse=True)
def _no_settings_from_outside() -> Iterator[None]:
    """The tests say themselves where the ledger is."""
    names = [n for n in os.environ if n.startswith("PLATELEDGER_") and "_TEST_" not in n]
    kept = {n: os.environ.pop(n) for n in names}
    yield
    os.environ.update(kept)


@pytest.fixture
def postgresql_url() -> Iterator[str]:
    """A schema of its own on the PostgreSQL server; without a server the test is left out."""
    schema = f"ledger_{uuid4().hex[:12]}"
    try:
        _run_on_server(f"CREATE SCHEMA {schema}")
    except OperationalError as exc:
        if os.environ.get("PLATELEDGER_TEST_STRICT"):
            pytest.fail(f"no PostgreSQL server for the tests: {exc.orig}")
        pytest.skip("no PostgreSQL server at 127.0.0.1:5432")
    yield f"{SERVER}?options=-csearch_path%3D{schema}"
    _run_on_server(f"DROP SCHEMA {schema} CASCADE")


@pytest.fixture(params=["sqlite", pytest.param("postgresql", marks=pytest.mark.postgresql)])
def database_url(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """Each database in turn."""
    if request.param == "sqlite":
        return f"sqlite:///{tmp_path / 'ledger.sqlite'}"
    url: str = request.getfixturevalue("postgresql_url")
    return url


@pytest.fixture
def store(database_url: str) -> Iterator[Store]:
    """An empty database of each kind."""
    opened = Store.open(database_url)
    yield opened
    opened.close()


@pytest.fixture
def workspace(tmp_path: Path) -> Path:
    """A workspace with the example register."""
    folder = tmp_path / "plant"
    folder.mkdir()
    (folder / "plant.toml").write_text(example_register(), encoding="utf-8")
    return folder


@pytest.fixture
def ledger(workspace: Path, database_url: str) -> Iterator[Ledger]:
    """A ledger of each kind with the example register loaded."""
    opened = Ledger.open(Settings(workspace=workspace, database_url=database_url, workers=1))
    opened.load_register()
    yield opened
    opened.close()


@pytest.fixture
def own_ledger(workspace: Path) -> Iterator[Ledger]:
    """A ledger in a file, for what does not depend on the database."""
    opened = Ledger.open(Settings(workspace=workspace, workers=1))
    opened.load_register()
    yield opened
    opened.close()


@pytest.fixture
def write_trends() -> Callable[..., str]:
    """Write a trend file for the example register's HX-01, hourly from a CET midnight."""

    def write(
        start: str = "2025-10-01", hours: int = 48, supply_degC: float = 80.0, step_min: int = 60
    ) -> str:
        count = hours * 60 // step_min
        stamps = pd.date_range(start, periods=count, freq=f"{step_min}min")
        swing = np.sin(np.arange(count) * step_min / 60.0 * 2 * np.pi / 24)
        frame = pd.DataFrame(
            {
                "Time": stamps.strftime("%Y-%m-%d %H:%M:%S"),
                "A.HX1.PRI FLW T (degC)": np.round(supply_degC + 2 * swing, 2),
                "A.HX1.PRI RTN T (degC)": np.round(45.0 + swing, 2),
                "A.HX1.SEC FLW T (degC)": np.round(65.0 + swing, 2),
                "A.HX1.SEC RTN T (degC)": np.round(41.0 + swing, 2),
                "A.HX1.HM FLOW (m3/h)": np.round(8.0 + swing, 3),
                "OAT (degC)": np.round(4.0 + 3 * swing, 2),
            }
        )
        return frame.to_csv(index=False).replace(" (degC)", "").replace(" (m3/h)", "")

    return write
