"""What is weighed: faults at places, the ways in which each may look, and the scene and priors that they share."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from thermscan.explain.bare_place import Bare
from thermscan.explain.likelihood import Beside, Look
from thermscan.explain.pattern import OwnHeat
from thermscan.explain.power_tree import PowerTree, is_ground
from thermscan.explain.scene import Scene
from thermscan.model.board import Board, Part
from thermscan.model.evidence import Priors
from thermscan.model.result import HeatSource
from thermscan.model.settings import ExplainSettings

# Kelvin at the hottest end: a part 150 K above its like does not last for seconds; judgement.
STRONGEST_K = 150.0
HEAT_FAULTS = ("short", "leak", "overload", "joint")
# Range of the change, K, per fault: judgement, wide. An overload and a lost heat path grow with the own heat.
TOP_K = {"short": 150.0, "leak": 60.0, "overload": 80.0, "joint": 80.0, "bridge": 120.0, "hidden_source": 60.0}


@dataclass(frozen=True)
class View:
    """One entry in a hypothesis' mix of looks: key of the look, its share, and weights of its strengths."""

    look: tuple[object, ...]
    share: float
    strengths: np.ndarray


@dataclass(frozen=True)
class Hypothesis:
    """One fault at one place.

    ``where`` is the refdes, or ``@n`` for the n-th bare place; ``net`` the net that it pulls down or leaves dead.
    ``dark`` are parts that lose their supply for certain, ``collapse_share`` how often the net's volts collapse;
    ``at`` is the number of the bare place that heats where the fault sits at the pads of the part ``where``;
    ``share_of`` the fault whose share of the priors it takes, empty where that is its own.
    """

    where: str
    fault: str
    net: str | None
    prior: float
    views: tuple[View, ...]
    dark: frozenset[str] = frozenset()
    collapse_share: float = 0.0
    at: int | None = None
    share_of: str = ""


@dataclass
class Lineup:
    """All hypotheses, and the looks that they share (each look is judged once)."""

    scene: Scene
    board: Board | None
    tree: PowerTree
    priors: Priors
    settings: ExplainSettings
    own: OwnHeat
    bare: tuple[Bare, ...]
    looks: dict[tuple[object, ...], Look] = field(default_factory=dict)
    hypotheses: list[Hypothesis] = field(default_factory=list)
    feeders: dict[tuple[str, str, float], tuple[Beside, ...]] = field(default_factory=dict)
    plates: dict[tuple[str, bool], np.ndarray] = field(default_factory=dict)
    gives_up: np.ndarray | None = None  # share of each outcome's likelihood in which the whole supply has given up
    sources: tuple[HeatSource, ...] = ()
    pixel_mm: float = 0.0
    is_timed: bool = False  # compared with good boards, all from their power-on on

    @property
    def shares(self) -> np.ndarray:
        """Share of each part in the healthy warmth of each place, ndarray (places, places)."""
        return self.own.shares

    @property
    def diffusivities(self) -> tuple[float, ...]:
        """Spreads of heat to try, mm2/s: what explains the good boards, and a step to either side."""
        step = self.settings.diffusivity_step
        return self.own.diffusivity / step, self.own.diffusivity, self.own.diffusivity * step

    @property
    def brings_k(self) -> np.ndarray:
        """Warmth that each place's part brings to the warmest place it reaches, last stage, K, ndarray (places,)."""
        return (self.shares * np.where(self.scene.is_seen, self.scene.own_k[:, -1], 0.0)[:, None]).max(axis=0)

    @property
    def strengths_k(self) -> np.ndarray:
        """Strengths tried for heat, K (or counts), logarithmic."""
        strongest = STRONGEST_K * self.scene.floor_scale
        return np.geomspace(self.least_change_k, strongest, self.settings.strengths)

    @property
    def least_change_k(self) -> float:
        """Smallest change that a fault is expected to make, K (or counts)."""
        return self.settings.least_change_k * self.scene.floor_scale

    @property
    def floor_k(self) -> float:
        """Harmless difference of any place between two good boards, K (or counts)."""
        return self.settings.floor_k * self.scene.floor_scale

    def top_k(self, fault: str) -> float:
        """Return the largest change that a fault makes at its place, K (or counts)."""
        return TOP_K[fault] * self.scene.floor_scale


def range_weights(strengths: np.ndarray, low: float, high: float) -> np.ndarray:
    """Return equal weights that add to one for the strengths from low to high, K, ndarray (steps,); 0 elsewhere."""
    inside = (strengths >= min(low, strengths[-1]) * 0.999) & (strengths <= max(high, low * 2) * 1.001)
    inside = inside if inside.any() else strengths == strengths[-1]
    return inside / inside.sum()


def with_pulled(
    lineup: Lineup, views: list[View], *, share: float | None = None, strengths: np.ndarray | None = None
) -> list[View]:
    """Return the views of a fault with those in which it takes the supply down, ``share``: as often as a short does.

    ``strengths`` are the weights of the strengths at which it does, ndarray (steps,); None: those of the views.

    Where nobody knows the nets all parts lose one share of their heat, 0 to 1; where they are known, the looks of a
    short say what it takes down.
    """
    if lineup.tree.supplies or not lineup.scene.own_k.any():
        return views
    pulled, down = Beside(-lineup.scene.own_k, 0.0, 1.0), []
    for view in views:
        key, look = (*view.look[:2], "pulled", *view.look[2:]), lineup.looks[view.look]
        lineup.looks[key] = replace(look, besides=(*look.besides, pulled))
        down.append(key)
    share = lineup.settings.collapse_share * lineup.settings.blackout_share if share is None else share
    kept = [View(v.look, v.share * (1 - share), v.strengths) for v in views]
    taken = [v.strengths if strengths is None else strengths for v in views]
    return kept + [View(key, v.share * share, s) for key, v, s in zip(down, views, taken, strict=True)]


def lowest(tree: PowerTree, nets: tuple[str, ...]) -> tuple[str, ...]:
    """Return those nets that are not made from another of them, else all: a short pulls down its own net first."""
    made = [n for n in nets if any(a in nets for a in tree.above(n))]
    return tuple(made) or nets


def add(lineup: Lineup, hypothesis: Hypothesis) -> None:
    """Put a hypothesis on the list, unless it is impossible or has no look."""
    if hypothesis.prior > 0 and hypothesis.views:
        lineup.hypotheses.append(hypothesis)


def net_of(tree: PowerTree, part: Part) -> str | None:
    """Return the net that a fault of a part bears on: its lowest supply, else its first that is not ground."""
    nets = lowest(tree, tree.supplies_of(part))
    return nets[0] if nets else next((n for n in part.nets if not is_ground(n)), None)
