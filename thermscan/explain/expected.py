"""Without a good board: what the siblings of a part do, else what its kind usually does."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from thermscan.explain.pattern import lag
from thermscan.explain.power_tree import PowerTree, grow_tree
from thermscan.explain.scene import Scene
from thermscan.model.board import Board, Part
from thermscan.model.evidence import Priors
from thermscan.model.settings import ExplainSettings

USUAL_AFTER_S = 10.0  # seconds for which the usual self-heating by kind is stated
SAME_SIZE = 1.3  # bodies of like kind within this factor of area are siblings; judgement
BELIEF_DF = 2.0  # siblings' worth of what is believed before: two that agree count as much; judgement
BRANCH_SHARE = 0.4  # of the usual heat of a kind, by which parts at one place of the power tree differ; judgement


@dataclass(frozen=True)
class Expectation:
    """What each place is expected to show: ``own_k`` and ``spread_k``, ndarray (places, stages), and from whom.

    ``compared`` gives, for each part compared with others of its board, with which, in words.
    """

    own_k: np.ndarray
    spread_k: np.ndarray
    compared: dict[str, str]


def siblings_of(part: Part, board: Board) -> tuple[str, ...]:
    """Return parts of like kind, size and side: phases, channels, banks of equal parts."""
    area = part.w * part.h
    return tuple(
        p.ref
        for p in board.parts_on(part.side)
        if p.ref != part.ref
        and p.kind == part.kind
        and 1 / SAME_SIZE <= p.w * p.h / area <= SAME_SIZE
        and _net_kinds(p) == _net_kinds(part)
    )


def _net_kinds(part: Part) -> int:
    return len(part.nets)


def branch_siblings_of(part: Part, board: Board, tree: PowerTree) -> tuple[str, ...]:
    """Return parts of like kind at the same place of the power tree on another branch, whatever their size.

    What makes a net from the same net, or draws on nets that are made from the same one.
    """
    place = _tree_place(part, tree)
    if not place:
        return ()
    others = (p for p in board.parts_on(part.side) if p.ref != part.ref and p.kind == part.kind)
    return tuple(p.ref for p in others if _tree_place(p, tree) == place)


def _tree_place(part: Part, tree: PowerTree) -> tuple[str, ...]:
    """Return whether a part makes or uses a net, and what that net is made from; empty off the tree."""
    made = tree.made_by(part.ref)
    nets = made or tree.supplies_of(part)
    above = {tree.above(n) for n in nets}
    if len(above) != 1 or not (chain := above.pop()):
        return ()
    return ("makes" if made else "uses", *chain)


def expect(scene: Scene, board: Board | None, *, priors: Priors, settings: ExplainSettings) -> Expectation:
    """Work out what to expect of each place from the board alone.

    Notes
    -----
    Two siblings or more: their median, and their scatter (1.4826 times the median deviation) pooled with what is
    believed of equal parts before they are seen (a share of their heat, and of what is usual). Fewer, but two or more
    of its kind at the same place of the power tree: the same of those, with a belief as wide as kinds differ. Else the
    usual self-heating of the kind, as uncertain as it is large. Bare board: nothing is expected, and the warmth that
    the parts around bring may go anywhere within what is usual there.
    """
    shape = scene.excess_k.shape
    own, spread = np.zeros(shape), np.zeros(shape)
    course = lag(scene.times_s, USUAL_AFTER_S) * (1 - np.exp(-scene.times_s[-1] / USUAL_AFTER_S)) / (1 - np.exp(-1.0))
    compared: dict[str, str] = {}
    like = _Likeness(scene, board)
    warm = float(np.median(np.abs(scene.excess_k[scene.is_seen, -1]))) if scene.is_seen.any() else 0.0
    for i, ref in enumerate(scene.refs):
        usual = priors.self_heating_k.get(scene.kinds[i], 2.0) * scene.floor_scale * course
        rows, is_branch = like.rows_of(ref)
        if ref is not None and len(rows) >= 2:
            own[i] = np.median(scene.excess_k[rows], axis=0)
            scatter = 1.4826 * np.median(np.abs(scene.excess_k[rows] - own[i]), axis=0)
            before = np.hypot(settings.share_none * np.abs(own[i]), (BRANCH_SHARE if is_branch else 0.3) * usual)
            spread[i] = _pooled(before, scatter, len(rows))
            compared[ref] = _in_words([str(scene.refs[r]) for r in rows], is_branch=is_branch)
        elif ref is not None:
            own[i], spread[i] = usual, 1.0 * usual + 0.5 * warm
        else:
            own[i], spread[i] = 0.0, 0.5 * priors.self_heating_k["other"] * scene.floor_scale * course + 0.7 * warm
    return Expectation(np.maximum(own, 0.0), spread, compared)


class _Likeness:
    """Which seen places of a scene a part may be compared with."""

    def __init__(self, scene: Scene, board: Board | None) -> None:
        self.scene, self.board = scene, board
        self.tree = grow_tree(board)
        self.parts = {p.ref: p for p in board.parts} if board is not None else {}

    def rows_of(self, ref: str | None) -> tuple[list[int], bool]:
        """Return the rows of its siblings, or, where those are fewer than two, of its likes on other branches."""
        if self.board is None or ref not in self.parts:
            return [], False
        rows = self._seen(siblings_of(self.parts[ref], self.board))
        if len(rows) >= 2:
            return rows, False
        return self._seen(branch_siblings_of(self.parts[ref], self.board, self.tree)), True

    def _seen(self, refs: tuple[str, ...]) -> list[int]:
        rows = [self.scene.index(r) for r in refs]
        return [r for r in rows if r is not None and self.scene.is_seen[r]]


def _in_words(names: list[str], *, is_branch: bool) -> str:
    some = ", ".join(names[:5])
    if is_branch:
        return f"compared with its kind at the same place of the power tree, {some}: weaker than siblings"
    return f"compared with its siblings {some}: weaker than a good board"


def _pooled(before: np.ndarray, scatter: np.ndarray, count: int) -> np.ndarray:
    """Pool the spread believed before with the scatter of siblings, and widen it for a median of so few.

    The mean of a variance under a scaled inverse chi-squared prior of ``BELIEF_DF`` degrees of freedom (Gelman et al.,
    Bayesian Data Analysis, section 2.6), for ``count - 1`` of the siblings' own.
    """
    own = count - 1
    variance = (BELIEF_DF * before**2 + own * scatter**2) / (BELIEF_DF + own)
    return np.sqrt(variance * (1.0 + 0.5 * np.pi / count))


def judge_by_expectation(scene: Scene, expectation: Expectation) -> Scene:
    """Return the scene of a board without good ones: rise minus what is expected, with its wide spread."""
    return replace(
        scene,
        excess_k=np.where(scene.is_seen[:, None], scene.excess_k - expectation.own_k, 0.0),
        own_k=expectation.own_k,
        spread_k=np.hypot(scene.spread_k, expectation.spread_k),
    )
