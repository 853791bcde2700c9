"""A mapping confirmed on the page of a check: written into the register, then the file is stored."""

import re
from html import unescape

import pandas as pd
import pytest
from fastapi.testclient import TestClient

from analytics.vocabulary.quantities import ROLES
from analytics.vocabulary.units import convert
from service.app import create_app
from service.settings import Settings
from service.usecases.ledger import ImportOptions
from tests.benchmarks import mapping

REGISTER = """\
# The network of the east bank.
[plant]
name = "East bank"
time_zone = "UTC"

[[exchanger]]
tag = "HX-01"     # under the library
area_m2 = 12.0

[exchanger.points]    # as the panel names them
outdoor_temperature = { point = "WEATHER", unit = "degC" }   # on the roof
"""


@pytest.fixture(scope="module")
def export():
    """Four temperatures and a heat meter under names that say nothing, and what they are."""
    truth, candidates = mapping.plant(3, "four temperatures", "nothing", False)
    main = [
        c for c in candidates if "ary_" in truth[c.heading][0] and "set" not in truth[c.heading][0]
    ]
    frame = pd.DataFrame({c.heading: c.values.round(3) for c in main})
    frame.index = frame.index.tz_localize(None)
    frame.index.name = "Time"
    return {h: truth[h] for h in frame}, frame.to_csv()


@pytest.fixture
def client(tmp_path, monkeypatch):
    (tmp_path / "plant.toml").write_text(REGISTER, encoding="utf-8")
    app = create_app(Settings(workspace=tmp_path, workers=1))
    app.state.ledger.load_register()
    monkeypatch.setattr(app.state.ledger, "assess_soon", lambda tags=None: None)
    with TestClient(app, base_url="http://127.0.0.1:8420") as opened:
        yield opened


def register_of(client):
    return client.app.state.settings.register_path.read_text(encoding="utf-8")


def send(client, text, name="export.csv"):
    return client.post("/import", files={"file": (name, text)})


def fields_of(html):
    """Return what a browser would send of the mapping form, untouched."""
    form = re.search(r'<form method="post" action="[^"]*/mapping".*?</form>', html, re.DOTALL)[0]
    found = {
        unescape(m[1]): unescape(m[2])
        for m in re.finditer(
            r'<input type="(?:hidden|text)"[^>]*? name="([^"]*)" value="([^"]*)"', form
        )
    }
    for name, body in re.findall(
        r'<select [^>]*name="([^"]*)"[^>]*>(.*?)</select>', form, re.DOTALL
    ):
        chosen = re.search(r'<option(?: value="([^"]*)")? selected>([^<]*)', body) or re.search(
            r'<option(?: value="([^"]*)")?>([^<]*)', body
        )
        found[unescape(name)] = chosen[2] if chosen[1] is None else chosen[1]
    return found


def answers(truth):
    found = {f"role:{h}": role for h, (role, _) in truth.items()}
    return {**found, **{f"unit:{h}": unit for h, (_, unit) in truth.items()}}


def test_what_is_asked_has_to_be_chosen_and_then_is_written_and_stored(client, export):
    truth, text = export
    page = send(client, text)
    fields = fields_of(page.text)
    asked = [h for h in truth if fields[f"role:{h}"] == ""]
    assert asked, "two of four temperatures alone are told by nothing but order"
    for heading in truth:
        assert fields[f"role:{heading}"] in ("", truth[heading][0])
        required = rf'<select [^>]*name="role:{heading}" required>'
        assert re.search(required, page.text)
    where = page.url.path
    left = client.post(f"{where}/mapping", data={**fields, "then": "store"})
    assert left.status_code == 422
    assert left.text.count("Choose a role, or leave the column out.") == len(asked)
    assert register_of(client) == REGISTER
    done = client.post(f"{where}/mapping", data={**fields, **answers(truth), "then": "store"})
    assert done.url.path == "/import"
    assert "Four points are written into plant.toml" in done.text
    written = register_of(client)
    for comment in ("# The network", "# under the library", "# as the panel", "# on the roof"):
        assert comment in written
    folder = client.app.state.settings.workspace
    assert (folder / "plant.toml.before").read_text(encoding="utf-8") == REGISTER
    assert not (folder / "plant.toml.new").exists()
    stored = client.app.state.ledger.readings("HX-01")
    frame = pd.read_csv(pd.io.common.StringIO(text))
    for heading, (role, unit) in truth.items():
        expected = convert(frame[heading].to_numpy(), unit, ROLES[role].unit)
        assert stored[role].to_numpy() == pytest.approx(expected)


def test_written_only_leaves_the_file_to_its_check(client, export):
    truth, text = export
    page = send(client, text)
    fields = {**fields_of(page.text), **answers(truth), "then": "check"}
    again = client.post(f"{page.url.path}/mapping", data=fields)
    assert again.url.path == page.url.path
    assert "Four points are written" in again.text
    assert "values to store at 2,016 stamps" in again.text
    assert client.app.state.ledger.readings("HX-01").empty


@pytest.mark.parametrize(
    ("field", "value", "said"),
    [
        ("unit", "", "Say in which unit"),
        ("unit", "kW", "kW"),
        ("unit", "furlong", "furlong"),
        ("role", "nonsense", "Choose a role"),
        ("tag", "HX-99", "Choose the exchanger"),
    ],
)
def test_what_cannot_be_is_said_in_its_row_and_nothing_is_written(
    client, export, field, value, said
):
    truth, text = export
    page = send(client, text)
    heading = next(iter(truth))
    fields = {**fields_of(page.text), **answers(truth), f"{field}:{heading}": value}
    answer = client.post(f"{page.url.path}/mapping", data={**fields, "then": "store"})
    assert answer.status_code == 422
    assert said in answer.text
    assert answer.text.count('class="wrong"') == 1
    assert register_of(client) == REGISTER
    assert client.app.state.ledger.readings("HX-01").empty


def test_two_columns_of_one_role_are_refused(client, export):
    truth, text = export
    page = send(client, text)
    first, second = list(truth)[:2]
    fields = {**fields_of(page.text), **answers(truth)}
    fields[f"role:{second}"] = fields[f"role:{first}"]
    sent = {**fields, "replace": "yes", "then": "store"}
    answer = client.post(f"{page.url.path}/mapping", data=sent)
    assert answer.status_code == 422
    assert answer.text.count("Two columns are HX-01") == 2
    assert register_of(client) == REGISTER


def test_a_register_that_changed_meanwhile_stays_as_it_is(client, export):
    truth, text = export
    page = send(client, text)
    path = client.app.state.settings.register_path
    path.write_text(REGISTER + "# and more\n", encoding="utf-8")
    fields = {**fields_of(page.text), **answers(truth), "then": "store"}
    answer = client.post(f"{page.url.path}/mapping", data=fields)
    assert answer.status_code == 422
    assert "was changed since this was shown" in answer.text
    assert register_of(client) == REGISTER + "# and more\n"
    # the answer shows the register as it is now, and keeps what was chosen
    again = fields_of(answer.text)
    assert again[f"role:{next(iter(truth))}"] == truth[next(iter(truth))][0]
    assert (
        client.post(f"{page.url.path}/mapping", data={**again, "then": "store"}).url.path
        == "/import"
    )


def test_a_log_that_is_wrong_keeps_the_register(client, export):
    truth, text = export
    page = send(client, text)
    log = client.app.state.settings.maintenance_path
    log.write_text("tag,date,deed\nHX-01,2.3.26,other\n", encoding="utf-8")
    fields = {**fields_of(page.text), **answers(truth), "then": "store"}
    answer = client.post(f"{page.url.path}/mapping", data=fields)
    assert answer.status_code == 422
    assert "maintenance.csv line 2" in answer.text
    assert register_of(client) == REGISTER


def test_a_corrected_mapping_reaches_the_stored_originals(client, export):
    """October was stored with both returns mixed up; November's check puts them right."""
    truth, text = export
    of_role = {role: h for h, (role, _) in truth.items()}
    first, second = of_role["primary_return_temperature"], of_role["secondary_return_temperature"]
    lines = text.splitlines(keepends=True)
    october, november = "".join(lines[:1000]), lines[0] + "".join(lines[1000:])
    wrong = {**truth, first: truth[second], second: truth[first]}
    page = send(client, october, "october.csv")
    fields = {**fields_of(page.text), **answers(wrong), "then": "check"}
    client.post(f"{page.url.path}/mapping", data=fields)
    ledger = client.app.state.ledger
    ledger.import_store("october.csv", october.encode(), ImportOptions(accept=True))
    before = ledger.readings("HX-01")
    page = send(client, november, "november.csv")
    fields = fields_of(page.text)
    assert fields[f"role:{first}"] == "secondary_return_temperature"
    done = client.post(
        f"{page.url.path}/mapping", data={**fields, **answers(truth), "then": "store"}
    )
    assert "Two points are written" in done.text
    assert "One stored original was read again" in done.text
    after = ledger.readings("HX-01")
    assert len(after) == 2016
    same = after.loc[before.index]
    assert same["primary_return_temperature"].equals(before["secondary_return_temperature"])
    assert same["secondary_return_temperature"].equals(before["primary_return_temperature"])


def test_a_role_that_has_a_point_is_replaced_when_that_is_said(client, export):
    truth, text = export
    page = send(client, text)
    fields = {**fields_of(page.text), **answers(truth), "then": "check"}
    client.post(f"{page.url.path}/mapping", data=fields)
    renamed = text.replace("AI-", "NEW-")
    page = send(client, renamed, "renamed.csv")
    fields = fields_of(page.text)
    fields |= answers({h.replace("AI-", "NEW-"): v for h, v in truth.items()})
    before = register_of(client)
    answer = client.post(f"{page.url.path}/mapping", data={**fields, "then": "store"})
    assert answer.status_code == 422
    assert 'name="replace" value="yes" required' in answer.text
    assert register_of(client) == before
    again = {**fields_of(answer.text), "replace": "yes", "then": "store"}
    assert client.post(f"{page.url.path}/mapping", data=again).url.path == "/import"
    assert "AI-" not in register_of(client)
    assert register_of(client).count("NEW-") == 4


def test_another_site_cannot_write_the_register(client, export):
    truth, text = export
    page = send(client, text)
    fields = {**fields_of(page.text), **answers(truth), "then": "store"}
    answer = client.post(
        f"{page.url.path}/mapping", data=fields, headers={"Origin": "https://elsewhere.example"}
    )
    assert answer.status_code == 403
    assert register_of(client) == REGISTER
