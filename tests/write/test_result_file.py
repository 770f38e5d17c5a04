import dataclasses
import json
import math

import pytest

from thermscan.write.result_file import result_document, result_text, write_result


def _objects(value):
    if isinstance(value, dict):
        yield value
        for item in value.values():
            yield from _objects(item)
    elif isinstance(value, list):
        for item in value:
            yield from _objects(item)


def test_intervals_stand_beside_their_key_with_the_unit_in_it(result):
    document = result_document(result)
    assert document["power_on_s"] == 1.92
    assert document["power_on_s_95"] == [1.88, 1.96]
    first = document["suspects"][0]
    assert (first["power_w"], first["power_w_95"]) == (0.42, [0.37, 0.47])
    assert (first["rise_rate_k_per_s"], first["rise_rate_k_per_s_95"], first["rise_rate_window_s"]) == (
        1.9, [1.7, 2.1], 0.5)  # fmt: skip


def test_every_null_has_its_sentence(result, bare):
    for one in (result, bare):
        seen = 0
        for item in _objects(result_document(one)):
            if "why" not in item:
                continue
            nulls = {key for key, value in item.items() if value is None}
            assert set(item["why"]) == nulls
            assert all(item["why"].values())
            seen += len(nulls)
        assert seen > 5


def test_reason_of_the_record_goes_before_the_plain_one(result):
    document = result_document(result)
    assert document["why"]["power_off_s"] == "still_on"
    assert document["suspects"][2]["why"]["power_w_95"] == "too close to C14 to be told apart"


def test_none_probability_is_the_sum_of_its_two_parts_and_all_outcomes_add_to_one(result):
    document = result_document(result)
    assert document["none_probability"] == pytest.approx(0.06)
    total = document["none_probability"] + sum(s["probability"] for s in document["suspects"])
    assert total == pytest.approx(1.0)


def test_keys_do_not_depend_on_what_is_known(result, bare):
    full, poor = result_document(result), result_document(bare)
    assert list(full) == list(poor)
    assert list(full["suspects"][0]) == list(poor["suspects"][0])
    assert list(full["hotspots"][0]) == list(poor["hotspots"][0])


def test_same_result_gives_the_same_bytes_and_strict_json(result, tmp_path):
    text = result_text(result)
    assert text == result_text(result)
    path = write_result(result, tmp_path / "result.json")
    assert path.read_bytes().decode() == text

    def refuse(word):
        raise AssertionError(word)

    assert json.loads(text, parse_constant=refuse) == result_document(result)


def test_number_that_is_not_finite_never_leaves(result):
    lost = dataclasses.replace(result, detection_limit_w=math.nan)
    document = result_document(lost)
    assert document["detection_limit_w"] is None
    assert "detection_limit_w" in document["why"]
    broken = dataclasses.replace(result, no_fault_probability=math.nan)
    with pytest.raises(ValueError, match="not finite"):
        result_text(broken)


def test_without_millimetres_places_leave_as_fractions_of_the_picture(result):
    document = result_document(dataclasses.replace(result, picture_px=(100, 50)))
    first = document["hotspots"][0]
    assert first["x_mm"] is None
    assert first["area_mm2"] is None
    assert first["x_fraction"] == pytest.approx(0.357)
    assert first["y_fraction"] == pytest.approx(1 - 28.4 / 50)
    assert first["place_95_fraction"] == pytest.approx(0.006)
    assert "millimetres" in first["why"]["x_mm"]
    with_mm = result_document(result)["hotspots"][0]
    assert with_mm["x_mm"] == 35.7
    assert with_mm["x_fraction"] is None
