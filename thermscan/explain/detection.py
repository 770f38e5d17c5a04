"""Whether a fault of ordinary size would have shown: what the picture could see of each, before saying it sees none."""

from __future__ import annotations

import numpy as np

from thermscan.explain.lineup import Hypothesis, Lineup, View
from thermscan.explain.pattern import plate_kernel
from thermscan.explain.scene import Scene
from thermscan.model.quantity import watts_words
from thermscan.model.settings import ExplainSettings

# Heat that a volume of FR-4 takes up, J/(mm3 K): 1.9 MJ/m3K, handbook value from memory, the same as in the settings.
CAPACITY_J_MM3K = 1.9e-3
USUAL_THICKNESS_MM = 1.6
BLURRED_PIXEL = 0.6  # deviation of what one pixel sees, pixels: a box (0.29) and the optics' usual blur (0.5) together


def silent_shares(lineup: Lineup) -> np.ndarray:
    """Return how likely each listed fault, if it is there, would show nothing in these seconds, ndarray (hypotheses,).

    Notes
    -----
    Heat: the watts that would stand out by ``seen_sigma`` of noise and healthy spread at the place, against ordinary
    watts (``least_fault_w`` to ``most_fault_w``, even in their logarithm). A source in a plate (see
    ``pattern.plate_kernel``, blurred by the pixels) divided by its sheet conductance gives kelvins for watts; heat
    under a cover or on the other side comes late and wide. Cold: the largest heat that would be missing, against the
    same limit. Between ``least_silent`` and ``most_silent``: no limit is that sure.
    """
    settings = lineup.settings
    limits = watts_to_see(lineup)
    shares = [_silent(h, lineup, limits) for h in lineup.hypotheses]
    return np.clip(np.array(shares), settings.least_silent, settings.most_silent)


def visible_share(lineup: Lineup, silent: np.ndarray) -> float:
    """Return the share of all listed faults, by their priors, that would have shown."""
    priors = np.array([h.prior for h in lineup.hypotheses])
    return float(((1.0 - silent) * priors).sum() / priors.sum()) if len(priors) and priors.sum() > 0 else 0.0


def seen_sentences(lineup: Lineup, *, limit_is_stated: bool = False) -> tuple[str, ...]:
    """Say what a fault must make to have been seen, and how many of the listed ones would have shown.

    Where the detection limit is stated already, from the fit of the heat's spread, this rougher one is not told.
    """
    limit = typical_limit_w(lineup)
    if limit is None or lineup.scene.floor_scale != 1.0:
        return ()
    share = visible_share(lineup, silent_shares(lineup))
    seconds = f"{lineup.scene.times_s[-1]:.0f} s"
    shown = f"of the faults weighed about {round(20 * share) * 5} in 100 would have shown"
    if limit_is_stated:
        return (f"{shown} within {seconds}",)
    return (
        f"at a typical part about {watts_words(limit)} of extra heat would have stood out after {seconds}; {shown}",
    )


def typical_limit_w(lineup: Lineup) -> float | None:
    """Return the median over the parts seen of the watts that would stand out, None where none is seen."""
    seen = [w for w, ref, ok in zip(watts_to_see(lineup), lineup.scene.refs, lineup.scene.is_seen, strict=True)
            if ref is not None and ok]  # fmt: skip
    return float(np.median(seen)) if seen else None


def watts_to_see(lineup: Lineup) -> np.ndarray:
    """Return the watts at each place that would stand out there, ndarray (places,)."""
    scene, settings = lineup.scene, lineup.settings
    thickness = (lineup.board.thickness_mm if lineup.board else None) or USUAL_THICKNESS_MM
    conductance = lineup.own.diffusivity * CAPACITY_J_MM3K * thickness  # W/K of a square
    wide = np.hypot(scene.radius_mm, np.where(scene.is_seen, 0.0, settings.hidden_wide_mm))
    size = np.hypot(wide, np.maximum(wide, BLURRED_PIXEL * lineup.pixel_mm))
    kernel = plate_kernel(np.zeros(scene.places), size, scene.times_s[-1:], lineup.own.diffusivity)[:, 0]
    late = 1.0 - np.exp(-scene.times_s[-1] / settings.hidden_lag_s)
    per_watt = kernel / (4 * np.pi * conductance) * np.where(scene.is_seen, 1.0, late)
    return _limit_k(scene, settings) / np.maximum(per_watt, 1e-9)


def _limit_k(scene: Scene, settings: ExplainSettings) -> np.ndarray:
    """Return the kelvins that stand out at each place; for what is not seen, the median over bare board."""
    own = settings.seen_sigma * np.hypot(scene.noise_k[:, -1], scene.spread_k[:, -1])
    bare = np.array([r is None for r in scene.refs]) & scene.is_seen
    around = own[bare] if bare.any() else own[scene.is_seen]
    return np.where(scene.is_seen, own, float(np.median(around)) if around.size else np.inf)


def _silent(hypothesis: Hypothesis, lineup: Lineup, limits_w: np.ndarray) -> float:
    scene, settings = lineup.scene, lineup.settings
    if scene.floor_scale != 1.0:
        return settings.silent_share  # counts without a scale: watts are not known
    if hypothesis.at is not None:
        place = lineup.bare[hypothesis.at]
        row = int(np.argmin(np.hypot(scene.x_mm - place.x_mm, scene.y_mm - place.y_mm)))
        return _silent_heat(limits_w[row], settings)
    key = hypothesis.views[0].look[0]
    if key == "hot":
        return _silent_heat(limits_w[scene.refs.index(hypothesis.where)], settings)
    return _silent_change(_largest_change(hypothesis.views, lineup), settings)


def _silent_heat(limit_w: float, settings: ExplainSettings) -> float:
    low, high = np.log(settings.least_fault_w), np.log(settings.most_fault_w)
    return float((np.log(max(limit_w, 1e-12)) - low) / (high - low))


def _silent_change(size: float, settings: ExplainSettings) -> float:
    return 1.0 - size / settings.seen_sigma


def _largest_change(views: tuple[View, ...], lineup: Lineup) -> float:
    """Return the largest change that an ordinary fault of this look makes, in units of noise and spread.

    A part or net that goes dark loses seven tenths of its heat at least; a part off its heat sink gains half of it.
    """
    scene = lineup.scene
    look = lineup.looks[views[0].look]
    change = (0.7 if look.body is None else 0.0) * np.abs(look.pattern[:, -1])
    if look.body is not None:
        change[look.body.row] = 0.5 * scene.own_k[look.body.row, -1]
    scale = np.hypot(scene.noise_k[:, -1], scene.spread_k[:, -1])
    return float(np.where(scene.is_seen, change / scale, 0.0).max(initial=0.0))
