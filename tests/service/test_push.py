"""Samples pushed over HTTP: who may, what is taken, what is refused, and that nothing is doubled."""

import json

import pytest
from fastapi.testclient import TestClient

from service.app import create_app
from service.settings import Settings
from service.store import senders
from service.usecases.senders import add_sender, revoke_sender, sender_of
from tests.service.test_api import problem_of

SAMPLES = [
    {"time": f"2025-10-0{day}T{hour:02d}:00:00+02:00", "point": point, "value": value}
    for day in (1, 2)
    for hour in range(24)
    for point, value in (("A.HX1.PRI FLW T", 80.5), ("A.HX1.PRI RTN T", 45.25), ("OAT", 4.0))
]


@pytest.fixture
def client(workspace, monkeypatch):
    app = create_app(Settings(workspace=workspace, workers=1))
    app.state.ledger.load_register()
    monkeypatch.setattr(app.state.ledger, "assess_soon", lambda tags=None: None)
    with TestClient(app, base_url="http://127.0.0.1:8420") as opened:
        yield opened


@pytest.fixture
def ledger(client):
    return client.app.state.ledger


@pytest.fixture
def token(ledger):
    return add_sender(ledger.store, "gateway-1")


def push(client, token, body, **headers):
    return client.post(
        "/v1/samples",
        content=body if isinstance(body, bytes) else json.dumps(body).encode(),
        headers={
            "Authorization": f"Bearer {token}",
            "Content-Type": "application/json",
            **{k.replace("_", "-"): v for k, v in headers.items()},
        },
    )


def test_a_batch_is_stored_in_utc_and_si(client, ledger, token):
    answer = push(client, token, {"samples": SAMPLES})
    assert answer.status_code == 201, answer.text
    body = answer.json()
    assert (body["samples"], body["new_values"], body["refused"]) == (144, 144, 0)
    assert body["tags"] == ["HX-01"]
    frame = ledger.readings("HX-01")
    assert len(frame) == 48
    assert str(frame.index[0]) == "2025-09-30 22:00:00+00:00"
    assert frame["primary_supply_temperature"].tolist() == [80.5] * 48


def test_csv_and_a_unit_of_its_own(client, ledger, token):
    body = b"time,point,value,unit\n2025-10-01T00:00:00Z,A.HX1.HM FLOW,2,l/s\n2025-10-01T00:15Z,A.HX1.HM FLOW,2.5,l/s\n"
    answer = push(client, token, body, Content_Type="text/csv; charset=utf-8")
    assert answer.status_code == 201, answer.text
    assert ledger.readings("HX-01")["primary_flow"].tolist() == pytest.approx([0.002, 0.0025])


def test_the_same_batch_again_is_stored_once(client, ledger, token):
    first = push(client, token, {"samples": SAMPLES}, Idempotency_Key="b-1")
    again = push(client, token, {"samples": SAMPLES}, Idempotency_Key="b-1")
    unnamed = push(client, token, {"samples": SAMPLES})
    assert [a.status_code for a in (first, again, unnamed)] == [201, 200, 200]
    assert again.json()["repeated"]
    assert again.json()["new_values"] == 0
    assert len(ledger.import_runs()) == 1
    other = push(client, token, {"samples": SAMPLES[:3]}, Idempotency_Key="b-1")
    assert "Give each batch a name of its own" in problem_of(other, 409)["detail"]
    assert len(ledger.import_runs()) == 1


def test_points_nobody_registered_are_named_and_kept(client, ledger, token):
    odd = [{**SAMPLES[0], "point": "AHU2.SAT"}]
    body = push(client, token, {"samples": SAMPLES + odd}).json()
    assert body["left_out"] == [{"point": "AHU2.SAT", "why": "not in the register"}]
    nothing = push(client, token, {"samples": odd})
    assert "no column of it is a point of the register" in problem_of(nothing, 422)["detail"]


@pytest.mark.parametrize(
    "authorization", ["", "Bearer", "Bearer pl_0_0", "Basic eDp5", "Bearer pl__", "Bearer ä"]
)
def test_without_a_good_token_nothing_is_read(client, authorization):
    answer = client.post(
        "/v1/samples", content=b"not even JSON", headers={"Authorization": authorization.encode()}
    )
    problem_of(answer, 401)
    assert answer.headers["www-authenticate"].startswith("Bearer")


def test_a_revoked_token_is_good_no_more(client, ledger, token):
    assert sender_of(ledger.store, token).name == "gateway-1"
    assert sender_of(ledger.store, token[:-1] + ("A" if token[-1] != "A" else "B")) is None
    revoke_sender(ledger.store, "gateway-1")
    problem_of(push(client, token, {"samples": SAMPLES}), 401)


def test_of_a_token_the_hash_alone_is_kept(ledger, token):
    key, secret = token.split("_", 2)[1:]
    with ledger.store.reading() as connection:
        kept = senders.sender_of_key(connection, key)
    assert kept["token_hash"].startswith("$argon2id$")
    assert secret not in str(kept)


@pytest.mark.parametrize(
    ("body", "said"),
    [
        (b"{", "Invalid JSON"),
        ({"samples": []}, "at least 1"),
        ({"samples": [{**SAMPLES[0], "time": "2025-10-01T00:00:00"}]}, "samples.0.time"),
        ({"samples": [{**SAMPLES[0], "value": "warm"}]}, "samples.0.value"),
        (b'{"samples":[{"time":"2025-10-01T00:00:00Z","point":"OAT","value":NaN}]}', "finite number"),
        ({"samples": [{**SAMPLES[0], "colour": "red"}]}, "colour"),
    ],
)  # fmt: skip
def test_a_wrong_body_is_refused_with_the_place(client, ledger, token, body, said):
    assert said in problem_of(push(client, token, body), 422)["detail"]
    assert ledger.import_runs() == ()


@pytest.mark.parametrize(
    ("body", "said"),
    [
        (b"when,point,value\n", "the columns are when, point, value"),
        (b"time,point,value\n2025-10-01T00:00Z,OAT,1\n2025-10-01T01:00,OAT,1\n", "line 3, column time"),
        (b"time,point,value\n2025-10-01T00:00Z,OAT,1;5\n", "line 2, column value"),
        (b"time,point,value\n", "holds 0 samples"),
        (b"\xff\xfe\x00", "is no CSV"),
    ],
)  # fmt: skip
def test_a_wrong_csv_is_refused_with_the_line(client, token, body, said):
    answer = push(client, token, body, Content_Type="text/csv")
    assert said in problem_of(answer, 422)["detail"]


def test_limits_and_kinds(client, token, monkeypatch):
    monkeypatch.setattr("service.api.samples.BODY_BYTES_MOST", 1000)
    problem_of(push(client, token, {"samples": SAMPLES}), 413)
    problem_of(push(client, token, b"<x/>", Content_Type="application/xml"), 415)
    problem_of(push(client, token, b"\x1f\x8b", Content_Encoding="gzip"), 415)


def test_the_description_names_the_body(client):
    paths = client.get("/v1/openapi.json").json()["paths"]
    assert set(paths["/v1/samples"]["post"]["requestBody"]["content"]) == {
        "application/json",
        "text/csv",
    }
