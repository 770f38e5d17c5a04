"""thermscan foresee: the table, its files, and bad input in one line."""

import csv
import json

import numpy as np
import pytest
from click.testing import CliRunner

from thermscan.app.cli import command

BASE = ("foresee", "--view", "100", "--seconds", "5")


def run(*args, code=0):
    result = CliRunner().invoke(command, [str(a) for a in args])
    assert result.exit_code == code, result.output
    return result.output


def test_table_says_units_warnings_and_cautions():
    text = run(*BASE, "--power", "30")
    assert "0.62 mm per pixel" in text
    assert "4 power-ups, mW" in text
    assert "a source of 30 mW shows up after" in text
    assert "below three it reads low" in text
    assert "caution: " in text


def test_json_and_csv_hold_the_same_numbers_and_files_are_not_overwritten(tmp_path):
    out = tmp_path / "plan"
    answer = json.loads(run(*BASE, "--repeats", "1,9", "--json", "--out", out))
    assert (out / "foresight.png").read_bytes().startswith(b"\x89PNG")
    with (out / "foresight.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert [float(r["smallest_w"]) for r in rows] == [r["smallest_w"] for r in answer["rows"]]
    assert {r["repeats"] for r in answer["rows"]} == {1, 9}
    assert answer["power_w"] is None
    assert answer["why"]["power_w"]
    for row in answer["rows"]:
        low, high = row["smallest_w_95"]
        assert 0 < low <= row["smallest_w"] <= high
    assert "--force" in run(*BASE, "--out", out, code=2)
    run(*BASE, "--out", out, "--force")


def test_pixel_and_view_say_the_same():
    by_view = json.loads(run(*BASE, "--json"))
    by_pixel = json.loads(run("foresee", "--pixel", "0.625", "--seconds", "5", "--json"))
    assert by_pixel["rows"] == by_view["rows"]


def test_finer_noise_and_given_copper_help():
    def last(*more):
        return json.loads(run(*BASE, "--json", *more))["rows"][-1]

    assert last("--noise", "20")["smallest_w"] < last("--noise", "200")["smallest_w"]
    known, unknown = last("--copper", "45")["smallest_w_95"], last()["smallest_w_95"]
    assert np.log(known[1] / known[0]) < np.log(unknown[1] / unknown[0])


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ((), "give either --view or --pixel"),
        (("--view", "100", "--pixel", "0.5"), "give either --view or --pixel"),
        (("--view", "100", "--resolution", "160"), "'160' cannot be used"),
        (("--view", "100", "--resolution", "16.5x12"), "is not whole"),
        (("--view", "100", "--part", "0x1"), "'0x1' cannot be used"),
        (("--view", "100", "--repeats", "1,0"), "is no list of whole numbers"),
    ],
)
def test_bad_input_is_told_in_one_line(options, words):
    text = run("foresee", *options, code=2)
    assert words in text
    assert len(text.strip().splitlines()) == 1


def test_numbers_out_of_range_are_refused():
    assert "--noise" in run(*BASE, "--noise", "-3", code=2)
    assert "--seconds" in run("foresee", "--view", "100", "--seconds", "0", code=2)
