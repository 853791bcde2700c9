"""The API: what it gives, what it refuses, and that every error is a problem document."""

import io
import re
import zipfile
from dataclasses import replace
from datetime import UTC, datetime

import pytest
from fastapi.testclient import TestClient

from analytics.vocabulary.records import AlertEvent, CauseKind, Remark
from service.app import create_app
from service.settings import Settings
from service.usecases.assessing import assess
from service.usecases.files import ImportOptions
from tests.service import made_up

RAISED = datetime(2026, 3, 1, tzinfo=UTC)


def deposit_with_alert(exchanger, trends, events):
    alert = AlertEvent(
        kind=CauseKind.DEPOSIT, subject=None, raised_utc=RAISED, ended_utc=None,
        remark=Remark(code="made_up"),
    )  # fmt: skip
    return replace(made_up.deposit(exchanger.tag), alerts=(alert,))


@pytest.fixture
def client(workspace):
    app = create_app(Settings(workspace=workspace, workers=1))
    app.state.ledger.load_register()
    with TestClient(app, base_url="http://127.0.0.1:8420") as opened:
        yield opened


@pytest.fixture
def ledger(client):
    return client.app.state.ledger


@pytest.fixture
def assessed(client, ledger, write_trends):
    ledger.import_store("oct.csv", write_trends(step_min=15).encode(), ImportOptions())
    assess(ledger.store, workers=1, evaluate=deposit_with_alert)
    return client


def zipped(texts):
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, text in texts.items():
            archive.writestr(name, text)
    return buffer.getvalue()


def problem_of(response, status):
    assert response.status_code == status, response.text
    assert response.headers["content-type"] == "application/problem+json"
    body = response.json()
    assert body["status"] == status
    assert body["title"]
    assert body["detail"]
    return body


def test_plant_and_exchangers_before_any_reading(client):
    plant = client.get("/v1/plant").json()
    assert (plant["time_zone"], plant["exchangers"]) == ("CET", ["HX-01"])
    (status,) = client.get("/v1/exchangers").json()
    assert status["verdict"] is None
    assert status["cleanliness_factor"]["reason"].startswith("Not assessed yet")
    problem_of(client.get("/v1/exchangers/HX-01/latest"), 409)
    problem_of(client.get("/v1/exchangers/HX-01/document"), 409)


def test_one_exchanger_with_its_whole_evaluation(assessed):
    body = assessed.get("/v1/exchangers/HX-01").json()
    assert body["status"]["verdict"] == body["evaluation"]["verdict"]["kind"] == "clean it"
    assert body["status"]["open_alerts"] == 1
    factor = body["status"]["cleanliness_factor"]
    expected = made_up.deposit("HX-01").state.cleanliness_factor
    assert (factor["value"], factor["low"], factor["high"]) == (
        expected.value, expected.low, expected.high,
    )  # fmt: skip
    assert factor["unit"] == "1"
    assert body["evaluation"]["forecast"]["fan"]["index"]["name"] == "day"


def test_live_values(assessed):
    latest = assessed.get("/v1/exchangers/HX-01/latest").json()
    assert latest["values"]
    assert latest["start"].endswith("Z")


def test_series_in_parts(assessed, ledger):
    whole = assessed.get("/v1/exchangers/HX-01/readings").json()
    assert len(whole["time"]) == 192
    assert whole["units"]["primary_flow"] == "m**3/s"
    assert whole["more"] is False
    part = assessed.get("/v1/exchangers/HX-01/readings", params={"limit": 100}).json()
    rest = assessed.get("/v1/exchangers/HX-01/readings", params={"from": part["next"]}).json()
    assert part["more"] is True
    assert part["time"] + rest["time"] == whole["time"]
    daily = assessed.get("/v1/exchangers/HX-01/daily").json()
    assert len(daily["time"]) == len(ledger.evaluation("HX-01").daily)
    assert daily["units"]["cleanliness_factor_low"] == ""
    intervals = assessed.get("/v1/exchangers/HX-01/intervals", params={"limit": 3}).json()
    assert len(intervals["columns"]["UA_W_K"]) == 3
    early = {"from": "2000-01-01T00:00:00Z", "to": "2000-02-01T00:00:00Z"}
    assert assessed.get("/v1/exchangers/HX-01/intervals", params=early).json()["time"] == []


def test_acknowledge_and_shelve(assessed):
    (alert,) = assessed.get("/v1/alerts").json()
    assert alert["state"] == "active, not acknowledged"
    address = f"/v1/alerts/{alert['number']}"
    done = assessed.post(f"{address}/acknowledge", json={"by": "A. Reader"}).json()
    assert (done["state"], done["acknowledged_by"]) == ("active, acknowledged", "A. Reader")
    shelved = assessed.post(f"{address}/shelve", json={"until": "2999-01-01T00:00:00Z"}).json()
    assert shelved["state"] == "shelved"
    naive = assessed.post(f"{address}/shelve", json={"until": "2999-01-01T00:00:00"})
    assert "until" in problem_of(naive, 422)["detail"]
    problem_of(assessed.post("/v1/alerts/999/acknowledge", json={}), 404)


def test_log(client):
    visit = {"tag": "HX-01", "date": "2026-03-02", "deed": "cleaned in place"}
    first = client.post("/v1/maintenance", json=visit)
    assert (first.status_code, first.json()["new"]) == (201, True)
    again = client.post("/v1/maintenance", json=visit)
    assert (again.status_code, again.json()["new"]) == (200, False)
    (entry,) = client.get("/v1/maintenance").json()
    assert entry["at"] == "2026-03-02T11:00:00Z"
    body = problem_of(client.post("/v1/maintenance", json={**visit, "tag": "HX-1"}), 422)
    assert 'Did you mean "HX-01"' in body["detail"]


def test_check_first_then_store_once(client, ledger, write_trends, monkeypatch):
    begun = []
    monkeypatch.setattr(ledger, "assess_soon", begun.append)
    files = {"file": ("oct.csv", write_trends().encode())}
    check = client.post("/v1/imports", params={"check": True}, files=files).json()
    assert (check["new_rows"], check["questions"]) == (48, [])
    assert ledger.readings("HX-01").empty
    stored = client.post("/v1/imports", files=files).json()
    assert (stored["new_rows"], stored["assessing"]) == (48, ["HX-01"])
    assert client.post("/v1/imports", files=files).json()["repeated"] is True
    assert begun == [("HX-01",)]
    report = client.get(f"/v1/imports/{stored['run']}/report.json").json()
    assert report["account"] == {
        "lines_read": 48, "lines_refused": 0, "stamps_stored": 48, "values_stored": 288,
        "cells_missing": 0, "cells_refused": 0,
    }  # fmt: skip
    table = client.get(f"/v1/imports/{stored['run']}/report.csv")
    assert table.headers["content-type"].startswith("text/csv")
    assert "account,values stored,288" in table.text
    problem_of(client.get("/v1/imports/999/report.json"), 404)
    stated = {"unit_of": "A.HX1.HM FLOW"}
    body = problem_of(client.post("/v1/imports", files=files, data=stated), 422)
    assert "POINT=UNIT" in body["detail"]


def test_an_archive_is_answered_file_by_file(client, ledger, write_trends, monkeypatch):
    monkeypatch.setattr(ledger, "assess_soon", lambda tags: None)
    trends = {"a.csv": write_trends(), "b.csv": write_trends(start="2025-10-03")}
    whole, mixed, bad = (
        {"file": ("all.zip", zipped(found))}
        for found in (trends, {**trends, "x.txt": "Dear all,"}, {"x.txt": "Dear", "y.txt": "all"})
    )
    check = client.post("/v1/imports", params={"check": True}, files=mixed)
    assert check.status_code == 207
    assert [f["new_rows"] for f in check.json()["files"]] == [48, 48]
    assert [r["name"] for r in check.json()["refused"]] == ["all.zip/x.txt"]
    assert ledger.readings("HX-01").empty
    stored = client.post("/v1/imports", files=mixed)
    assert stored.status_code == 207
    assert [f["new_rows"] for f in stored.json()["files"]] == [48, 48]
    again = client.post("/v1/imports", files=whole)
    assert (again.status_code, again.json()["refused"]) == (200, [])
    assert [f["repeated"] for f in again.json()["files"]] == [True, True]
    assert len(ledger.readings("HX-01")) == 96
    detail = problem_of(client.post("/v1/imports", files=bad), 422)["detail"]
    assert "all.zip/x.txt" in detail
    assert "all.zip/y.txt" in detail


def test_an_archive_sent_to_the_page_is_listed_checked_and_stored(
    client, ledger, write_trends, monkeypatch
):
    begun = []
    monkeypatch.setattr(ledger, "assess_soon", begun.append)
    data = zipped(
        {
            "a.csv": write_trends(),
            "b.csv": write_trends(start="2025-10-03"),
            "letter.txt": "Dear all,",
            "locked.csv": write_trends(start="2025-10-05"),
        }
    )
    start = data.index(b"locked.csv") + 40
    data = data[:start] + bytes(b ^ 0xFF for b in data[start : start + 9]) + data[start + 9 :]
    page = client.post("/import", files={"file": ("all.zip", data)})
    where = page.url.path
    assert "all.zip holds 4 files." in page.text
    assert "3 of them wait." in page.text
    assert "all.zip/locked.csv: the zip file cannot be read" in page.text
    one = client.get(where, params={"member": "all.zip/a.csv"})
    assert 'name="member" value="all.zip/a.csv"' in one.text
    back = client.post(f"{where}/store", data={"member": "all.zip/a.csv"})
    assert back.url.path == where, "the others still wait"
    assert "2 of them wait." in back.text
    done = client.post(f"{where}/store-all")
    assert "2 of 4 files of all.zip are stored; 2 are not." in done.text
    assert "was stored before" in done.text
    assert "all.zip/letter.txt" in done.text
    assert begun == [("HX-01",), ["HX-01"]]
    assert len(ledger.readings("HX-01")) == 96
    assert client.get(where, params={"member": "all.zip/none.csv"}).status_code == 422


@pytest.mark.parametrize(
    ("method", "path", "more", "status"),
    [
        ("GET", "/v1/exchangers/HX-99", {}, 404),
        ("GET", "/v1/nothing", {}, 404),
        ("DELETE", "/v1/plant", {}, 405),
        ("GET", "/v1/exchangers/HX-01/daily?limit=0", {}, 422),
        ("GET", "/v1/exchangers/HX-01/daily?from=yesterday", {}, 422),
        ("GET", "/v1/exchangers/HX-01/daily?from=2026-01-01T00:00:00", {}, 422),
        ("POST", "/v1/maintenance", {"json": {"tag": "HX-01"}}, 422),
        ("POST", "/v1/maintenance", {"json": {"tag": "HX-01", "date": "x", "deed": "other"}}, 422),
        ("POST", "/v1/maintenance", {"content": b"{"}, 422),
        ("POST", "/v1/assess", {"json": {"tags": ["HX-99"]}}, 404),
        ("POST", "/v1/imports", {"files": {"file": ("x.csv", b"\x00\x01\x02")}}, 422),
        ("POST", "/v1/imports", {}, 422),
    ],
)
def test_every_error_is_a_problem_document(client, method, path, more, status):
    body = problem_of(client.request(method, path, **more), status)
    assert body["instance"] == path.split("?")[0]


def test_a_fault_of_the_program_is_a_problem_document_without_its_inside(workspace, monkeypatch):
    app = create_app(Settings(workspace=workspace))
    monkeypatch.setattr(app.state.ledger, "plant", lambda: 1 / 0)
    with TestClient(app, base_url="http://localhost", raise_server_exceptions=False) as client:
        body = problem_of(client.get("/v1/plant"), 500)
        assert "division" not in body["detail"]


def test_an_error_on_a_page_is_a_page(client):
    response = client.get("/no-such-page")
    assert response.status_code == 404
    assert response.headers["content-type"].startswith("text/html")


def test_a_larger_upload_than_allowed_is_refused(workspace, write_trends):
    app = create_app(Settings(workspace=workspace, largest_upload_bytes=1000))
    app.state.ledger.load_register()
    with TestClient(app, base_url="http://localhost") as client:
        files = {"file": ("oct.csv", write_trends().encode())}
        assert "larger than" in problem_of(client.post("/v1/imports", files=files), 422)["detail"]


@pytest.mark.parametrize(
    ("headers", "allowed"),
    [
        ({}, True),
        ({"Origin": "http://127.0.0.1:8420", "Sec-Fetch-Site": "same-origin"}, True),
        ({"Sec-Fetch-Site": "none"}, True),
        ({"Origin": "http://elsewhere.example"}, False),
        ({"Origin": "http://127.0.0.1:9999", "Sec-Fetch-Site": "same-site"}, False),
        ({"Sec-Fetch-Site": "cross-site"}, False),
        ({"Origin": "null"}, False),
    ],
)
def test_writes_come_from_this_site_alone(client, ledger, headers, allowed):
    visit = {"tag": "HX-01", "date": "2026-03-02", "deed": "other"}
    response = client.post("/v1/maintenance", json=visit, headers=headers)
    assert (response.status_code == 201) is allowed
    assert len(ledger.events()) == allowed
    if not allowed:
        problem_of(response, 403)
    assert client.get("/v1/plant", headers=headers).status_code == 200


def test_a_foreign_host_name_is_refused(client):
    assert client.get("/v1/plant", headers={"Host": "elsewhere.example"}).status_code == 400


def test_description_names_every_route(client):
    described = client.get("/v1/openapi.json").json()
    paths = described["paths"]
    assert described["openapi"].startswith("3.")
    assert all(path.startswith("/v1/") for path in paths)
    subjects = {tag["name"] for tag in described["tags"]}
    for path in (
        "/v1/exchangers/{tag}/intervals",
        "/v1/imports",
        "/v1/alerts/{number}/acknowledge",
    ):
        assert path in paths
    for path, verbs in paths.items():
        for verb, operation in verbs.items():
            assert operation["description"], (verb, path)
            (subject,) = operation["tags"]
            assert subject in subjects, (verb, path)
            name = operation["summary"].lower().replace(" ", "_")  # as the framework would make one
            assert not operation["operationId"].startswith(f"{name}_v1"), (verb, path)
            for parameter in operation.get("parameters", ()):
                assert parameter.get("description"), (verb, path, parameter["name"])
    assert len({o["summary"] for verbs in paths.values() for o in verbs.values()}) == sum(
        len(verbs) for verbs in paths.values()
    )


def test_the_description_is_a_page_that_loads_nothing_from_elsewhere(client):
    """Each request of the description has its heading, and no address leads to another host."""
    answer = client.get("/v1/docs")
    assert answer.status_code == 200
    paths = client.get("/v1/openapi.json").json()["paths"]
    for path, item in paths.items():
        for method in item:
            assert f"<code>{method.upper()} {path}</code>" in answer.text
            assert f"{item[method]['summary']}</h2>" in answer.text
    assert not re.findall(r"""(?:src|href)=["']?(?:https?:)?//""", answer.text)


def test_outages_of_what_is_stored(client, ledger, write_trends):
    """Lines 200 to 249 of a log at 15 minutes left out: 51 steps from reading to reading, 12.75 h."""
    lines = write_trends(hours=240, step_min=15).splitlines(keepends=True)
    ledger.import_store("oct.csv", "".join(lines[:200] + lines[250:]).encode(), ImportOptions())
    told = client.get("/v1/exchangers/HX-01/outages").json()
    assert told["regular"] is True
    (outage,) = told["outages"]
    assert (outage["hours"], outage["points"]) == (12.75, [])
    begin, end = (datetime.fromisoformat(outage[name]) for name in ("begin", "end"))
    assert (end - begin).total_seconds() == 12.75 * 3600


def test_check_of_points_that_nobody_registered_tells_of_outages(ledger, write_trends):
    lines = write_trends(hours=240, step_min=15).splitlines(keepends=True)
    head = lines[0].replace(",", ",not known ").replace(";", ";not known ")
    text = "".join([head, *lines[1:200], *lines[250:]])
    checked = ledger.import_check("oct.csv", text.encode(), ImportOptions())
    assert checked.tags == ()
    (said,) = [f.text for f in checked.findings if f.reason == "logger silent"]
    assert said.startswith("The log is regular and has no row from ")
    assert said.endswith("(13 h).")
