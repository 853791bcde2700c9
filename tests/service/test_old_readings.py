"""What is read long after the readings end: every sentence speaks of their end, and a notice says so."""

import io
import json
import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from pypdf import PdfReader
from typer.testing import CliRunner

from analytics.vocabulary.errors import RegisterError
from analytics.vocabulary.records import Evaluation
from service.charts.approach import approach_chart
from service.charts.spark import spark, spark_axis
from service.cli import answers, data  # noqa: F401
from service.cli.command import app
from service.documents.cleaning import cleaning_document
from service.register.reading import example_register, parse_register
from service.settings import Settings
from service.usecases import ledger as ledgers
from service.usecases.assessing import assess
from service.usecases.ledger import Ledger
from service.wording.staleness import data_age, old_plant, old_readings
from tests.service import made_up
from tests.service.test_pages import Client, MadeUpLedger

PLANT = made_up.whole_plant()
DAY = timedelta(days=1)
NB = "\u00a0"
LATER = datetime(2027, 12, 1, 8, tzinfo=UTC)  # 373 days and half an hour after the made-up readings


def plain(text: str) -> str:
    return " ".join(text.replace(NB, " ").replace("\u2060", "").split())


@pytest.mark.parametrize(("days", "old"), [(0.0, False), (6.9, False), (7.1, True), (400.0, True)])
def test_readings_are_old_beyond_the_limit_of_the_register(days: float, old: bool) -> None:
    now_utc = made_up.THROUGH + days * DAY
    age = data_age(made_up.deposit(), PLANT, now_utc)
    assert age.is_old is old
    assert age.days == pytest.approx(days)
    assert bool(old_readings(made_up.deposit(), PLANT, now_utc)) is old
    patient = replace(PLANT, stale_after_days=1000.0)
    assert not data_age(made_up.deposit(), patient, now_utc).is_old


def test_a_clock_behind_the_readings_makes_none_old() -> None:
    age = data_age(made_up.deposit(), PLANT, made_up.THROUGH - 30 * DAY)
    assert (age.days, age.is_old) == (0.0, False)


def test_an_exchanger_without_readings_has_no_age() -> None:
    nothing = made_up.nothing_known()
    nothing = replace(nothing, health=replace(nothing.health, last_utc=None))
    assert data_age(nothing, PLANT, LATER).newest_utc is None
    assert old_readings(nothing, PLANT, LATER) == ""


def test_the_notice_names_the_day_and_the_dates_that_went_by() -> None:
    base = made_up.deposit()
    assert base.forecast is not None
    forecast = replace(
        base.forecast, date_5=datetime(2027, 1, 4, tzinfo=UTC), date_95=datetime(2027, 3, 22, tzinfo=UTC)
    )  # fmt: skip
    evaluation = replace(base, forecast=forecast)
    said = plain(old_readings(evaluation, PLANT, LATER))
    assert "end on 23 November 2026, 373 days ago" in said
    assert "limit reached between 4 January 2027 and 22 March 2027" in said
    assert "7 December 2026, is past" in said  # the best day of the made-up account
    between = plain(old_readings(evaluation, PLANT, datetime(2027, 2, 1, tzinfo=UTC)))
    assert "may have been passed since 4 January 2027" in between
    before = plain(old_readings(evaluation, PLANT, made_up.THROUGH + 8 * DAY))
    assert "may have been" not in before
    assert "past" not in before


def test_days_are_counted_from_date_to_date_of_the_site() -> None:
    # eight days and an hour, from late in the evening until after midnight
    late = replace(made_up.deposit(), through_utc=datetime(2026, 11, 22, 22, tzinfo=UTC))
    said = plain(old_readings(late, replace(PLANT, zone=UTC), datetime(2026, 12, 1, 3, tzinfo=UTC)))
    assert "end on 22 November 2026, 9 days ago" in said


def test_the_plants_notice_names_those_that_are_old_among_others() -> None:
    fresh, stale = made_up.clean(), made_up.deposit()
    fresh = replace(fresh, through_utc=LATER - DAY)
    said = plain(old_plant([stale, fresh], PLANT, LATER))
    assert "HX-03 end on 23 November 2026" in said
    assert "HX-07" not in said
    both = old_plant([stale, replace(made_up.clean(), through_utc=made_up.THROUGH)], PLANT, LATER)
    assert "newest readings are of 23 November 2026" in plain(both)
    assert "For one of them a date that was foreseen has gone by" in plain(both)
    assert old_plant([stale], PLANT, LATER) == old_readings(stale, PLANT, LATER)
    assert old_plant([fresh], PLANT, LATER) == ""


@pytest.mark.parametrize("address", ["/", "/exchangers/HX-03", "/alerts", "/documents"])
def test_pages_say_it_only_where_readings_are_old(address: str) -> None:
    ledger = MadeUpLedger(list(made_up.every_case().values()), PLANT)
    client = Client(ledger)
    assert "holds for that day" not in client.get(address)
    ledger.clock = LATER
    html = plain(client.get(address))
    assert "23 November 2026, 373 days ago" in html
    assert "holds for that day" in html


def _with_a_late_best_day(evaluation: Evaluation) -> Evaluation:
    if evaluation.money is None or evaluation.money.best_visit_utc is None:
        return evaluation
    money = replace(evaluation.money, best_visit_utc=LATER + 30 * DAY)
    return replace(evaluation, money=money)


@pytest.mark.parametrize(
    "address", ["/", "/exchangers/HX-03", "/exchangers/HX-05", "/exchangers/HX-08"]
)
def test_no_sentence_of_the_account_counts_from_the_day_it_is_read(address: str) -> None:
    """Read a day or a year later, a page differs by its notice and the date in its head alone.

    But for the day of a visit, which nobody can keep once it went by: here it is still to come.
    """
    ledger = MadeUpLedger([_with_a_late_best_day(e) for e in made_up.every_case().values()], PLANT)
    client = Client(ledger)
    soon = client.get(address)
    ledger.clock = LATER
    late = client.get(address)
    notice = re.search(r'<p class="warn" role="status">.*?</p>', late)
    assert notice is not None
    late = late.replace(notice.group(), "")
    # the head of the page tells both dates, and no visit is logged on a day to come
    dated = re.compile(
        r"Monday\xa023.*08:30|1\xa0Dec\xa02027, data to 23\xa0Nov\xa02026|2026-11-23|2027-12-01"
    )
    assert dated.sub("", soon) == dated.sub("", late)
    for word in (">today", "today ", " ago", " now.", "in 5\u201312", "the last 30 days carry"):
        assert word not in soon, word


def test_charts_name_the_day_on_which_the_readings_end() -> None:
    chart = approach_chart(made_up.deposit(), made_up.events(), PLANT, width=1160.0, name="a")
    assert chart is not None
    assert f">23{NB}Nov: 5.9" in chart.svg
    assert ">today" not in chart.svg
    assert f"after 23{NB}Nov" in chart.text
    assert f">23{NB}Nov<" in spark_axis(made_up.THROUGH, PLANT.zone)


def test_a_row_whose_readings_end_before_the_others_stands_on_the_axis_of_all() -> None:
    """The line of 23 November stands where the common axis has that day, not at the row's own end."""
    own = spark(made_up.deposit(), (), PLANT)
    behind = spark(made_up.deposit(), (), PLANT, through_utc=made_up.THROUGH + 60 * DAY)
    gone = spark(made_up.deposit(), (), PLANT, through_utc=made_up.THROUGH + 500 * DAY)
    assert "stops" not in own.svg
    assert f"stops 23{NB}Nov" in behind.svg
    assert f"stops 23{NB}Nov{NB}2026" in gone.svg
    assert own.svg != behind.svg


def test_the_document_says_how_old_its_readings_are() -> None:
    exchanger = PLANT.exchanger("HX-03")
    assert exchanger is not None

    def first_page(made_utc: datetime) -> str:
        pdf = cleaning_document(PLANT, exchanger, made_up.deposit(), (), made_utc)
        return plain(PdfReader(io.BytesIO(pdf)).pages[0].extract_text())

    late, soon = first_page(LATER), first_page(made_up.THROUGH + DAY)
    assert "The readings end on 23 November 2026, 373 days ago" in late
    # nobody can approve a visit by a day that went by
    assert "if done by" not in late
    assert "approved, €1,450, as soon as it can be arranged" in late
    assert "if done as soon as it can be arranged." in late
    assert "is reckoned for 7 December 2026" in late
    assert "if done by 7 December 2026" in soon
    assert "approved, €1,450, by 7 December 2026" in soon
    assert "The readings end on" not in soon
    assert "today" not in soon


@pytest.fixture
def at_the_clock(workspace, tmp_path, write_trends, monkeypatch):
    """Run the command with an assessed exchanger, at a time of choice."""
    trends = tmp_path / "october.csv"
    trends.write_text(write_trends(), encoding="utf-8")
    runner = CliRunner()

    def call(now_utc: datetime, *arguments: str):
        monkeypatch.setattr(ledgers, "machine_clock", lambda: now_utc)
        done = runner.invoke(app, [*arguments, "-w", str(workspace)], catch_exceptions=False)
        assert done.exit_code == 0, done.output
        return done

    call(made_up.THROUGH, "import", str(trends))
    ledger = Ledger.open(Settings(workspace=workspace))
    assess(ledger.store, workers=1, evaluate=lambda x, t, e: made_up.deposit(x.tag))
    ledger.close()
    return call


def test_status_says_it_in_words_and_as_fields(at_the_clock) -> None:
    fresh = at_the_clock(made_up.THROUGH + DAY, "status")
    assert "holds for that day" not in plain(fresh.stdout)
    assert "373 days ago: all that is said here holds for that day" in plain(
        at_the_clock(LATER, "status").stdout
    )
    (status,) = json.loads(at_the_clock(LATER, "status", "--json").stdout)
    age = status["data_age"]
    assert age["newest"] == "2026-11-23T07:30:00Z"
    assert age["days"] == pytest.approx(373.02, abs=0.01)
    assert (age["is_old"], age["old_after_days"]) == (True, 7.0)
    assert "373" in age["notice"]
    (status,) = json.loads(at_the_clock(made_up.THROUGH + DAY, "status", "--json").stdout)
    assert (status["data_age"]["is_old"], status["data_age"]["notice"]) == (False, "")


def test_the_limit_is_set_in_the_register_and_kept(ledger, tmp_path) -> None:
    text = example_register()
    assert "# stale_after_days = 7" in text
    said = text.replace("# stale_after_days = 7", "stale_after_days = 30.5")
    assert parse_register(said, "plant.toml", folder=tmp_path).stale_after_days == 30.5
    assert ledger.plant().stale_after_days == 7.0
    ledger.settings.register_path.write_text(said, encoding="utf-8")
    ledger.load_register()
    assert ledger.plant().stale_after_days == 30.5
    with pytest.raises(RegisterError, match="stale_after_days"):
        parse_register(said.replace("30.5", "0"), "plant.toml", folder=tmp_path)
