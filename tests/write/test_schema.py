import copy
import json

import jsonschema
import pytest

from thermscan.write.result_file import result_document
from thermscan.write.schema import result_schema, schema_text


@pytest.fixture(scope="module")
def validator():
    # jsonschema is the reference implementation used here; the dialect's own meta-schema checks ours.
    jsonschema.Draft202012Validator.check_schema(result_schema())
    return jsonschema.Draft202012Validator(result_schema())


def test_results_follow_the_schema(validator, result, bare, hostile):
    for one in (result, bare, hostile[1]):
        assert list(validator.iter_errors(result_document(one))) == []


@pytest.mark.parametrize(
    ("change", "named"),
    [
        (lambda d: d.pop("why"), "why"),
        (lambda d: d["suspects"][0].pop("power_w_95"), "power_w_95"),
        (lambda d: d["suspects"][0].update(probability=1.5), "1.5"),
        (lambda d: d.update(verdict="guilty"), "guilty"),
        (lambda d: d["hotspots"][0].update(surprise=1), "surprise"),
        (lambda d: d.update(power_on_s_95=[1.0]), "1.0"),
        (lambda d: d["camera_events"][0].pop("text"), "text"),
    ],
)
def test_mistakes_are_found(validator, result, change, named):
    document = copy.deepcopy(result_document(result))
    change(document)
    errors = list(validator.iter_errors(document))
    assert errors
    assert any(named in error.message for error in errors)


def test_every_key_of_the_design_is_there():
    schema = result_schema()
    top = {"verdict", "no_fault_probability", "other_probability", "none_probability", "power_on_s", "power_on_s_95",
           "power_off_s", "power_off_s_95", "suspects", "hotspots", "parts", "registration", "camera_events",
           "warnings", "flags", "inputs", "settings", "version", "why"}  # fmt: skip
    suspect = {"ref", "net", "side", "fault", "fault_text", "faults", "x_mm", "y_mm", "place_95_mm", "probability",
               "power_w", "power_w_95", "rise_rate_k_per_s", "rise_rate_k_per_s_95", "rise_rate_window_s", "excess_k",
               "excess_k_95", "excess_at_s", "reasons", "why"}  # fmt: skip
    assert top <= set(schema["required"])
    assert suspect <= set(schema["$defs"]["Suspect"]["required"])


def test_every_key_is_described():
    schema = result_schema()
    for definition in (schema, *schema["$defs"].values()):
        for name, key in definition["properties"].items():
            assert key.get("description"), name


def test_text_is_the_schema():
    assert json.loads(schema_text()) == result_schema()
