"""After plates were added: the plates fitted today and their clean approach stand everywhere."""

from dataclasses import replace

import pytest

from analytics.vocabulary.records import Deed, Evaluation, MaintenanceEvent
from service.charts.approach import approach_chart
from service.charts.spark import spark
from service.documents.contents import page_two
from service.pages import exchanger as page
from service.pages import sections
from service.register.fitted import as_fitted
from service.usecases.status import status_of
from tests.service import made_up

PLANT = made_up.whole_plant()
FORMER_K, TODAY_K = 3.0, 2.1


def added(base: Evaluation) -> tuple[Evaluation, MaintenanceEvent]:
    daily = base.daily.copy()
    at = daily.index[len(daily) // 2]
    for end, apart in (("", 0.0), ("_low", -0.2), ("_high", 0.2)):
        daily[f"approach_clean_K{end}"] = FORMER_K + apart
        daily.loc[at:, f"approach_clean_K{end}"] = TODAY_K + apart
    event = MaintenanceEvent(
        tag=base.tag, at_utc=at.to_pydatetime(), deed=Deed.PLATES_CHANGED, plates_after=80
    )
    return replace(base, daily=daily), event


def test_plates_and_area_are_those_fitted() -> None:
    _, event = added(made_up.clean())
    registered = replace(PLANT.exchanger("HX-07"), plates=62, area_m2=12.0)
    # 60 plates pass heat of 62, 78 of 80
    assert as_fitted(registered, [event], made_up.THROUGH).area_m2 == pytest.approx(15.6)
    assert as_fitted(registered, [event], event.at_utc.replace(year=2020)) is registered
    fitted = as_fitted(registered, [event], made_up.THROUGH)
    sheet = dict(page_two(PLANT, fitted, made_up.clean())["there"])
    assert sheet["Plates, effective area"].startswith("80, 15.6")
    # a pack of 80 plates tightened to the dimension of 62 would be crushed
    assert registered.tightening_dimension_m is not None
    assert fitted.tightening_dimension_m is None
    assert sections.pack_rows(fitted, PLANT, event)[0][1] == "80"


def test_the_clean_level_is_that_of_todays_plates() -> None:
    evaluation, event = added(made_up.clean())
    sheet = page_two(PLANT, PLANT.exchanger("HX-07"), evaluation)
    assert dict(sheet["expected"])["Approach after, reference"].startswith("2.1")
    assert "clean 2.1" in page.facts(evaluation, PLANT, made_up.THROUGH)[0].note
    chart = approach_chart(evaluation, [event], PLANT)
    assert chart is not None
    assert "clean 2.1" in chart.text
    assert "former plates" in chart.svg
    assert "clean 2.1" in spark(evaluation, [event], PLANT).text
    status = status_of(PLANT, "HX-07", evaluation, 1, made_up.THROUGH)
    assert status.approach.clean_at_reference.value == TODAY_K
