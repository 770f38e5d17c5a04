import csv
import dataclasses
import io

import pytest

from thermscan.write.result_file import result_document
from thermscan.write.tables import _cell, tables, write_tables


def _rows(text):
    return list(csv.DictReader(io.StringIO(text), strict=True))


def test_numbers_are_those_of_result_json(result):
    document, out = result_document(result), tables(result)
    for name in ("hotspots", "parts", "suspects"):
        rows = _rows(out[f"{name}.csv"])
        assert len(rows) == len(document[name])
        for row, item in zip(rows, document[name], strict=True):
            low, high = item["excess_k_95"] or ("", "")
            assert row["excess_k"] == ("" if item["excess_k"] is None else repr(item["excess_k"]))
            assert row["excess_k_95_low"] == str(low)
            assert row["excess_k_95_high"] == str(high)
    assert _rows(out["suspects.csv"])[0]["power_w"] == "0.42"


def test_unknown_is_empty_with_its_reason(result):
    row = _rows(tables(result)["suspects.csv"])[2]
    assert row["power_w"] == ""
    assert "power_w: too close to C14 to be told apart" in row["why"]


def test_courses_hold_every_second_of_every_followed_part(result, maps):
    rows = _rows(tables(result, maps)["courses.csv"])
    followed = [part for part in result.parts if part.excess_course_k is not None]
    assert len(rows) == maps.bins * (len(followed) + len(result.sources))
    first = rows[3]
    assert (first["what"], first["ref"]) == ("part", "C14")
    assert float(first["seconds"]) == pytest.approx(maps.centres_s[3])
    assert float(first["excess_k"]) == pytest.approx(followed[0].excess_course_k[3], rel=1e-5)
    assert rows[-1]["power_w"] != ""


def test_text_with_commas_quotes_and_formulas_is_safe(hostile):
    out = tables(hostile[1])
    row = _rows(out["suspects.csv"])[0]
    assert row["ref"] == '<script>alert("x")</script>'
    assert row["net"] == "'=1+1</td>"


@pytest.mark.parametrize(
    ("net", "cell"),
    [("+3V3", "+3V3"), ("-12V", "-12V"), ("+cmd|'/C calc'!A0", "'+cmd|'/C calc'!A0"), ("@SUM(1)", "'@SUM(1)")],
)
def test_nets_keep_their_sign_and_only_formulas_are_quoted(result, net, cell):
    suspects = (dataclasses.replace(result.suspects[0], net=net),)
    assert _rows(tables(dataclasses.replace(result, suspects=suspects))["suspects.csv"])[0]["net"] == cell


def test_empty_tables_keep_their_header(bare):
    out = tables(bare)
    assert out["parts.csv"].startswith("ref,kind,side,state,")
    assert _rows(out["parts.csv"]) == []


def test_files_open_in_spreadsheets(result, tmp_path):
    paths = write_tables(tmp_path, result)
    assert sorted(path.name for path in paths) == ["hotspots.csv", "parts.csv", "suspects.csv"]
    assert paths[0].read_bytes()[:3] == b"\xef\xbb\xbf"


def test_the_detection_limit_of_a_part_stands_in_its_row_or_the_reason_for_none(result):
    rows = {row["ref"]: row for row in _rows(tables(result)["parts.csv"])}
    assert float(rows["C14"]["detection_limit_w"]) == 0.02
    assert rows["L2"]["detection_limit_w"] == ""
    assert "detection_limit_w: bare metal cannot be read" in rows["L2"]["why"]


def test_an_uncertainty_budget_is_what_each_cause_adds():
    budget = [
        {"name": "camera offset", "value": 0.0, "contribution_k": -1.2555656, "why": {}},
        {"name": "emissivity", "value": 0.92, "contribution_k": 0.0137985016, "why": {}},
    ]
    assert _cell(budget) == "camera offset 1.3 K; emissivity 0.014 K"
