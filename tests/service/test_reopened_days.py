"""Readings that come late, or are put right, re-open concluded days; the alerts' history says so."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pandas as pd
import pytest

from analytics.evaluation import evaluate
from analytics.vocabulary.records import AlertEvent, CauseKind, Deed, MaintenanceEvent, Remark
from service.alerts.lifecycle import DATA_STOPPED, AlertState, StepKind
from service.settings import Settings
from service.store import imports
from service.store.store import Store
from service.usecases.assessing import assess
from service.usecases.ledger import ImportOptions, Ledger
from service.usecases.reopening import day_marks, packed, reopened, unpacked
from service.wording.history import changed_lines, history
from tests.analytics.plants import simulated
from tests.service import made_up

DAY = timedelta(days=1)
FIRST = datetime(2026, 3, 1, tzinfo=UTC)


def frame(days: int = 30, *, level: float = 50.0, start: datetime = FIRST) -> pd.DataFrame:
    index = pd.date_range(start, periods=24 * days, freq="h", name="time_utc")
    values = level + np.arange(len(index)) % 24
    return pd.DataFrame(
        {"primary_supply_temperature": values + 30.0, "primary_return_temperature": values},
        index=index,
    )


# --- marks of days ---------------------------------------------------------------------------------


def test_the_same_readings_have_the_same_mark_in_any_order_of_columns():
    one = frame()
    assert packed(day_marks(one)) == packed(day_marks(one[one.columns[::-1]]))
    assert (unpacked(packed(day_marks(one))) == day_marks(one)).all()
    assert len(day_marks(one)) == 30


def _with_another_value(whole: pd.DataFrame) -> pd.DataFrame:
    other = whole.copy()
    other.iloc[5, 0] += 0.1
    return other


@pytest.mark.parametrize(
    "change",
    [
        _with_another_value,
        lambda f: f.rename(columns={"primary_return_temperature": "outdoor_temperature"}),
        lambda f: f.set_axis(f.columns[::-1], axis=1),
        lambda f: f.shift(1, freq="min"),
    ],
)
def test_another_value_role_or_stamp_has_another_mark(change):
    assert day_marks(frame(1))["mark"] != day_marks(change(frame(1)))["mark"]


def test_what_happened_to_concluded_days_is_told_apart():
    whole = frame()
    through = whole.index[-1].to_pydatetime()
    late = whole.drop(
        whole.index[(whole.index >= FIRST + 8 * DAY) & (whole.index < FIRST + 17 * DAY)]
    )
    marks = day_marks(whole)
    (found,) = reopened(day_marks(late), marks, through)
    assert (found.kind, found.first_utc, found.last_utc, found.days) == (
        "late", FIRST + 8 * DAY, FIRST + 16 * DAY, 9,
    )  # fmt: skip
    (found,) = reopened(marks, day_marks(late), through)
    assert found.kind == "removed"
    put_right = whole.copy()
    put_right.iloc[50, 0] += 0.1
    (found,) = reopened(marks, day_marks(put_right), through)
    assert (found.kind, found.first_utc, found.days) == ("corrected", FIRST + 2 * DAY, 1)
    assert reopened(marks, marks, through) == ()
    assert reopened(None, marks, through) == ()


def test_the_day_that_was_not_over_and_later_ones_were_not_concluded():
    part = frame(10).iloc[:-6]
    assert reopened(day_marks(part), day_marks(frame(12)), part.index[-1].to_pydatetime()) == ()


# --- the history of alerts -------------------------------------------------------------------------


def alert(raised: datetime, ended: datetime | None = None, kind=CauseKind.DEPOSIT) -> AlertEvent:
    return AlertEvent(
        kind=kind, subject=None, raised_utc=raised, ended_utc=ended, remark=Remark(code="made_up")
    )


def run(ledger: Ledger, *events: AlertEvent) -> None:
    def concluded(exchanger, trends, log):
        through = trends.index[-1].to_pydatetime()
        return replace(made_up.clean(exchanger.tag), through_utc=through, alerts=events)

    assess(ledger.store, workers=1, evaluate=concluded, again=True)


def put(store: Store, trends: pd.DataFrame) -> None:
    with store.writing() as connection:
        imports.store_readings(connection, "HX-01", trends)


def whats(ledger: Ledger) -> list[list[StepKind]]:
    return [[s.what for s in a.history] for a in sorted(ledger.alerts(), key=lambda a: a.number)]


def test_an_alert_that_late_readings_take_away_is_withdrawn_and_kept(ledger):
    whole = frame()
    gap = (whole.index >= FIRST) & (whole.index < FIRST + 9 * DAY)
    put(ledger.store, whole[~gap])
    run(ledger, alert(FIRST + 10 * DAY))
    put(ledger.store, whole)
    run(ledger)
    (kept,) = ledger.alerts()
    assert whats(ledger) == [[StepKind.RAISED, StepKind.WITHDRAWN]]
    assert kept.withdrawn_utc is not None
    (line,) = changed_lines(kept, ledger.plant())
    assert line.endswith(
        "withdrawn after readings of 1 March 2026 to 9 March 2026 arrived late (9 days)"
    )
    assert next(text for _, text in history(kept, ledger.plant())) == "raised"
    run(ledger, alert(FIRST + 10 * DAY))
    assert whats(ledger) == [[StepKind.RAISED, StepKind.WITHDRAWN, StepKind.RAISED_AGAIN]]
    assert ledger.alerts()[0].history[-1].reason.code == "assessed_anew"


def test_an_alert_that_corrected_readings_bring_or_move_says_so(ledger):
    put(ledger.store, frame())
    run(ledger)
    put(ledger.store, frame(3, level=60.0))
    run(ledger, alert(FIRST + 10 * DAY))
    put(ledger.store, frame(2, level=70.0))
    run(ledger, alert(FIRST + 8 * DAY, FIRST + 20 * DAY))
    (kept,) = ledger.alerts()
    assert [s.what for s in kept.history] == [
        StepKind.RAISED, StepKind.DATED_ANEW, StepKind.RETURNED,
    ]  # fmt: skip
    assert [s.reason.code for s in kept.history] == ["readings_corrected"] * 3
    assert [s.raised_utc for s in kept.history] == [FIRST + n * DAY for n in (10, 8, 8)]
    said = changed_lines(kept, ledger.plant())
    assert (
        "raised for 11\u00a0Mar\u00a02026 after readings of 1 March 2026 to 3 March 2026" in said[0]
    )
    assert "dated anew to 9\u00a0Mar\u00a02026 after readings of 1 March 2026 to 2 March" in said[1]


def test_in_the_ordinary_course_no_reason_is_told(ledger):
    put(ledger.store, frame(10))
    run(ledger)
    put(ledger.store, frame(30))
    run(ledger, alert(FIRST + 12 * DAY))
    put(ledger.store, frame(60))
    run(ledger, alert(FIRST + 12 * DAY, FIRST + 40 * DAY))
    number = ledger.alerts()[0].number
    ledger.acknowledge_alert(number, by="A. Reader")
    ledger.acknowledge_alert(number, by="B. Reader")
    (kept,) = ledger.alerts()
    assert [s.what for s in kept.history] == [
        StepKind.RAISED, StepKind.RETURNED, StepKind.ACKNOWLEDGED,
    ]  # fmt: skip
    assert all(s.reason is None for s in kept.history)
    assert kept.history[-1].by == "A. Reader"
    assert [at for at, _ in history(kept, ledger.plant())][:2] == [
        FIRST + 12 * DAY, FIRST + 40 * DAY,
    ]  # fmt: skip


def test_a_log_entry_that_changes_the_past_is_named(ledger):
    put(ledger.store, frame())
    run(ledger, alert(FIRST + 10 * DAY))
    visit = MaintenanceEvent(tag="HX-01", at_utc=FIRST + 6 * DAY, deed=Deed.OPENED_AND_CLEANED)
    ledger.add_event(visit)
    run(ledger)
    step = ledger.alerts()[0].history[-1]
    assert (step.what, step.reason.code) == (StepKind.WITHDRAWN, "log_entered")
    assert step.reason.words == {"deed": "opened and cleaned", "day": "7 March 2026"}


def test_readings_that_come_again_return_their_alert_to_normal(ledger):
    put(ledger.store, frame(10))
    run(ledger, alert(FIRST + 5 * DAY, kind=DATA_STOPPED))
    put(ledger.store, frame(12))
    run(ledger)
    (kept,) = ledger.alerts()
    assert kept.withdrawn_utc is None
    assert [s.what for s in kept.history] == [StepKind.RAISED, StepKind.RETURNED]
    assert kept.state(datetime.now(UTC) + DAY) is AlertState.RETURNED_UNACKNOWLEDGED


# --- the real analysis -----------------------------------------------------------------------------


def _standing(ledger: Ledger) -> set[tuple[str, str | None, datetime, datetime | None]]:
    return {
        (str(a.kind), a.subject, a.raised_utc, a.ended_utc)
        for a in ledger.alerts()
        if a.withdrawn_utc is None
    }


@pytest.mark.slow
def test_late_files_end_in_the_same_alerts_as_files_in_order(workspace, tmp_path):
    """A fortnight about the alert comes last; without it the alert is raised later, or by another day."""
    plant = simulated("deposit", 5)
    whole = evaluate(plant.exchanger, plant.logged)
    raised = next(a.raised_utc for a in whole.alerts if a.kind is CauseKind.DEPOSIT)
    stamps = plant.logged.index
    middle = (stamps >= raised - 6 * DAY) & (stamps < raised + 8 * DAY)
    parts = [
        plant.logged[(stamps < raised) & ~middle],
        plant.logged[middle],
        plant.logged[(stamps > raised) & ~middle],
    ]

    def real(exchanger, trends, log):
        return evaluate(replace(plant.exchanger, tag=exchanger.tag), trends, log)

    ledgers = []
    for name, order in (("order", (0, 1, 2)), ("late", (0, 2, 1))):
        settings = Settings(
            workspace=workspace, database_url=f"sqlite:///{tmp_path / name}.sqlite", workers=1
        )
        ledger = Ledger.open(settings)
        ledger.load_register()
        for part in order:
            put(ledger.store, parts[part])
            assess(ledger.store, workers=1, evaluate=real)
        ledgers.append(ledger)
    ordered, late = ledgers
    assert _standing(ordered) == _standing(late)
    assert any(kind == "deposit" and at == raised for kind, _, at, _ in _standing(late))
    assert all(s.reason is None for a in ordered.alerts() for s in a.history)
    reasons = [s.reason for a in late.alerts() for s in a.history if s.reason is not None]
    assert {r.code for r in reasons} == {"readings_late"}
    first = raised - 6 * DAY
    assert {r.words["first"] for r in reasons} == {f"{first.day} {first:%B %Y}"}
    for ledger in ledgers:
        ledger.close()


def test_an_import_that_changes_nothing_leaves_no_trace(ledger, write_trends):
    ledger.import_store("oct.csv", write_trends().encode(), ImportOptions())
    run(ledger, alert(datetime(2025, 10, 1, tzinfo=UTC)))
    ledger.import_store("again.csv", write_trends(hours=24).encode(), ImportOptions())
    run(ledger, alert(datetime(2025, 10, 1, tzinfo=UTC)))
    assert whats(ledger) == [[StepKind.RAISED]]
