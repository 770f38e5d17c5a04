"""Without a good board: what the siblings of a part do, else what its kind usually does."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from thermscan.explain.bare_fault import BLOCKERS
from thermscan.explain.pattern import lag
from thermscan.explain.scene import Scene
from thermscan.explain.sibling import Likeness, pooled
from thermscan.model.board import Board
from thermscan.model.evidence import Priors
from thermscan.model.settings import ExplainSettings

USUAL_AFTER_S = 10.0  # seconds for which the usual self-heating by kind is stated
BRANCH_SHARE = 0.4  # of the usual heat of a kind, by which parts at one place of the power tree differ; judgement


@dataclass(frozen=True)
class Expectation:
    """What each place is expected to show: ``own_k`` and ``spread_k``, ndarray (places, stages), and from whom.

    ``compared`` gives, for each part compared with others of its board, with which, in words.
    """

    own_k: np.ndarray
    spread_k: np.ndarray
    compared: dict[str, str]


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
    like = Likeness(scene, board)
    warm = float(np.median(np.abs(scene.excess_k[scene.is_seen, -1]))) if scene.is_seen.any() else 0.0
    for i, ref in enumerate(scene.refs):
        usual = priors.self_heating_k.get(scene.kinds[i], 2.0) * scene.floor_scale * course
        rows, is_branch = like.rows_of(ref)
        if ref is not None and len(rows) >= 2:
            own[i] = np.median(scene.excess_k[rows], axis=0)
            scatter = 1.4826 * np.median(np.abs(scene.excess_k[rows] - own[i]), axis=0)
            before = np.hypot(settings.share_none * np.abs(own[i]), (BRANCH_SHARE if is_branch else 0.3) * usual)
            of_median = np.sqrt(1.0 + 0.5 * np.pi / len(rows))  # a median of so few is uncertain itself
            spread[i] = pooled(before, scatter, len(rows)) * of_median
            compared[ref] = _in_words([str(scene.refs[r]) for r in rows], is_branch=is_branch)
        elif ref is not None:
            own[i], spread[i] = usual, 1.0 * usual + 0.5 * warm
        else:
            own[i], spread[i] = 0.0, 0.5 * priors.self_heating_k["other"] * scene.floor_scale * course + 0.7 * warm
    return Expectation(np.maximum(own, 0.0), spread, compared)


def _in_words(names: list[str], *, is_branch: bool) -> str:
    some = ", ".join(names[:5])
    if is_branch:
        return f"compared with its kind at the same place of the power tree, {some}: weaker than siblings"
    return f"compared with its siblings {some}: weaker than a good board"


def judge_by_expectation(scene: Scene, expectation: Expectation) -> Scene:
    """Return the scene of a board without good ones: rise minus what is expected, with its wide spread."""
    return replace(
        scene,
        excess_k=np.where(scene.is_seen[:, None], scene.excess_k - expectation.own_k, 0.0),
        own_k=expectation.own_k,
        spread_k=np.hypot(scene.spread_k, expectation.spread_k),
    )


def odd_shares(scene: Scene, *, settings: ExplainSettings) -> np.ndarray:
    """Return how often each place of a healthy board does as no place of its kind usually does, ndarray (places,).

    A bleeder or a lamp runs hot by design; a part through which no direct current passes does not.
    """
    is_idle = np.array([kind in BLOCKERS for kind in scene.kinds])
    return np.where(is_idle, settings.odd_idle_share, settings.odd_alone_share)
