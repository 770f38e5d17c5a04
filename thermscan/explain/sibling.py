"""Equal parts of one board: which belong together, and how far they differ from one another."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from thermscan.explain.power_tree import PowerTree, grow_tree
from thermscan.explain.scene import Scene
from thermscan.model.board import Board, Part
from thermscan.model.settings import ExplainSettings

SAME_SIZE = 1.3  # bodies of like kind within this factor of area are siblings; judgement
BELIEF_DF = 2.0  # siblings' worth of what is believed before: two that agree count as much; judgement


def siblings_of(part: Part, board: Board) -> tuple[str, ...]:
    """Return parts of like kind, size and side: phases, channels, banks of equal parts."""
    area = part.w * part.h
    return tuple(
        p.ref
        for p in board.parts_on(part.side)
        if p.ref != part.ref
        and p.kind == part.kind
        and 1 / SAME_SIZE <= p.w * p.h / area <= SAME_SIZE
        and len(p.nets) == len(part.nets)
    )


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


class Likeness:
    """Which seen places of a scene a part may be compared with."""

    def __init__(self, scene: Scene, board: Board | None) -> None:
        self.scene, self.board = scene, board
        self.tree = grow_tree(board)
        self.parts = {p.ref: p for p in board.parts} if board is not None else {}

    def siblings(self, ref: str | None) -> list[int]:
        """Return the rows of the seen siblings of a part."""
        if self.board is None or ref not in self.parts:
            return []
        return self._seen(siblings_of(self.parts[ref], self.board))

    def rows_of(self, ref: str | None) -> tuple[list[int], bool]:
        """Return the rows of its siblings, or, where those are fewer than two, of its likes on other branches."""
        rows = self.siblings(ref)
        if len(rows) >= 2 or self.board is None or ref not in self.parts:
            return rows, False
        return self._seen(branch_siblings_of(self.parts[ref], self.board, self.tree)), True

    def _seen(self, refs: tuple[str, ...]) -> list[int]:
        rows = [self.scene.index(r) for r in refs]
        return [r for r in rows if r is not None and self.scene.is_seen[r]]


def pooled(before: np.ndarray, scatter: np.ndarray, count: int) -> np.ndarray:
    """Pool the spread believed before with the scatter of ``count`` siblings about their own middle, same shapes.

    The mean of a variance under a scaled inverse chi-squared prior of ``BELIEF_DF`` degrees of freedom (Gelman et al.,
    Bayesian Data Analysis, section 2.6), for ``count - 1`` of the siblings' own.
    """
    own = count - 1
    return np.sqrt((BELIEF_DF * before**2 + own * scatter**2) / (BELIEF_DF + own))


def spread_by_siblings(scene: Scene, board: Board | None, *, settings: ExplainSettings) -> Scene:
    """Return the scene with the spread of parts that have siblings pooled with how those differ from the good boards.

    Parameters
    ----------
    scene : Scene
        Excess over good boards.
    board : Board or None
    settings : ExplainSettings

    Notes
    -----
    A fault sits at one part; its siblings, made alike and loaded alike, show on this very board how far the own heat of
    such a part differs from the good ones' where nothing is wrong: 1.4826 times the median deviation of their ratios of
    excess to own heat from the median ratio. The part itself is left out, and where siblings scatter more than the
    good boards do, its spread is widened as well.
    """
    like, out = Likeness(scene, board), scene.spread_k.copy()
    own, least = scene.own_k[:, -1], settings.sibling_own_k * scene.floor_scale
    is_warm = (own > least) & (scene.noise_k[:, -1] < settings.sibling_noise * own)
    for i in np.flatnonzero(is_warm & scene.is_seen):
        rows = [r for r in like.siblings(scene.refs[i]) if is_warm[r]]
        rows = [r for r in rows if 1 / settings.sibling_like < own[r] / own[i] < settings.sibling_like]
        if len(rows) < settings.least_siblings:
            continue
        ratio = scene.excess_k[rows, -1] / own[rows]
        scatter = max(1.4826 * float(np.median(np.abs(ratio - np.median(ratio)))), settings.share_many)
        out[i] *= pooled(scene.spread_k[i, -1], scatter * own[i], len(rows)) / scene.spread_k[i, -1]
    return replace(scene, spread_k=out)
