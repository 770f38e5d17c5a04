"""Whether the boards were run alike (supply volts, room, one scale for all heat), and whether a good board is odd."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.stats import t as student_t

from thermscan.explain.current_shape import shape_of
from thermscan.explain.likelihood import Judge
from thermscan.explain.scene import Scene, left_out_sizes, tail_of
from thermscan.model.evidence import Evidence
from thermscan.model.recording import Drive, SupplyPoint
from thermscan.model.settings import ExplainSettings

MORE_CURRENT = 1.1  # times the good boards' current: from there lower volts may be the fault's own doing; judgement

ALIKE_AMPS = 0.1  # share by which the current may differ where the power is to be the same; judgement
LEAST_WARM = 5  # warm parts from which a scale is common to a board; judgement
OF_WARMEST = 0.1  # of the warmest part's own heat, above which a part makes heat itself; judgement
ALIKE_PARTS = 0.8  # share of the parts that must agree; judgement


@dataclass(frozen=True)
class Conditions:
    """How far the runs are alike.

    Attributes
    ----------
    common_share : float
        Standard deviation to allow for all own heat together, share of it.
    sentences : tuple of str
    is_refused : bool
        True where the runs are too different to name a suspect from the heat.
    scale : float or None
        Where all heat together differs by so much that no part is named from it unless it is far beyond that: the share
        by which it does.
    """

    common_share: float
    sentences: tuple[str, ...] = ()
    is_refused: bool = False
    scale: float | None = None

    def refuse(self, scene: Scene, ref: str | None, settings: ExplainSettings) -> bool:
        """Tell whether a suspect is not to be named from heat: the runs differ, and so might its place for that alone.

        A place that is ``beyond_scale`` times as warm as its own heat would be on that scale, and beyond all noise, is
        warm for another reason.
        """
        if self.scale is None:
            return self.is_refused
        row = scene.index(ref) if ref is not None else None
        if self.is_refused or row is None:
            return True
        own, excess = scene.own_k[row, -1], scene.excess_k[row, -1]
        least = settings.beyond_scale * (1.0 + abs(self.scale)) * own
        return bool(excess < least + settings.seen_sigma * np.hypot(scene.noise_k[row, -1], scene.spread_k[row, -1]))


def compare_conditions(evidence: Evidence, settings: ExplainSettings) -> Conditions:
    """Compare drive, supply volts and room temperature with the good boards', as far as they are known.

    Notes
    -----
    The heat of a load goes with its volts to the power of 0 (behind a switching regulator) to 2 (a resistor), so
    that the whole picture may be off by up to the square of their ratio: that much is left free. Where the board
    takes more current than the good ones, low volts may be the fault's own doing and are not held against it.
    """
    share, said, refused = settings.common_share, [], False
    if evidence.basis == "good_boards" and (driven := _driven_apart(evidence)):
        said.append(driven)
        refused = True
    ratio = _volts_ratio(evidence)
    if ratio is not None and abs(ratio - 1.0) > settings.supply_differs:
        share = max(share, abs(ratio**2 - 1.0))
        is_far = abs(ratio - 1.0) > settings.supply_refused
        refused = refused or is_far
        text = (
            f"the supply gave {100 * abs(ratio - 1):.0f} % {'more' if ratio > 1 else 'less'} volts than with the good"
            f" boards: all heat may differ by up to {100 * abs(ratio**2 - 1):.0f} % for that alone"
        )
        said.append(text + ("; too far apart to judge heat: film both at the same volts" if is_far else ""))
    if evidence.ambient_c is not None and evidence.good_ambients_c:
        apart = evidence.ambient_c - float(np.median(evidence.good_ambients_c))
        if abs(apart) > settings.ambient_differs_k:
            share = max(share, settings.ambient_share_per_k * abs(apart))
            said.append(
                f"the room was {abs(apart):.0f} K {'warmer' if apart > 0 else 'cooler'} than with the good boards:"
                " rises are compared, not temperatures, and all of them may differ by a few percent"
            )
    return Conditions(share, tuple(said), refused)


def _volts_ratio(evidence: Evidence) -> float | None:
    """Return the volts over the good boards', by the logs, else as the sidecars state them."""
    own, goods = _mean_on(evidence.supply), [_mean_on(g) for g in evidence.good_supplies]
    known = [g for g in goods if g is not None]
    if own is None or not known:
        return _stated_ratio(evidence)
    volts, amps = (float(np.median([g[i] for g in known])) for i in (0, 1))
    if volts <= 0 or own[0] <= 0 or own[1] > MORE_CURRENT * amps:
        return None
    return own[0] / volts


def _stated_ratio(evidence: Evidence) -> float | None:
    """Return the ratio of the volts that were set, None where they are not stated on both sides."""
    goods = [d.volts for d in evidence.good_drives if d.volts]
    own = evidence.drive.volts if evidence.drive is not None else None
    is_alike = own and goods and not evidence.is_injection and not _driven_apart(evidence)
    return own / float(np.median(goods)) if is_alike else None


def _driven_apart(evidence: Evidence) -> str:
    """Say how the boards were driven where that is not alike: the board's own supply, one net fed, or on and off."""
    own, goods = evidence.drive, evidence.good_drives
    if own is None or not goods or all(d.mode == own.mode for d in goods):
        return ""
    other = next(d for d in goods if d.mode != own.mode)
    return (
        f"this board was {_driven(own)}, a good board was {_driven(other)}: their heat cannot be compared; film both"
        " driven the same way, or leave the good boards out where one net was fed"
    )


def _driven(drive: Drive) -> str:
    if drive.mode == "injection":
        return f"fed at {drive.net or 'one net'} alone"
    return "switched on and off again and again" if drive.mode == "periodic" else "on its own supply"


def _mean_on(supply: tuple[SupplyPoint, ...]) -> tuple[float, float] | None:
    """Return the highest volts and the later mean current of a log, None where it shows no current."""
    shape = shape_of(supply)
    return None if shape is None else (max(p.volts for p in supply), shape.mean_a)


def fitted_scale(judge: Judge, common_share: float, settings: ExplainSettings) -> tuple[str, ...]:
    """Say by how much all own heat was scaled before anything was judged, where that is worth saying."""
    scale = common_share * float(judge.shared.amounts(judge.scene.excess_k.reshape(-1))[0])
    if abs(scale) < settings.scale_said or not judge.scene.own_k.any():
        return ()
    word = "warmer" if scale > 0 else "cooler"
    return (
        f"all parts together are about {100 * abs(scale):.0f} % {word} than on the good boards; if no fault does that,"
        " supply volts, air or the time of filming were not the same",
    )


def common_scale(scene: Scene, settings: ExplainSettings) -> float | None:
    """Return by what share all warm parts together are warmer (negative: cooler) than on the good boards.

    Parameters
    ----------
    scene : Scene
    settings : ExplainSettings

    Returns
    -------
    float or None
        None where fewer than ``LEAST_WARM`` parts are warm, or they do not agree: then it is no common scale.

    Notes
    -----
    The median, over parts that make heat, of the excess over their own at the last stage. Bystanders are left out (own
    heat beyond noise and a tenth of the warmest part's): they show what the part beside them does. The parts agree
    where four in five lie within half of the median. One fault changes its surroundings, or one branch; it does not
    scale the heat of every part.
    """
    own, excess = scene.own_k[:, -1], scene.excess_k[:, -1]
    is_part = np.array([r is not None for r in scene.refs], bool)
    is_known = own > np.maximum(settings.warm_own_k * scene.floor_scale, 2.0 * scene.noise_k[:, -1])
    seen = is_part & scene.is_seen & is_known
    warm = seen & (own > OF_WARMEST * own[seen].max(initial=0.0))
    if warm.sum() < LEAST_WARM:
        return None
    ratio = excess[warm] / own[warm]
    middle = float(np.median(ratio))
    is_like = np.abs(ratio - middle) < 0.5 * abs(middle)
    return middle if float(np.mean(is_like)) >= ALIKE_PARTS else None


def with_scale(conditions: Conditions, scene: Scene, evidence: Evidence, settings: ExplainSettings) -> Conditions:
    """Add that all heat together differs by too much for two runs to be compared: air, heat sink, cover, seconds on.

    Notes
    -----
    All heat is then free to differ by that much before any place is judged. A supply that is down, limited or
    restarting makes every part cooler, and is a fault: cooler is refused only where the log shows that the board drew
    what good ones draw.
    """
    scale = common_scale(scene, settings)
    if evidence.basis != "good_boards" or evidence.is_injection or scale is None:
        return conditions
    if abs(scale) <= settings.scale_refused or (scale < 0 and not _draws_alike(evidence)):
        return conditions
    said = (
        f"all warm parts together are {100 * abs(scale):.0f} % {'warmer' if scale > 0 else 'cooler'} than on the good"
        " boards, which no fault of one part does: airflow, heat sink, cover, supply or seconds on were not the same;"
        " too far apart to name a part from heat that this may explain: film both the same way"
    )
    share = max(conditions.common_share, abs(scale))
    return Conditions(share, (*conditions.sentences, said), conditions.is_refused, scale)


def _draws_alike(evidence: Evidence) -> bool:
    own, goods = _mean_on(evidence.supply), [_mean_on(g) for g in evidence.good_supplies]
    amps = [g[1] for g in goods if g is not None]
    is_steady = evidence.timing is None or not evidence.timing.restarts
    return own is not None and bool(amps) and is_steady and abs(own[1] / float(np.median(amps)) - 1.0) <= ALIKE_AMPS


def odd_good_boards(evidence: Evidence, settings: ExplainSettings) -> tuple[str, ...]:
    """Say which known-good board differs from the others more than good boards should.

    Notes
    -----
    Each is judged by the others, part by part. The largest of its differences must be one that a t distribution
    shows at a chance of ``odd_chance`` over all parts (Bonferroni), and ``odd_ratio`` times the next board's largest.
    With two boards each is judged by the other alone, so that only the pair can be named.
    """
    sizes = [left_out_sizes(board, evidence, settings) for board in evidence.left_out]
    if len(sizes) < 2 or not all(sizes):
        return ()
    worst = [max(rows, key=lambda r: abs(r[1])) for rows in sizes]
    names = [*evidence.good_names, *(f"good board {i + 1}" for i in range(len(evidence.good_names), len(worst)))]
    order = np.argsort([-abs(w[1]) for w in worst])
    first, second = order[0], order[1]
    ref, size = worst[first]
    limit = float(student_t(tail_of(len(sizes), settings)).isf(0.5 * settings.odd_chance / len(sizes[first])))
    if abs(size) < limit:
        return ()
    word = "warmer" if size > 0 else "cooler"
    if len(sizes) == 2:
        return (
            f"{names[0]} and {names[1]} differ at {ref} by {abs(size):.0f} times what good boards usually do: one of"
            " them is odd; film a third",
        )
    if abs(size) < settings.odd_ratio * abs(worst[second][1]):
        return ()
    return (
        f"{names[first]} is odd for a good board: {ref} is {abs(size):.0f} times what is usual {word} than on the"
        " others; check it, or leave it out",
    )
