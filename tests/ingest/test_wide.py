"""Wide tables in the notations that controllers and supervisors export."""

import gzip
import io
import zipfile

import numpy as np
import pytest

UTC_0900 = "2025-01-15T09:00:00"  # 10:00 in the zone CET
PLAIN = """Time;PRI FLW T;PRI RTN T
2025-01-15 10:00:00;80,5;45,25
2025-01-15 10:15:00;81,5;46
2025-01-15 10:30:00;82,5;47
"""


def supply(result):
    return result.blocks["HX-01"]["primary_supply_temperature"]


def check(result, values=(80.5, 81.5, 82.5), first=UTC_0900):
    frame = result.blocks["HX-01"]
    assert list(frame["primary_supply_temperature"]) == pytest.approx(list(values))
    assert frame.index.name == "time_utc"
    assert str(frame.index.tz) == "UTC"
    assert frame.index.is_monotonic_increasing
    assert frame.index.is_unique
    assert frame.dtypes.eq(np.float64).all()
    assert frame.index[0].strftime("%Y-%m-%dT%H:%M:%S") == first
    steps_s = np.diff(frame.index.to_numpy()).astype("timedelta64[s]").astype(int)
    assert set(steps_s) == {900}
    return frame


def test_semicolon_and_decimal_comma(read):
    result = read(PLAIN)
    check(result)
    seen = result.examination
    assert (seen.delimiter, seen.decimal, seen.shape, seen.header_line) == (";", ",", "wide", 1)
    assert (seen.rows_read, seen.rows_stored, seen.interval_s) == (3, 3, 900.0)
    assert seen.first_utc == "2025-01-15T09:00:00Z"
    assert seen.last_utc == "2025-01-15T09:30:00Z"


@pytest.mark.parametrize("delimiter", [",", "\t", "|", ";"])
def test_delimiters_with_decimal_point(read, delimiter):
    text = PLAIN.replace(",", ".").replace(";", delimiter)
    check(read(text))


@pytest.mark.parametrize(
    "stamps",
    [
        ("2025-01-15T10:00", "2025-01-15T10:15", "2025-01-15T10:30"),
        ("2025-01-15T09:00:00Z", "2025-01-15T09:15:00Z", "2025-01-15T09:30:00Z"),
        ("2025-01-15T10:00:00+01:00", "2025-01-15T09:15:00+00:00", "2025-01-15T11:30:00+02:00"),
        ("2025-01-15 10:00:00.000", "2025-01-15 10:15:00.000", "2025-01-15 10:30:00.000"),
        ("15.01.2025 10:00", "15.01.2025 10:15", "15.01.2025 10:30"),
        ("15.1.25 10:00:00", "15.1.25 10:15:00", "15.1.25 10:30:00"),
        ("15/01/2025 10:00", "15/01/2025 10:15", "15/01/2025 10:30"),
        ("1/15/2025 10:00:00 AM", "1/15/2025 10:15:00 AM", "1/15/2025 10:30:00 AM"),
        ("2025/01/15 10:00", "2025/01/15 10:15", "2025/01/15 10:30"),
        ("15-Jan-25 10:00:00 AM CET", "15-Jan-25 10:15:00 AM CET", "15-Jan-25 10:30:00 AM CET"),
        ("15. Januar 2025 10:00", "15. Januar 2025 10:15", "15. Januar 2025 10:30"),
        ("Jan 15, 2025 10:00", "Jan 15, 2025 10:15", "Jan 15, 2025 10:30"),
        ("Wed 15/01/2025 10:00", "Wed 15/01/2025 10:15", "Wed 15/01/2025 10:30"),
        ("1736931600", "1736932500", "1736933400"),
        ("1736931600000", "1736932500000", "1736933400000"),
        ("20250115100000", "20250115101500", "20250115103000"),
        ("45672,4166666667", "45672,4270833333", "45672,4375"),
    ],
)
def test_stamp_notations(read, stamps):
    rows = "\n".join(f"{s};{v}" for s, v in zip(stamps, ("80,5", "81,5", "82,5"), strict=True))
    frame = check(read(f"Time;PRI FLW T\n{rows}\n"))
    assert list(np.diff(frame.index.to_numpy()).astype("timedelta64[s]").astype(int)) == [900, 900]


def test_noon_and_midnight_of_twelve_hour_clock(read):
    text = "Time,PRI FLW T\n1/15/2025 12:00 AM,1\n1/15/2025 12:00 PM,2\n1/15/2025 11:45 PM,3\n"
    hours = [t.hour for t in read(text).blocks["HX-01"].index]
    assert hours == [23, 11, 22]


def test_twenty_four_o_clock_is_the_next_midnight(read):
    text = "Zeit;PRI FLW T\n15.01.2025 23:45;1,5\n15.01.2025 24:00;2,5\n16.01.2025 00:15;3,5\n"
    index = read(text).blocks["HX-01"].index
    assert [str(t)[11:16] for t in index] == ["22:45", "23:00", "23:15"]


def test_date_and_time_in_two_columns(read):
    text = "Datum;Uhrzeit;PRI FLW T\n15.01.2025;10:00:00;80,5\n15.01.2025;10:15:00;81,5\n15.01.2025;10:30:00;82,5\n"
    result = read(text)
    check(result)
    assert result.examination.time_columns == ("Datum", "Uhrzeit")


def test_newest_first(read):
    lines = PLAIN.strip().split("\n")
    result = read("\n".join([lines[0], *reversed(lines[1:])]))
    check(result)
    assert result.examination.newest_first


def test_preamble_units_row_and_footer(read):
    text = (
        "Trend report;;\nPlant room 1;;\nfrom 15.01.2025 to 16.01.2025;;\n\n"
        "Zeit;PRI FLW T;HM FLOW\n;°C;l/s\n"
        "15.01.2025 10:00;80,5;2\n15.01.2025 10:15;81,5;2\n15.01.2025 10:30;82,5;2\n"
        "End of report\n"
    )
    result = read(text.encode("cp1252"))
    frame = check(result)
    assert frame["primary_flow"].iloc[0] == pytest.approx(0.002)
    seen = result.examination
    assert seen.encoding == "cp1252"
    assert (seen.header_line, seen.unit_line, seen.first_data_line) == (5, 6, 7)
    assert seen.footer == ((10, "End of report"),)
    assert result.findings.count("doubtful", "unit differs") == 1
    assert result.findings.count("refused") == 0


def test_legend_in_the_preamble_names_the_columns(read):
    text = (
        '"Key","Name"\n"P1:","PRI FLW T"\n"P2:","PRI RTN T"\n"Interval:","15 minutes"\n'
        '"Date","Time","P1","P2"\n'
        '"1/15/2025","10:00:00","80.5","40"\n"1/15/2025","10:15:00","81.5","41"\n'
        '"1/15/2025","10:30:00","82.5","42"\n'
    )
    check(read(text))


def test_units_in_brackets_and_heading_case(read):
    text = "Timestamp,pri flw t (°F),HM Flow [gpm]\n2025-01-15 10:00,176,10\n"
    result = read(text)
    frame = result.blocks["HX-01"]
    assert frame["primary_supply_temperature"].iloc[0] == pytest.approx(80.0)
    # 1 US gallon is 231 cubic inches = 3.785411784 l (NIST SP 811, from memory)
    assert frame["primary_flow"].iloc[0] == pytest.approx(10 * 3.785411784e-3 / 60)
    assert result.findings.count("doubtful", "unit differs") == 2


def test_degree_sign_broken_by_an_encoding(read):
    text = "Time;PRI FLW T [�C]\n2025-01-15 10:00;80,5\n2025-01-15 10:15;81,5\n"
    assert supply(read(text)).iloc[0] == pytest.approx(80.5)


@pytest.mark.parametrize("encoding", ["utf-8-sig", "utf-16", "utf-16-le", "latin-1", "cp850"])
def test_encodings(read, encoding):
    text = "Zeit;PRI FLW T [°C];Außen\n15.01.2025 10:00;80,5;1\n15.01.2025 10:15;81,5;2\n15.01.2025 10:30;82,5;3\n"
    check(read(text.encode(encoding)))


def test_packed(read):
    check(read(gzip.compress(PLAIN.encode())))
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as archive:
        archive.writestr("trend.csv", PLAIN)
    result = read(packed.getvalue(), "trend.zip")
    check(result)
    assert result.examination.packed == "zip"


@pytest.mark.parametrize("end", ["\r\n", "\r", "\n"])
def test_line_ends(read, end):
    check(read(PLAIN.replace("\n", end)))


def test_last_line_without_end(read):
    check(read(PLAIN.rstrip("\n")))


def test_line_that_states_the_delimiter(read):
    check(read("sep=;\n" + PLAIN))


def test_quoted_cells_with_separator_and_line_end(read):
    text = (
        'Time,"PRI FLW T","note, free"\n2025-01-15 10:00,"80.5","a, ""b""\nsecond line"\n'
        '2025-01-15 10:15,"81.5",""\n2025-01-15 10:30,"x82","ok"\n'
    )
    result = read(text)
    assert list(supply(result))[:2] == [80.5, 81.5]
    (bad,) = [f for f in result.findings if f.reason == "number"]
    assert bad.line == 5


def test_stray_quotation_mark_spoils_its_own_line_only(read):
    rows = "".join(f"2025-01-15 10:{m:02d},{80 + m}\n" for m in range(60))
    text = 'Time,PRI FLW T\n2025-01-15 09:59,"79\n' + rows
    result = read(text)
    assert len(supply(result)) >= 60


def test_thousands(read):
    text = 'Time,HM POWER\n2025-01-15 10:00,"1,234.5"\n2025-01-15 10:15,"12,345.5"\n'
    assert list(read(text).blocks["HX-01"]["heat_power"]) == pytest.approx([1234.5e3, 12345.5e3])
    text = "Zeit;HM POWER\n15.01.2025 10:00;1.234,5\n15.01.2025 10:15;12.345,5\n"
    assert list(read(text).blocks["HX-01"]["heat_power"]) == pytest.approx([1234.5e3, 12345.5e3])
    text = "Zeit;HM POWER\n15.01.2025 10:00;1 234,5\n15.01.2025 10:15;1'234,5\n"
    assert list(read(text).blocks["HX-01"]["heat_power"]) == pytest.approx([1234.5e3] * 2)


def test_three_digits_behind_the_comma_is_a_question(read):
    text = "Zeit;HM ENERGY\n15.01.2025 10:00;1,234\n15.01.2025 10:15;1,235\n"
    result = read(text)
    assert result.blocks["HX-01"]["heat_energy"].iloc[0] == pytest.approx(1.234 * 3.6e9)
    assert "--decimal" in result.examination.questions[0]
    assert not read(text, decimal=",").examination.questions


@pytest.mark.parametrize(
    "word",
    ["---", "NaN", "No Data", "n/a", "null", "Bad", "?", "", "#N/A", "-9999", "(null)", '""'],
)
def test_missing_words(read, word):
    text = f"Time,PRI FLW T,PRI RTN T\n2025-01-15 10:00,80.5,40\n2025-01-15 10:15,{word},41\n"
    result = read(text)
    assert np.isnan(supply(result).iloc[1])
    assert result.findings.count("refused") == 0
    column = result.examination.columns[1]
    assert column.values_missing == 1
    assert column.missing_words == {word.strip('"') or "(empty)": 1}


def test_state_columns(read):
    text = (
        "Time,PRI FLW T,PRI FLW T Status,PRI RTN T,PRI RTN T Status\n"
        "2025-01-15 10:00,80.5,OK,40,OK\n2025-01-15 10:15,81.5,Fault,41,OK\n"
        "2025-01-15 10:30,82.5,Good,42,{down}\n"
    )
    result = read(text)
    frame = result.blocks["HX-01"]
    assert frame["primary_supply_temperature"].isna().tolist() == [False, True, False]
    assert frame["primary_return_temperature"].isna().tolist() == [False, False, True]
    assert result.findings.count("refused", "state") == 2


def test_one_state_column_for_all(read):
    text = "Time,PRI FLW T,Status\n2025-01-15 10:00,80.5,OK\n2025-01-15 10:15,81.5,Fault\n"
    assert len(supply(read(text)).dropna()) == 1


def test_unit_and_state_inside_the_cell(read):
    text = "Time,PRI FLW T\n2025-01-15 10:00,176.0 °F {ok}\n2025-01-15 10:15,185.0 °F {fault}\n2025-01-15 10:30,194.0 °F {ok}\n"
    assert list(supply(read(text)).dropna()) == pytest.approx([80.0, 90.0])


def test_switch_words_and_percent(read):
    text = "Time,PUMP,VALVE\n2025-01-15 10:00,On,50\n2025-01-15 10:15,OFF,100\n2025-01-15 10:30,true,0\n"
    frame = read(text).blocks["HX-01"]
    assert frame["pump_running"].tolist() == [1, 0, 1]
    assert frame["valve_position"].tolist() == pytest.approx([0.5, 1.0, 0.0])


def test_one_point_serves_several_exchangers(read):
    text = "Time,OAT\n2025-01-15 10:00,-3.5\n"
    assert set(read(text).blocks) == {"HX-01", "HX-02"}
    assert set(read(text, only_tag="HX-02").blocks) == {"HX-02"}


def test_role_names_as_headings_with_a_stated_exchanger(read):
    text = "time_utc,primary_supply_temperature,primary_flow\n2025-01-15T09:00:00Z,80,0.002\n"
    frame = read(text, only_tag="HX-02").blocks["HX-02"]
    assert frame.iloc[0].tolist() == pytest.approx([80.0, 0.002])


def test_value_column_named_in_the_preamble_or_the_file_name(read):
    text = "Point: PRI FLW T,\nTime,Value\n2025-01-15 10:00,80.5\n2025-01-15 10:15,81.5\n2025-01-15 10:30,82.5\n"
    check(read(text))
    check(read(text.split("\n", 1)[1], "PRI FLW T.csv"))


def test_table_printed_in_columns(read):
    text = (
        "Time                 PRI FLW T   PRI RTN T\n2025-01-15 10:00:00  80.5        40.0\n"
        "2025-01-15 10:15:00  81.5        41.0\n2025-01-15 10:30:00  82.5        42.0\n"
    )
    check(read(text))


def test_no_header_at_all(look):
    seen = look("2025-01-15 10:00,80.5,40\n2025-01-15 10:15,81.5,41\n")
    assert [c.heading for c in seen.columns] == ["column 1", "column 2", "column 3"]


def test_heading_states_utc(read):
    text = "Time (UTC),PRI FLW T\n2025-01-15 09:00,80.5\n2025-01-15 09:15,81.5\n2025-01-15 09:30,82.5\n"
    check(read(text))


def test_stamp_at_the_end_of_the_interval(read):
    index = read(PLAIN, stamp="end").blocks["HX-01"].index
    assert str(index[0])[11:16] == "08:45"


def test_stated_clock(read):
    assert str(supply(read(PLAIN, time_zone="UTC")).index[0])[11:16] == "10:00"
    assert str(supply(read(PLAIN, time_zone="+02:00")).index[0])[11:16] == "08:00"


def test_kelvin(read):
    text = "Time,PRI FLW T [K]\n2025-01-15 10:00,353.15\n"
    assert supply(read(text)).iloc[0] == pytest.approx(80.0)
    result = read("Time,PRI FLW T [K]\n2025-01-15 10:00,80\n")
    assert supply(result).iloc[0] == pytest.approx(80.0)
    assert result.findings.count("doubtful", "kelvin") == 1


def test_fahrenheit_taken_as_celsius_is_a_question(read):
    rows = "".join(f"2025-01-15 10:{m:02d},{172 + m / 2}\n" for m in range(60))
    (question,) = read("Time,PRI FLW T\n" + rows).examination.questions
    assert "degF" in question


def test_unit_of_another_quantity_leaves_the_column_out(read):
    result = read("Time,PRI FLW T,HM POWER [MWh]\n2025-01-15 10:00,80,3\n")
    assert list(result.blocks["HX-01"]) == ["primary_supply_temperature"]
    assert result.findings.count("refused", "unit does not fit") == 1


def test_out_of_range_numbers_stay_and_are_noted(read):
    result = read("Time,OAT\n2025-01-15 10:00,-39.9\n2025-01-15 10:15,2\n")
    assert result.blocks["HX-01"]["outdoor_temperature"].tolist() == [-39.9, 2.0]
    assert result.examination.columns[1].values_outside_range == 1


def test_file_patterns_choose_between_files_with_equal_headings(read):
    from ingest.point_map import Point, PointMap

    points = PointMap(
        Point(name="T1", tag=tag, role="primary_supply_temperature", unit="degC", file=pattern)
        for tag, pattern in (("HX-01", "block-a*.csv"), ("HX-02", "block-b*.csv"))
    )
    text = "Time,T1\n2025-01-15 10:00,80\n"
    assert set(read(text, "up/Block-B-jan.csv", points=points).blocks) == {"HX-02"}


def test_heading_that_serves_several_exchangers_is_asked_about(read):
    from ingest.point_map import Point, PointMap

    points = PointMap(
        Point(name="T1", tag=tag, role="primary_supply_temperature", unit="degC")
        for tag in ("HX-01", "HX-02")
    )
    text = "Time,T1\n2025-01-15 10:00,80\n"
    (question,) = read(text, points=points).examination.questions
    assert "--exchanger" in question
    assert not read(text, points=points, only_tag="HX-01").examination.questions


def test_words_of_a_valve_in_percent_and_speed_of_a_pump(read):
    text = "Time,VALVE [%],PUMP\n2025-01-15 10:00,Open,50 Hz\n2025-01-15 10:15,Closed,0 Hz\n2025-01-15 10:30,50,35 Hz\n"
    frame = read(text).blocks["HX-01"]
    assert frame["valve_position"].tolist() == pytest.approx([1.0, 0.0, 0.5])
    assert frame["pump_running"].tolist() == [1, 0, 1]
