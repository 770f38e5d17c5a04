"""A short before the coil of a switching regulator takes its supply down: the part there is named, not what is dark."""

import pytest

from thermscan.explain.suspect import explain


@pytest.mark.parametrize("seed", range(4))
def test_a_shorted_catch_diode_is_told_from_a_regulator_that_does_not_start(made_switching, seed):
    case = made_switching(seed)
    first = explain(case.evidence, case.board).suspects[0]
    assert (first.ref, first.fault) == (case.ref, "short")
    assert first.probability > 0.9
