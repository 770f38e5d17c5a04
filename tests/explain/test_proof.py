"""Each fault word has a way to be proved on the bench, with the caution where power must be off."""

import pytest

from thermscan.explain.proof import DISCHARGE, PROOFS, proof_step
from thermscan.model.result import FAULTS


def test_every_fault_but_the_unnamed_one_has_a_proof():
    assert set(PROOFS) == set(FAULTS) - {"other"}
    assert proof_step("other", "C1", None) is None


@pytest.mark.parametrize("fault", ["short", "leak", "overload", "open_or_missing", "joint", "bridge"])
def test_resistance_is_measured_with_power_off(fault):
    text = proof_step(fault, "C14", "+3V3")
    assert DISCHARGE in text
    assert "C14" in text


def test_the_net_is_named_or_left_unnamed():
    assert "measure +3V3 to ground" in proof_step("short", "C14", "+3V3")
    assert "measure its net to ground" in proof_step("short", "C14", None)
    bare = proof_step("short", "the bare place at x 3.0, y 4.0 mm", None, is_bare=True)
    assert "lift" not in bare  # nothing is listed there that could be
    assert DISCHARGE in bare
    assert "{" not in "".join(proof_step(f, "C14", None) for f in PROOFS)
