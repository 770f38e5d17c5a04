"""What meter readings say about suspects that are known already, without comparing anew."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from thermscan.explain.bare_place import Bare
from thermscan.explain.lineup import Hypothesis, Lineup
from thermscan.explain.meter import Weight, weigh_readings
from thermscan.explain.power_tree import PowerTree, grow_tree
from thermscan.model.board import Board
from thermscan.model.case_record import Candidate, Standing
from thermscan.model.evidence import Priors
from thermscan.model.reading import Reading
from thermscan.model.settings import ExplainSettings


@dataclass(frozen=True)
class ReadingWeight:
    """What one reading does: a factor for each suspect by name, for no fault and for another fault.

    ``text`` says what was read; where it could not be used it says why, and every factor is 1.
    """

    text: str
    factors: dict[str, float]
    no_fault: float = 1.0
    other: float = 1.0


def weigh_reading(
    reading: Reading, standing: Standing, board: Board | None, *, priors: Priors | None = None
) -> ReadingWeight:
    """Weigh one reading against the suspects of a standing.

    Parameters
    ----------
    reading : Reading
    standing : Standing
    board : Board or None
    priors : Priors, optional
        How likely each reading is under each fault.

    Returns
    -------
    ReadingWeight
        Factors are likelihoods relative to that of no fault.

    Notes
    -----
    The likelihoods are those of the comparison's own reasoning. It is quick and rougher than that: suspects too
    unlikely to be listed stay in 'another fault', and what a dead supply takes along is judged by its rail alone.
    """
    tree = grow_tree(board)
    rows = [(candidate, fault, share) for candidate in standing.candidates for fault, share in _faults(candidate)]
    lineup = _lineup(rows, board, tree, priors or Priors())
    weights, refused = weigh_readings((reading,), lineup)
    if not weights:
        return ReadingWeight(refused[0] if refused else "says nothing", {})
    return _by_candidate(weights[0], rows)


def _faults(candidate: Candidate) -> list[tuple[str, float]]:
    total = sum(candidate.faults.values())
    return [(f, s / total) for f, s in candidate.faults.items()] if total > 0 else [("other", 1.0)]


def _lineup(
    rows: Sequence[tuple[Candidate, str, float]], board: Board | None, tree: PowerTree, priors: Priors
) -> Lineup:
    """Return the listed suspects as hypotheses; what only the judging of heat needs is left empty."""
    names = list(dict.fromkeys(c.name for c, _, _ in rows if c.ref is None))
    bare = tuple(Bare(0.0, 0.0, 0.0, ()) for _ in names)
    hypotheses = [_hypothesis(c, fault, names, tree) for c, fault, _ in rows]
    nothing: object = None
    return Lineup(nothing, board, tree, priors, ExplainSettings(), nothing, bare, hypotheses=hypotheses)  # type: ignore[arg-type]


def _hypothesis(candidate: Candidate, fault: str, names: Sequence[str], tree: PowerTree) -> Hypothesis:
    where = candidate.ref or f"@{names.index(candidate.name)}"
    made = next((s for s in tree.supplies.values() if candidate.ref is not None and s.maker == candidate.ref), None)
    dead = fault in ("dead_supply", "open_or_missing") and made is not None
    dark = frozenset(made.users) | frozenset(made.shunts) if dead and made is not None else frozenset()
    net = made.net if dead and made is not None else candidate.net
    return Hypothesis(where, fault, net, 0.0, (), dark)


def _by_candidate(weight: Weight, rows: Sequence[tuple[Candidate, str, float]]) -> ReadingWeight:
    """Average the likelihood over each suspect's faults."""
    likelihood = np.exp(weight.log - weight.log[-2])
    factors: dict[str, float] = {}
    for (candidate, _, share), value in zip(rows, likelihood[:-2], strict=True):
        factors[candidate.name] = factors.get(candidate.name, 0.0) + share * float(value)
    return ReadingWeight(weight.text, factors, 1.0, float(likelihood[-1]))
