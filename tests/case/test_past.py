"""Earlier cases of the same board type, and two cases side by side."""

import dataclasses
import json

import pytest

from thermscan.case.folder import open_case
from thermscan.case.past import compare_cases, gather_past, meter, table_text
from thermscan.case.state import state_of
from thermscan.model.errors import InputError


def concluded(bench, name, cause, **more):
    case = bench.open(name, **more)
    return bench.add(case, "conclusion", decision="repair", reason="it was", cause=cause, fault="short")


def test_causes_of_the_same_board_type_are_counted(bench, board):
    for i, cause in enumerate(("C14", "C14", "U3", "")):
        concluded(bench, f"past_{i}", cause)
    concluded(bench, "other", "C1", board=dataclasses.replace(board, name="another board"))
    bench.open("open")
    newer = bench.open("newer")
    head = json.loads((newer.path / "case.json").read_text())
    (newer.path / "case.json").write_text(json.dumps(head | {"format_version": 9}))
    here = bench.open("here")
    found = gather_past(bench.folder, here)
    assert found.causes == {"C14": 2, "U3": 1}
    assert [name for name, _ in found.cases] == ["past_0", "past_1", "past_2"]
    told = " | ".join(found.left_out)
    for words in ("past_3: concluded without a cause", "another board type", "open: not concluded", "newer thermscan"):
        assert words in told


def test_a_folder_without_cases_is_refused(bench, tmp_path):
    here = bench.open()
    (tmp_path / "empty").mkdir()
    with pytest.raises(InputError, match="holds no case but this one"):
        gather_past(tmp_path / "empty", here)
    with pytest.raises(InputError, match="is no folder"):
        gather_past(tmp_path / "nowhere", here)


def test_two_cases_side_by_side(bench, board):
    data = {"where": "", "net": "+3V3", "quantity": "resistance_to_ground", "unit": "ohm", "good_value": None,
            "power": "off", "note": "", "typed": ""}  # fmt: skip
    a = bench.add(bench.compare(bench.open("a")), "reading", value=4.7, **data)
    b = bench.add(bench.compare(bench.open("b")), "reading", value="open", **data)
    bench.add(b, "swap", ref="C14", action="removed", change="none")
    rows = compare_cases(*(state_of(open_case(c.path), board) for c in (a, b)))
    table = {row[0]: row[1:] for row in rows}
    assert table["resistance to ground, +3V3"] == ("4.7 ohm", "open")
    assert table["worked on"] == ("", "C14 removed, no change")
    assert table["suspects now"][0].startswith("C14 83 %")
    assert table_text(rows).count("\n") == len(rows) - 1


def test_other_board_types_are_not_compared(bench, board):
    other = bench.open("b", board=dataclasses.replace(board, name="another"))
    states = [state_of(c, board) for c in (bench.open("a"), other)]
    with pytest.raises(InputError, match="not the same board type"):
        compare_cases(*states)


def test_readings_are_said_as_meters_do():
    said = [meter(v, u) for v, u in ((4700.0, "ohm"), (0.0123, "V"), (2.2e6, "ohm"), (None, "V"))]
    assert said == ["4.7 kohm", "12.3 mV", "2.2 Mohm", "not known"]
