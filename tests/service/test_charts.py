"""Charts: every one survives every evaluation, says what it shows, and keeps to its drawing."""

import xml.etree.ElementTree as ET
from collections.abc import Callable
from dataclasses import replace
from itertools import combinations, pairwise

import numpy as np
import pytest

from analytics.vocabulary.records import CauseKind, Evaluation, Remark
from service.charts.account import benefit_chart, capacity_chart
from service.charts.approach import approach_chart
from service.charts.drawing import Chart, Drawing
from service.charts.instruments import offsets_chart, profile_chart
from service.charts.placing import Box, Placing, text_box
from service.charts.scales import rounded_out, spread, tick_labels, ticks
from service.charts.spark import spark, spark_axis, used_up_bar
from service.charts.transfer import duties_chart, transfer_chart
from service.charts.trends import explorer_figure, set_aside_hours, trends_chart
from service.documents.contents import page_one
from service.pages.sections import approach
from tests.service import made_up

PLANT = made_up.whole_plant()
CASES = made_up.every_case()
Draw = Callable[[Evaluation, float], Chart | None]
CHARTS: dict[str, Draw] = {
    "spark": lambda e, w: spark(e, made_up.events(), PLANT),
    "bar": lambda e, w: used_up_bar(e, PLANT),
    "approach": lambda e, w: approach_chart(e, made_up.events(), PLANT, width=w),
    "transfer": lambda e, w: transfer_chart(e, PLANT, width=w),
    "duties": lambda e, w: duties_chart(e, PLANT, width=w),
    "offsets": lambda e, w: offsets_chart(e, PLANT, width=w),
    "profile": lambda e, w: profile_chart(e.latest, e.tag, PLANT, width=w),
    "benefit": lambda e, w: benefit_chart(e, PLANT, made_up.THROUGH, width=w),
    "capacity": lambda e, w: capacity_chart(e.capacity, e.tag, PLANT, width=w),
    "trends": lambda e, w: trends_chart(e.intervals.iloc[-672:], e.tag, PLANT, width=w),
}
SVG = "{http://www.w3.org/2000/svg}"


@pytest.mark.parametrize("width", [1160.0, 354.0])
@pytest.mark.parametrize("name", CHARTS)
@pytest.mark.parametrize("case", CASES)
def test_chart_says_what_it_shows_and_holds_only_numbers(
    case: str, name: str, width: float
) -> None:
    chart = CHARTS[name](CASES[case], width)
    if chart is None:
        assert name not in ("spark", "bar"), "a row of the list always has its small chart"
        return
    root = ET.fromstring(chart.svg)
    assert root.find(f"{SVG}title") is not None
    assert (root.findtext(f"{SVG}desc") or "").endswith(".")
    assert chart.text.endswith(".")
    shapes = " ".join(v for e in root.iter() for k, v in e.attrib.items() if k != "class")
    assert "nan" not in shapes.lower()
    assert "inf" not in shapes.lower().replace("information", "")


@pytest.mark.parametrize("name", [n for n in CHARTS if n not in ("spark", "bar")])
def test_fouled_exchanger_has_every_chart(name: str) -> None:
    assert CHARTS[name](CASES["deposit"], 540.0) is not None


@pytest.mark.parametrize("name", ["approach", "transfer", "duties", "offsets", "benefit", "trends"])
def test_chart_that_carries_data_has_a_table(name: str) -> None:
    chart = CHARTS[name](CASES["deposit"], 540.0)
    assert chart is not None
    assert chart.table is not None
    assert chart.table.rows
    assert {len(row) for row in chart.table.rows} == {len(chart.table.heads)}


@pytest.mark.parametrize("case", ["nothing known", "all gaps"])
def test_chart_without_a_single_value_is_left_out(case: str) -> None:
    for name in ("approach", "transfer", "duties", "trends"):
        assert CHARTS[name](CASES[case], 540.0) is None


def test_labels_stay_inside_the_main_chart() -> None:
    for width in (1160.0, 354.0):
        chart = CHARTS["approach"](CASES["deposit"], width)
        assert chart is not None
        for text in ET.fromstring(chart.svg).iter(f"{SVG}text"):
            assert 0 <= float(text.attrib["x"]) <= width, text.text
            assert text.text


def test_small_charts_put_clean_and_limit_at_the_same_heights() -> None:
    heights = set()
    for case in ("deposit", "clean", "thermometer"):
        root = ET.fromstring(spark(CASES[case], (), PLANT).svg)
        lines = {e.attrib["class"]: e.attrib["y1"] for e in root.iter(f"{SVG}line")}
        heights.add((lines["clean"], lines["limit"]))
    assert len(heights) == 1


def test_nothing_lost_has_no_red() -> None:
    chart = CHARTS["approach"](CASES["clean"], 1160.0)
    assert chart is not None
    for kind in ("fan-wide", "fan-half", "reached", "present-cost", "label-cost"):
        assert f'class="{kind}' not in chart.svg


def test_forecast_starts_at_the_readings_end_and_limit_bar_at_its_first_date() -> None:
    chart = CHARTS["approach"](CASES["deposit"], 1160.0)
    assert chart is not None
    assert "limit reached" in chart.svg
    assert 'class="reached"' in chart.svg


def test_line_that_stops_is_told_by_the_plants_own_patience() -> None:
    """The made-up daily account stops weeks before the readings end; a plant may wait for longer."""
    patient = replace(PLANT, stale_after_days=60.0)
    told = [approach_chart(made_up.stopped(), (), plant) for plant in (PLANT, patient)]
    assert ["stops " in chart.svg for chart in told if chart is not None] == [True, False]


def test_drawing_escapes_what_people_typed() -> None:
    drawing = Drawing(name="x", width=10, height=10)
    drawing.label(0, 0, "<script>&")
    assert "<script>" not in drawing.to_svg("a<b", 'c"d')
    ET.fromstring(drawing.to_svg("a<b", 'c"d'))


def test_curve_breaks_at_a_gap() -> None:
    drawing = Drawing(name="x", width=10, height=10)
    drawing.curve([0, 1, 2, 3, 4], [1, 1, np.nan, 1, 1], "measured")
    assert drawing.to_svg("t", "d.").count("M") == 2


def test_ticks_are_round_and_few() -> None:
    assert ticks(0.3, 9.7, 5).tolist() == [2.0, 4.0, 6.0, 8.0]
    assert tick_labels(np.array([2.0, 4.0]), "K") == ["2", "4\u00a0K"]
    assert rounded_out([1.2, 7.9], 4) == (0.0, 8.0)
    assert len(ticks(-3.7e5, 8.1e6, 5)) <= 6


def test_labels_are_moved_apart() -> None:
    placed = spread([10.0, 12.0, 11.0], 5.0, 0.0, 100.0)
    ordered = sorted(placed)
    assert min(b - a for a, b in pairwise(ordered)) >= 5.0


def test_days_of_a_narrow_week_keep_their_numbers() -> None:
    chart = trends_chart(made_up.deposit().intervals.iloc[-672:], "HX-03", PLANT, width=354.0)
    assert chart is not None
    shown = [text for text, _ in _label_boxes(chart.svg)]
    days = [t for t in shown if t.isdigit() or t.endswith("Nov")]
    assert len(days) >= 6
    assert all(d[0].isdigit() for d in days)


def test_hours_set_aside_are_counted_by_reason() -> None:
    week = CASES["deposit"].intervals.iloc[-672:]
    hours = set_aside_hours(week)
    assert hours["gap"] == pytest.approx(30 * 0.25)  # thirty quarter-hours were taken out
    assert hours["spike"] == pytest.approx(0.25)


def test_explorer_keeps_gaps_as_gaps() -> None:
    week = CASES["deposit"].intervals.iloc[-672:]
    figure = explorer_figure(week, PLANT)
    assert None in figure["data"][0]["y"]
    assert {t["name"] for t in figure["data"]} >= {"primary supply", "gap", "transient"}


def test_time_axis_of_the_list_names_the_day_its_readings_end() -> None:
    assert ">23\u00a0Nov<" in spark_axis(made_up.THROUGH, PLANT.zone)


def _label_boxes(svg: str) -> list[tuple[str, Box]]:
    """Return the labels of a chart with the rectangles they take; ticks are half a size smaller."""
    found = []
    for e in ET.fromstring(svg).iter(f"{SVG}text"):
        size = 12.0 if "tick" in e.attrib["class"] else 13.0
        x, y, anchor = float(e.attrib["x"]), float(e.attrib["y"]), e.attrib["text-anchor"]
        found.append((e.text or "", text_box(x, y, e.text or "", anchor, size)))
    return found


def _passed(evaluation: Evaluation) -> Evaluation:
    """Return ``evaluation`` with its limit halfway up its rise and a forecast that says passed."""
    state, forecast = evaluation.state, evaluation.forecast
    assert state is not None
    assert state.approach_reference_K is not None
    assert forecast is not None
    assert evaluation.reference is not None
    now, clean = state.approach_reference_K.value, evaluation.reference.approach_K.value
    made = forecast.made_utc
    return replace(
        evaluation,
        state=replace(state, approach_limit_K=(now + clean) / 2),
        forecast=replace(forecast, date_5=made, date_50=made, date_95=made),
    )


@pytest.mark.parametrize("width", [1160.0, 860.0, 354.0])
@pytest.mark.parametrize("case", [*CASES, "passed"])
def test_labels_of_the_main_chart_do_not_meet(case: str, width: float) -> None:
    evaluation = _passed(CASES["deposit"]) if case == "passed" else CASES[case]
    chart = CHARTS["approach"](evaluation, width)
    if chart is None:
        return
    boxes = _label_boxes(chart.svg)
    met = [(a, b) for (a, p), (b, q) in combinations(boxes, 2) if p.meets(q)]
    assert not met
    own = {"clean": "clean", "limit": "limit"}  # a level may touch the label that names it
    for line in ET.fromstring(chart.svg).iter(f"{SVG}line"):
        kind = line.attrib["class"]
        if kind not in ("clean", "limit", "visit", "present-line"):
            continue
        x1, x2, y1, y2 = (float(line.attrib[k]) for k in ("x1", "x2", "y1", "y2"))
        thin = Box(left=x1 - 0.5, right=x2 + 0.5, top=min(y1, y2) - 0.5, bottom=max(y1, y2) + 0.5)
        crossed = [t for t, b in boxes if b.meets(thin) and not t.startswith(own.get(kind, "?"))]
        assert not crossed, (kind, crossed)


def test_passed_limit_is_dated_in_the_chart() -> None:
    chart = CHARTS["approach"](_passed(CASES["deposit"]), 1160.0)
    assert chart is not None
    labels = [text for text, _ in _label_boxes(chart.svg)]
    assert any(text.startswith("limit passed") for text in labels)
    assert not any(text.startswith("limit reached") for text in labels)


def test_label_without_room_is_left_out() -> None:
    placing = Placing(drawing=Drawing(name="x", width=100, height=40))
    placing.take(0, 0, 100, 30)
    assert placing.put("taken", "label", [(5, 20, "start")]) is None
    assert placing.put("free", "label", [(5, 20, "start"), (5, 45, "start")]) == (5, 45, "start")
    assert placing.put("beyond the edge", "label", [(90, 45, "start")]) is None


def test_short_absence_is_bridged_and_a_long_one_is_not() -> None:
    evaluation = CASES["deposit"]
    daily = evaluation.daily.copy()
    columns = [c for c in daily.columns if c.startswith("approach_reference_K")]
    breaks = []
    for days in (3, 9):
        gone = daily.copy()
        gone.loc[gone.index[-60 : -60 + days], columns] = np.nan
        chart = CHARTS["approach"](replace(evaluation, daily=gone), 1160.0)
        assert chart is not None
        paths = [e.attrib["d"] for e in ET.fromstring(chart.svg).iter(f"{SVG}path")
                 if e.attrib["class"] == "measured"]  # fmt: skip
        breaks.append(sum(d.count("M") for d in paths))
    assert breaks[1] == breaks[0] + 1


def test_the_error_needed_is_that_of_a_thermometer_that_could_explain() -> None:
    """Of one whose row says that no error of it explains the fall, none is drawn as needed."""
    base = CASES["deposit"]
    (rival,) = [c for c in base.causes if c.kind is CauseKind.THERMOMETER]
    explains_nothing = replace(
        rival, subject="secondary_supply_temperature", magnitude=made_up.around(-0.5, 0.3),
        speaks_against=(Remark(code="no_error_explains"),),
    )  # fmt: skip
    others = tuple(c for c in base.causes[1:] if c is not rival)
    causes = (base.causes[0], explains_nothing, rival, *others)
    for given, needed in ((causes, True), ((base.causes[0], explains_nothing, *others), False)):
        chart = CHARTS["offsets"](replace(base, causes=given), 540.0)
        assert chart is not None
        assert "0.5\u00a0K needed" not in chart.svg
        assert ("+2.9\u00a0K needed" in chart.svg) is needed


def test_hatching_is_explained_where_there_is_any() -> None:
    """Page and paper set the same sentence beside the drawing."""
    found = made_up.deposit()
    exchanger = PLANT.exchanger(found.tag)
    assert exchanger is not None
    whole = replace(found, daily=found.daily.assign(approach_reference_K=5.0))
    for evaluation, hatched in ((found, True), (whole, False)):
        chart = approach_chart(evaluation, (), PLANT)
        assert chart is not None
        assert ('class="hatch"' in chart.svg) == hatched
        assert ("hatched: five days or more without evidence" in chart.key) == hatched
        assert chart.key in approach(evaluation, (), PLANT).note
        said = page_one(PLANT, exchanger, evaluation, (), made_up.THROUGH)
        assert said["chart_key"] == chart.key
