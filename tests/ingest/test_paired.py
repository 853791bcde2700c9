"""Tables in which each point has a time column of its own."""

import pytest


def test_each_point_has_its_own_stamps(read):
    text = (
        "Time;PRI FLW T;Time;HM FLOW\n"
        "15.01.2025 10:00;80,5;15.01.2025 10:02;3,6\n"
        "15.01.2025 10:15;81,5;15.01.2025 10:32;7,2\n"
        "15.01.2025 10:30;82,5;;\n"
    )
    result = read(text)
    frame = result.blocks["HX-01"]
    assert result.examination.shape == "paired"
    assert result.findings.count("refused") == 0
    assert frame["primary_supply_temperature"].dropna().tolist() == [80.5, 81.5, 82.5]
    assert frame["primary_flow"].dropna().tolist() == pytest.approx([0.001, 0.002])
    assert [t.minute for t in frame.index] == [0, 2, 15, 30, 32]


def test_start_and_end_of_the_interval_are_no_pair(read):
    text = "Start,End,PRI FLW T,PRI RTN T\n2025-01-15 10:00,2025-01-15 10:15,80,40\n2025-01-15 10:15,2025-01-15 10:30,81,41\n"
    result = read(text)
    assert result.examination.shape == "wide"
    assert result.examination.time_columns == ("Start",)
