"""Meter readings as a meter shows them."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from thermscan.read.reading_file import open_readings, parse_value

# E24 series of preferred numbers, IEC 60063 (as listed by the eseries package).
E24 = (10, 11, 12, 13, 15, 16, 18, 20, 22, 24, 27, 30, 33, 36, 39, 43, 47, 51, 56, 62, 68, 75, 82, 91)


@pytest.mark.parametrize(
    ("text", "unit", "quantity", "expected"),
    [
        ("4k7", "", "resistance_to_ground", 4700.0),
        ("4K7", "ohm", "resistance_to_ground", 4700.0),
        ("0R3", "", "resistance_to_ground", 0.3),
        ("R47", "", "resistance_to_ground", 0.47),
        ("1M2", "", "resistance_to_ground", 1.2e6),
        ("4m7", "", "resistance_to_ground", 4.7e-3),
        ("4.7", "kohm", "resistance_to_ground", 4700.0),
        ("4,7", "kΩ", "resistance_to_ground", 4700.0),
        ("4,7 kOhm", "", "resistance_to_ground", 4700.0),
        ("4.7k", "", "resistance_to_ground", 4700.0),
        ("2.2", "MOhm", "resistance_to_ground", 2.2e6),
        ("2.2", "Meg", "resistance_to_ground", 2.2e6),
        ("2.2", "Mohm", "resistance_to_ground", 2.2e6),
        ("2.2", "mohm", "resistance_to_ground", 2.2e-3),
        ("12", "R", "resistance_to_ground", 12.0),
        ("12R", "", "resistance_to_ground", 12.0),
        ("12 \u2126", "", "resistance_to_ground", 12.0),
        ("0", "ohm", "resistance_to_ground", 0.0),
        ("OL", "ohm", "resistance_to_ground", math.inf),
        ("open", "MOhm", "resistance_to_ground", math.inf),
        ("0L", "", "resistance_to_ground", math.inf),
        ("O.L", "V", "diode_drop", math.inf),
        ("0,543", "V", "diode_drop", 0.543),
        ("543", "mV", "diode_drop", 0.543),
        ("3V3", "", "voltage", 3.3),
        ("3.31", "", "voltage", 3.31),
        ("-0,02", "V", "voltage", -0.02),
        ("12 mV", "", "voltage", 0.012),
        ("12mV", "mV", "voltage", 0.012),
        ("3.3V", "V", "voltage", 3.3),
        ("0.41", "A", "current", 0.41),
        ("410", "mA", "current", 0.41),
        ("12", "\u00b5A", "current", 12e-6),
        ("12", "\u03bcA", "current", 12e-6),
        ("12uA", "", "current", 12e-6),
        ("1A5", "", "current", 1.5),
        ("1.2e3", "ohm", "resistance_to_ground", 1200.0),
        (".5", "V", "voltage", 0.5),
        ("300 ms", "", "run_time", 0.3),
        ("2,5", "s", "retry_period", 2.5),
        ("1A6", "", "inrush_current", 1.6),
    ],
)
def test_spellings(text, unit, quantity, expected):
    assert parse_value(text, unit, quantity) == pytest.approx(expected, rel=1e-12)


@given(digits=st.sampled_from(E24), decade=st.integers(-2, 5))
def test_preferred_values_in_letter_code_read_back(digits, decade):
    value = digits * 10.0**decade
    for letter, factor in (("R", 1.0), ("k", 1e3), ("M", 1e6)):
        scaled = round(value / factor, 6)
        if 0.001 <= scaled < 1000:
            code = f"{scaled:.3f}".rstrip("0").replace(".", letter)
            code = code + "0" if code.endswith(letter) else code
            assert parse_value(code, "", "resistance_to_ground") == pytest.approx(value, rel=1e-3 / scaled)


@given(
    value=st.floats(0.001, 999.0).map(lambda v: round(v, 3)),
    prefix=st.sampled_from([("", 1.0), ("m", 1e-3), ("u", 1e-6), ("\u00b5", 1e-6)]),
    comma=st.booleans(),
    where=st.sampled_from(["value", "column"]),
)
def test_voltage_round_trip(value, prefix, comma, where):
    text = f"{value:.3f}".replace(".", "," if comma else ".")
    unit = prefix[0] + "V"
    parsed = parse_value(text + unit, "", "voltage") if where == "value" else parse_value(text, unit, "voltage")
    assert parsed == pytest.approx(value * prefix[1], rel=1e-9)


TABLE = """time,where,net,quantity,value,unit,good_value,power,note
09:12,C14,+3V3,resistance_to_ground,0R8,ohm,4k7,off,cold board
,U3.2,+3V3,voltage,"3,28",V,3.31,on,
,,+12V,current,410,mA,,on,"bench, limit 1 A"
,C3,GND,diode_drop,,V,,off,not taken

,D1,VBUS,diode_drop,OL,,0.41V,,
"""


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16"])
@pytest.mark.parametrize("separator", [",", ";", "\t"])
def test_table(tmp_path, encoding, separator):
    text = (
        TABLE
        if separator == ","
        else TABLE.replace('"3,28"', "3.28").replace("bench,", "bench").replace(",", separator)
    )
    path = tmp_path / "readings.csv"
    path.write_bytes(text.encode(encoding))
    readings = open_readings(path)
    assert [r.row for r in readings] == [2, 3, 4, 7]
    first, second, third, fourth = readings
    assert (first.time, first.where, first.net, first.value, first.good_value) == ("09:12", "C14", "+3V3", 0.8, 4700.0)
    assert (first.unit, first.power, first.note) == ("ohm", "off", "cold board")
    assert (second.value, second.good_value, second.power) == (3.28, 3.31, "on")
    assert third.value == pytest.approx(0.41)
    assert third.good_value is None
    assert (fourth.value, fourth.good_value, fourth.power) == (math.inf, 0.41, "off")


def test_remarks_and_a_separator_line_are_skipped(tmp_path):
    path = tmp_path / "readings.csv"
    path.write_text("sep=;\n# bench 2\nnet;quantity;value\n# cold\n+5V;voltage;4,98\n")
    (reading,) = open_readings(path)
    assert (reading.value, reading.row) == (4.98, 5)


def test_columns_may_be_few_and_in_any_order(tmp_path):
    path = tmp_path / "readings.csv"
    path.write_text("Value;Net;Quantity;;\n3,3;+3V3;voltage;;\n")
    (reading,) = open_readings(path)
    assert (reading.value, reading.net, reading.power) == (3.3, "+3V3", "on")
