"""Pages: they render whatever is known, keep to their own host, and change state only by POST."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import asdict, replace
from datetime import datetime, timedelta
from html.parser import HTMLParser
from pathlib import Path
from tempfile import mkdtemp
from typing import Any

import anyio
import httpx2
import pandas as pd
import pytest
from fastapi import FastAPI

from analytics.vocabulary.errors import IngestError, RegisterError
from analytics.vocabulary.gaps import empty_gaps
from analytics.vocabulary.quantities import SET_ASIDE_REASONS
from analytics.vocabulary.records import Evaluation, MaintenanceEvent
from ingest.examination import ColumnReport, Examination
from service.alerts.lifecycle import Alert, merge
from service.pages import sections
from service.pages.rendering import static_url
from service.pages.router import make_router
from service.register.plant import Plant
from service.settings import Settings
from service.usecases.import_report import account_of
from service.usecases.ledger import ImportCheck, ImportOptions, ImportOutcome
from service.usecases.proposing import KeptProposal, ProposalState
from service.usecases.stored_outages import StoredOutages
from tests.service import made_up


class MadeUpLedger:
    """A ledger that answers from memory and notes what it was asked to change."""

    def __init__(self, evaluations: Sequence[Evaluation], plant: Plant | None) -> None:
        self.held, self.registered = list(evaluations), plant
        self.settings = Settings(workspace=Path(mkdtemp(prefix="pages-")))
        self.clock = made_up.THROUGH + timedelta(hours=1)
        self.added: list[MaintenanceEvent] = []
        self.done: list[tuple[Any, ...]] = []

    def plant(self) -> Plant:
        if self.registered is None:
            raise RegisterError("plant.toml: there is no register. Write one: plateledger init")
        return self.registered

    def now(self) -> datetime:
        return self.clock

    def evaluations(self) -> tuple[Evaluation, ...]:
        return tuple(replace(e, intervals=made_up.empty_intervals()) for e in self.held)

    def evaluation(self, tag: str) -> Evaluation | None:
        return next((e for e in self.held if e.tag == tag), None)

    def intervals(self, tag: str, start_utc: datetime, end_utc: datetime) -> pd.DataFrame:
        return made_up.empty_intervals()

    def events(self, tag: str | None = None) -> tuple[MaintenanceEvent, ...]:
        return tuple(e for e in made_up.events() if tag in (None, e.tag))

    def gaps(self, tag: str) -> pd.DataFrame:
        return made_up.told_gaps() if tag == "HX-03" else empty_gaps()

    def outages(self, tag: str) -> StoredOutages:
        return made_up.outages() if tag == "HX-03" else StoredOutages(regular=True, found=())

    def add_event(self, event: MaintenanceEvent) -> bool:
        self.added.append(event)
        return True

    def proposals(self, tag: str | None = None) -> tuple[KeptProposal, ...]:
        kept = KeptProposal(
            number=4, tag="HX-07", proposal=made_up.proposal(), state=ProposalState.OPEN,
            made_utc=made_up.THROUGH,
        )  # fmt: skip
        return (kept,) if tag in (None, "HX-07") else ()

    def accept_proposal(self, number: int, **known_better: Any) -> None:
        if known_better["deed"] == "painted":
            raise RegisterError("deed: 'painted' is not known.")
        self.done.append(("accept", number, known_better["when"], known_better["deed"]))

    def reject_proposal(self, number: int, *, note: str = "") -> None:
        self.done.append(("reject", number, note))

    def alerts(self, tag: str | None = None) -> tuple[Alert, ...]:
        found: list[Alert] = []
        for evaluation in self.held:
            found += merge([], evaluation.alerts, tag=evaluation.tag, now_utc=made_up.THROUGH)
        return tuple(replace(a, number=n) for n, a in enumerate(found, start=1))

    def acknowledge_alert(self, number: int, *, by: str = "") -> Alert:
        if not 0 < number <= len(self.alerts()):
            raise RegisterError(f"alert {number}: there is no such alert. Look at the list.")
        self.done.append(("acknowledge", number))
        return self.alerts()[number - 1]

    def shelve_alert(self, number: int, *, until_utc: datetime | None, by: str = "") -> Alert:
        self.done.append(("shelve", number, until_utc))
        return self.alerts()[number - 1]

    def last_seen(self) -> datetime | None:
        return made_up.THROUGH - timedelta(days=7)

    def mark_seen(self) -> None:
        self.done.append(("seen",))

    def working_on(self) -> tuple[str, ...]:
        return ()

    def assess_soon(self, tags: Sequence[str] | None = None) -> None:
        self.done.append(("assess", tuple(tags or ())))

    def register_digest(self) -> str:
        return "0" * 64

    def import_check(self, name: str, data: bytes, options: ImportOptions) -> ImportCheck:
        if not data:
            raise IngestError(f"{name}: the file is empty. Export it again.")
        columns = [
            ColumnReport(heading="A.HX3.PRI FLW T", first_values=("84.2", "84.3"), unit_used="degC",
                         taken_for=(("HX-03", "primary_supply_temperature"),), unit_sure="register"),
            ColumnReport(heading="AHU2.SAT", first_values=("19.8",), left_out="no exchanger has it",
                         unit_used=options.units.get("AHU2.SAT", "degC")),
        ]  # fmt: skip
        found = Examination(
            name=name, size_bytes=len(data), shape="wide", delimiter=";", decimal=",",
            columns=columns, rows_read=44_700, refused={"time_unreadable": 31},
            questions=[] if options.date_order else ["Is 06/10 the sixth of October or the tenth of June?"],
        )  # fmt: skip
        return ImportCheck(
            name=name, sha256="", size=len(data), stored_before_utc=None, examination=found,
            findings=(), tags=("HX-03",), rows=44_641, new_rows=44_000, new_values=308_000,
            changed_values=0, refused_rows=59,
        )  # fmt: skip

    def import_store(self, name: str, data: bytes, options: ImportOptions) -> ImportOutcome:
        self.done.append(("store", name, len(data), options.date_order))
        return ImportOutcome(
            name=name, sha256="", run=1, repeated=False, tags=("HX-03",), rows=44_641,
            new_rows=44_000, new_values=308_000, changed_values=0, findings=59, refused_rows=59,
            stored_utc=made_up.THROUGH, account=account_of({"rows_read": 44_700}),
        )  # fmt: skip

    def import_runs(self) -> tuple[Mapping[str, Any], ...]:
        return ({"run": 1, "name": "october.csv", "stored_utc": made_up.THROUGH, "rows": 44_641,
                 "new_values": 308_000, "changed_values": 0, "findings": 59, "tags": ("HX-03",)},)  # fmt: skip

    def findings(self, run: int, *, limit: int = 1000) -> tuple[Mapping[str, Any], ...]:
        return ({"line": 8112, "column": None, "severity": "refused", "text": "<b>no time</b>"},)

    def import_report(self, run: int) -> dict[str, Any] | None:
        return {"account": asdict(account_of({"rows_read": 44_700}))}


def app_of(ledger: MadeUpLedger) -> FastAPI:
    """Return an app with the pages alone."""
    app = FastAPI()
    app.state.ledger = ledger
    app.include_router(make_router())
    return app


class Client:
    """Asks the app in memory; one call, one answer."""

    def __init__(self, ledger: MadeUpLedger) -> None:
        self.ledger, self._app = ledger, app_of(ledger)

    def ask(self, method: str, address: str, **more: Any) -> httpx2.Response:
        async def one() -> httpx2.Response:
            transport = httpx2.ASGITransport(app=self._app)
            async with httpx2.AsyncClient(
                transport=transport, base_url="http://localhost"
            ) as client:
                return await client.request(method, address, **more)

        return anyio.run(one)

    def get(self, address: str) -> str:
        answer = self.ask("GET", address)
        assert answer.status_code == 200, answer.text[:500]
        return answer.text


@pytest.fixture
def client() -> Client:
    return Client(MadeUpLedger(list(made_up.every_case().values()), made_up.whole_plant()))


ADDRESSES = (
    "/", "/?verdict=clean-it", "/?q=library", "/?q=nothing-like-this", "/alerts",
    "/alerts?choice=closed", "/import", "/import/runs/1", "/documents", "/settings",
    *(f"/exchangers/{e.tag}" for e in made_up.every_case().values()),
)  # fmt: skip


class Outline(HTMLParser):
    """Gathers headings, ids, and every address a browser would fetch or follow."""

    def __init__(self) -> None:
        super().__init__()
        self.headings: list[str] = []
        self.ids: list[str] = []
        self.addresses: list[str] = []
        self.drawings: list[dict[str, str | None]] = []
        self.unlabelled: list[str] = []
        self._in_label = 0

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        if re.fullmatch("h[1-6]", tag):
            self.headings.append(tag)
        if tag == "label":
            self._in_label += 1
        if tag in ("input", "select") and given.get("type") != "hidden" and not self._in_label:
            self.unlabelled.append(str(given.get("name")))
        if tag == "svg":
            self.drawings.append(given)
        if given.get("id"):
            self.ids.append(str(given["id"]))
        self.addresses += [str(given[k]) for k in ("href", "src", "action") if given.get(k)]

    def handle_endtag(self, tag: str) -> None:
        if tag == "label":
            self._in_label -= 1


def test_outages_are_tabled_below_the_raw_trends_and_capped(client: Client) -> None:
    """Ten made-up outages, of which one is of two points alone: eight are shown."""
    section = client.get("/exchangers/HX-03").split('id="outages"')[1]
    assert "no row for two hours or more nine times, 54\u00a0h in all" in section
    assert "single points have no value while others go on once" in section
    assert section.count('<tr><th scope="row">') == 8
    assert "primary flow, heat power" in section
    assert "and 2 more" in section
    assert "/v1/exchangers/HX-03/outages" in section
    assert "without a reading for two hours" in client.get("/exchangers/HX-07")


def test_page_for_sending_leads_to_the_description_of_the_api(client: Client) -> None:
    outline = Outline()
    outline.feed(client.get("/import"))
    assert "/v1/docs" in outline.addresses


@pytest.mark.parametrize("address", ADDRESSES)
def test_page_is_whole_accessible_and_keeps_to_its_own_host(client: Client, address: str) -> None:
    html = client.get(address)
    outline = Outline()
    outline.feed(html)
    assert outline.headings.count("h1") == 1
    assert outline.headings[0] == "h1"
    assert len(outline.ids) == len(set(outline.ids)), "an id stands twice"
    assert not outline.unlabelled
    outside = [a for a in outline.addresses if not a.startswith(("/", "#", "data:,"))]
    assert not outside
    assert not re.search(r"(?:https?:)?//(?!www\.w3\.org/2000/svg)[a-z]", html)
    for drawing in outline.drawings:
        assert drawing["role"] == "img"
        assert all(i in outline.ids for i in str(drawing["aria-labelledby"]).split())
    assert ">None<" not in html
    assert " nan" not in html.lower()


def test_first_page_ranks_and_says_it_in_a_sentence(client: Client) -> None:
    html = client.get("/")
    assert "HX-03 in Block A needs a cleaning visit:" in html
    assert html.index(">HX-03</a>") < html.index(">HX-06</a>") < html.index(">HX-07</a>")
    assert "Clean it: deposit." in html
    assert ("seen",) in client.ledger.done


def test_filter_and_search_work_without_scripts(client: Client) -> None:
    rows = re.findall(
        r'class="tag" href="/exchangers/([^"]+)"', client.get("/?verdict=cannot-tell")
    )
    assert rows == ["HX-08", "HX-09", "HX-10"]
    rows = re.findall(r'class="tag" href="/exchangers/([^"]+)"', client.get("/?q=library"))
    assert rows == ["HX-04"]
    assert ("seen",) not in client.ledger.done, "a narrowed list is no look at all of it"


def test_what_was_typed_is_escaped(client: Client) -> None:
    html = client.get("/?q=%3Cscript%3Ealert(1)%3C/script%3E")
    assert "<script>alert" not in html
    assert "&lt;script&gt;" in html
    assert "<b>no time</b>" not in client.get("/import/runs/1")


def test_many_exchangers_are_grouped() -> None:
    base = made_up.every_case()
    fleet = [replace(base["deposit"], tag=f"HX-{n:03}") for n in range(3)]
    fleet += [replace(base["clean"], tag=f"HX-{n:03}") for n in range(3, 80)]
    plant = made_up.plant(*(made_up.exchanger(e.tag, "Block") for e in fleet))
    html = Client(MadeUpLedger(fleet, plant)).get("/")
    assert "Three of 80 exchangers need a decision." in html
    assert html.count('class="tag"') == 3
    assert "77 to leave alone" in html


@pytest.mark.parametrize(
    ("plant", "said"),
    [(None, "No plant is registered yet."), (made_up.plant(), "No exchanger yet.")],
)
def test_empty_ledger_says_the_next_step(plant: Plant | None, said: str) -> None:
    assert said in Client(MadeUpLedger([], plant)).get("/")


def test_registered_exchanger_without_readings_says_so() -> None:
    client = Client(MadeUpLedger([], made_up.whole_plant()))
    assert "HX-03 has not been assessed yet." in client.get("/exchangers/HX-03")
    assert "Not assessed yet" in client.get("/")


def test_unknown_exchanger_is_not_found(client: Client) -> None:
    answer = client.ask("GET", "/exchangers/HX-99")
    assert answer.status_code == 404
    assert "There is no exchanger HX-99." in answer.text


def test_exchanger_page_says_the_findings(client: Client) -> None:
    html = client.get("/exchangers/HX-03").replace("\u2060", "").replace("\u00a0", " ")
    for said in (
        "It has taken 29 % (26–32) of the heat transfer",
        "the approach has about doubled, from 3.0 K clean to 5.9 K",
        "Both sides report the same heat, as far as the classes of their meters tell.",
        "No thermometer is seen to be off; their errors are known to ±0.3 K.",
        "In the newest interval the approach is 3.1 K. Clean it would be 1.5 K.",
        "40 times less likely",
        "A visit about 7 December 2026 brings the most",
    ):
        assert said in html, said


def test_exchanger_page_sets_fortnights_beside_the_visit(client: Client) -> None:
    html = client.get("/exchangers/HX-01").replace("\u2060", "").replace("\u00a0", " ")
    table = html[html.index('id="achieved"') :]
    assert "The visit of 2 November 2026: worked." in table
    assert "+28 % (26–30)" in table
    assert "+32 % (29–35)" in table
    assert 'id="achieved"' not in client.get("/exchangers/HX-03")


@pytest.mark.parametrize("tag", ["HX-09", "HX-10"])
def test_missing_sections_say_what_is_missing(client: Client, tag: str) -> None:
    html = client.get(f"/exchangers/{tag}")
    for said in ("The approach at the reference condition cannot be told.",
                 "What it costs cannot be told.",
                 "Whether there are enough plates cannot be told."):  # fmt: skip
        assert said in html


def test_account_adds_up_by_eye(client: Client) -> None:
    html = client.get("/exchangers/HX-03")
    body = html[html.index("Avoidable since"):html.index("Twelve months from")]  # fmt: skip
    figures = [
        int(f.replace(",", "")) for f in re.findall(r'<td class="n(?: cost)?">([\d,]+)</td>', body)
    ]
    assert sum(figures[:-1]) == figures[-1] == 906


def test_log_entry_is_stored_in_utc_and_the_page_shown_again(client: Client) -> None:
    form = {"day": "2026-07-01", "clock": "10:00", "deed": "plates changed", "plates_after": "106"}
    answer = client.ask("POST", "/exchangers/HX-03/log", data=form)
    assert answer.status_code == 303
    event = client.ledger.added[0]
    assert event.at_utc.isoformat() == "2026-07-01T08:00:00+00:00"  # CET has summer time in July
    assert event.plates_after == 106
    assert ("assess", ("HX-03",)) in client.ledger.done


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"day": "1.7.2026"}, "is no day and time"),
        ({"deed": "painted"}, "is no deed"),
        ({"plates_after": "many"}, "is no whole number"),
        ({"plates_after": ""}, "needs plates_after"),
    ],
)
def test_wrong_log_entry_is_refused_with_the_value_seen(
    client: Client, change: dict[str, str], said: str
) -> None:
    form = {"day": "2026-07-01", "deed": "plates changed", "plates_after": "106"} | change
    answer = client.ask("POST", "/exchangers/HX-03/log", data=form)
    assert answer.status_code == 422
    assert said in answer.text
    assert not client.ledger.added


def test_a_proposal_is_a_question_that_is_answered_by_post(client: Client) -> None:
    said = client.get("/exchangers/HX-07")
    assert "Were the plates cleaned about 18\u00a0March\u00a02026?" in said
    assert 'value="2026-03-18"' in said
    assert '<a href="#log">Were the plates cleaned' in said
    assert "Were the plates cleaned" not in client.get("/exchangers/HX-03")
    address, form = (
        "/exchangers/HX-07/proposals/4",
        {"day": "2026-03-17", "deed": "cleaned in place"},
    )
    answer = client.ask("POST", address, data={**form, "answer": "yes"})
    assert answer.headers["location"] == "/exchangers/HX-07#log"
    client.ask("POST", address, data={"answer": "no", "note": "nobody was there"})
    assert client.ledger.done == [
        ("accept", 4, "2026-03-17", "cleaned in place"), ("assess", ("HX-07",)),
        ("reject", 4, "nobody was there"),
    ]  # fmt: skip
    refused = client.ask("POST", address, data={**form, "deed": "painted"})
    assert refused.status_code == 422
    assert "painted" in refused.text


def test_alerts_are_acknowledged_and_shelved_by_post(client: Client) -> None:
    assert client.ask("POST", "/alerts/1/acknowledge").status_code == 303
    assert client.ask("POST", "/alerts/2/shelve", data={"until": "2027-03-01"}).status_code == 303
    assert client.ledger.done[0] == ("acknowledge", 1)
    assert client.ledger.done[1][2].isoformat() == "2027-03-01T22:59:00+00:00"
    assert client.ask("POST", "/alerts/99/acknowledge").status_code == 422
    assert client.ask("POST", "/alerts/2/shelve", data={"until": "soon"}).status_code == 422
    assert client.ask("GET", "/alerts/1/acknowledge").status_code == 405


def test_static_files_are_our_own_and_kept_by_the_browser(client: Client) -> None:
    for name in ("sheet.css", "page.js", "plotly.min.js"):
        answer = client.ask("GET", static_url(name))
        assert answer.status_code == 200
        assert "immutable" in answer.headers["cache-control"]
    assert client.ask("GET", "/static/1/..%2Frouter.py").status_code == 404
    assert not re.search(r"@import|url\(", client.ask("GET", static_url("sheet.css")).text)


def test_week_of_raw_trends_is_chosen_by_query(client: Client) -> None:
    html = client.get("/exchangers/HX-03?week=2026-11-10")
    assert "Week from 10" in html
    assert "week=2026-11-03" in html
    answer = client.ask("GET", "/exchangers/HX-03/week.json?week=2026-11-10")
    assert len(answer.json()["data"][0]["x"]) == 7 * 96


def test_present_values_can_be_taken_anew(client: Client) -> None:
    assert "In the newest interval the approach is" in client.get("/exchangers/HX-03/now")
    assert "No newest values." in client.get("/exchangers/HX-08/now")


@pytest.mark.parametrize("reason", [q.name for q in SET_ASIDE_REASONS if q.name != "stopped"])
def test_the_newest_interval_says_in_a_sentence_why_it_tells_nothing(reason: str) -> None:
    base = made_up.deposit()
    assert base.latest is not None
    latest = replace(base.latest, set_aside=(reason,))
    part = sections.present(replace(base, latest=latest), "HX-03", made_up.whole_plant())
    assert "It carries no evidence on the plates, as " in part.note
    assert reason not in part.note.split("as ")[-1] or reason == "gap"
    assert len(part.note.split(", as ")[-1].split()) >= 4  # a sentence, not a code


def test_an_interval_in_which_the_readings_end_says_so() -> None:
    """The made-up readings end at 07:30 UTC, 08:30 of the site, inside this quarter-hour."""
    base = made_up.deposit()
    assert base.latest is not None
    start = made_up.THROUGH - timedelta(minutes=5)
    latest = replace(base.latest, start_utc=start, minutes=15.0, set_aside=("gap",))
    part = sections.present(replace(base, latest=latest), "HX-03", made_up.whole_plant())
    assert "as the readings end at 08:30, before it is over" in part.note


def test_the_order_of_the_list_is_said_above_it(client: Client) -> None:
    html = client.get("/")
    assert html.index("Ordered by what is to be decided") < html.index('id="exchangers"')


def test_documents_page_names_the_paper_that_fits(client: Client) -> None:
    html = client.get("/documents")
    assert html.count("Request to clean, and visit sheet") == 2
    assert "/exchangers/HX-03/document.pdf" in html


def test_file_is_checked_then_stored_once_its_question_is_answered(client: Client) -> None:
    sent = client.ask("POST", "/import", files={"file": ("october.csv", b"a;b")})
    assert sent.status_code == 303
    where = sent.headers["location"]
    html = client.get(where)
    assert "One of two columns is understood; one question is open." in html
    assert "Is 06/10 the sixth of October" in html
    assert re.search(r'name="accept" value="yes" required>', html)
    html = client.get(f"{where}?date_order=dmy&unit:AHU2.SAT=degF")
    assert "no question is open" in html
    assert 'name="unit:AHU2.SAT" value="degF"' in html
    stored = client.ask("POST", f"{where}/store", data={"date_order": "dmy"})
    assert stored.headers["location"] == "/import?stored=1"
    assert ("store", "october.csv", 3, "dmy") in client.ledger.done
    told = client.get("/import?stored=1")
    assert "Stored: october.csv." in told
    assert "For HX-03: 308,000 values new, 0 values changed" in told
    assert '<td class="n">308,000</td>' in told
    assert client.ask("GET", where).status_code == 404, "a stored file is let go"


def test_file_that_cannot_be_read_says_so(client: Client) -> None:
    sent = client.ask("POST", "/import", files={"file": ("empty.csv", b"")})
    answer = client.ask("GET", sent.headers["location"])
    assert answer.status_code == 422
    assert "empty.csv: the file is empty" in answer.text
    assert client.ask("POST", "/import", data={"exchanger": ""}).status_code == 422


def test_documents_page_lists_what_was_written(tmp_path: Path) -> None:
    ledger = MadeUpLedger(list(made_up.every_case().values()), made_up.whole_plant())
    ledger.settings = Settings(workspace=tmp_path)
    assert "in the workspace" not in Client(ledger).get("/documents")
    ledger.settings.documents_path.mkdir()
    (ledger.settings.documents_path / "HX-03 cleaning request.pdf").write_bytes(b"%PDF")
    html = Client(ledger).get("/documents")
    assert "One document lies in the workspace." in html
    assert "HX-03 cleaning request.pdf" in html
