"""The board as a plate: its conductance, heat capacity and losses, each with an interval and where it comes from."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from thermscan.model.quantity import Measured
from thermscan.model.settings import PlateSettings

DEFAULTS = PlateSettings()
BASES = ("defaults", "copper_given", "warm_up", "cool_down", "supply")


@dataclass(frozen=True)
class Plate:
    """What the heat equation needs to know about the board.

    Attributes
    ----------
    thickness_mm : float
    conductance_w_per_k : Measured
        In-plane conductivity times thickness, summed over the layers.
    capacity_j_per_mm2_k : Measured
        Heat capacity per area, whole thickness, parts not included.
    loss_w_per_mm2_k : Measured
        Convection and linearised radiation, both faces together.
    through_w_per_mm_k : float
        Conductivity of the laminate across the board.
    laminate_w_per_mm_k : float
        Conductivity of the laminate along the board.
    basis : tuple of str
        Words of BASES: where the numbers come from, strongest last.
    sentence : str
        The same for people.
    """

    thickness_mm: float
    conductance_w_per_k: Measured
    capacity_j_per_mm2_k: Measured
    loss_w_per_mm2_k: Measured
    through_w_per_mm_k: float
    laminate_w_per_mm_k: float
    basis: tuple[str, ...]
    sentence: str

    def with_conductance(self, conductance: Measured, *, basis: str, sentence: str) -> Plate:
        """Return the plate with another in-plane conductance and the note of where it comes from."""
        return replace(
            self, conductance_w_per_k=conductance, basis=(*self.basis, basis), sentence=f"{self.sentence}; {sentence}"
        )

    def with_capacity(self, capacity: Measured, *, basis: str, sentence: str) -> Plate:
        """Return the plate with another heat capacity and the note of where it comes from."""
        return replace(
            self, capacity_j_per_mm2_k=capacity, basis=(*self.basis, basis), sentence=f"{self.sentence}; {sentence}"
        )


@dataclass(frozen=True)
class Layers:
    """A plate cut into layers, from the seen face (index 0) to the far one.

    Attributes
    ----------
    conductance_w_per_k, capacity_j_per_mm2_k : ndarray of shape (layers,)
        In-plane conductivity times layer thickness, and heat capacity per area.
    between_w_per_mm2_k : ndarray of shape (layers - 1,)
        Conductance per area between neighbours.
    loss_w_per_mm2_k : ndarray of shape (layers,)
        Zero but for the two faces.
    """

    conductance_w_per_k: np.ndarray
    capacity_j_per_mm2_k: np.ndarray
    between_w_per_mm2_k: np.ndarray
    loss_w_per_mm2_k: np.ndarray


def default_plate(
    thickness_mm: float | None, *, copper_um: float | None = None, settings: PlateSettings = DEFAULTS
) -> Plate:
    """Make the plate that is assumed before anything is measured.

    Parameters
    ----------
    thickness_mm : float or None
        Board thickness; None takes the setting and widens the capacity.
    copper_um : float or None
        Mean copper over the whole thickness (all layers added, times their fill); None takes a wide range.
    settings : PlateSettings

    Returns
    -------
    Plate
        Intervals are 95 %, log-normal for conductance and loss.

    Notes
    -----
    Parallel rule: ``k t = k_copper d + k_laminate (t - d)`` (check: Graebner and Azar, J. Heat Transfer 119 (1997)
    401-405, for its validity with continuous planes). Not valid for metal-core or flexible boards.
    """
    known = thickness_mm is not None
    thickness = settings.thickness_mm if thickness_mm is None else float(thickness_mm)
    copper_mm = (settings.copper_um if copper_um is None else copper_um) * 1e-3
    ratio = settings.copper_ratio if copper_um is None else settings.copper_given_ratio
    along = settings.laminate_along_w_per_m_k * 1e-3
    bare, metal = along * max(thickness - copper_mm, 0.1 * thickness), settings.copper_w_per_m_k * 1e-3 * copper_mm
    conductance = Measured(bare + metal, bare + metal / ratio, bare + metal * ratio)
    heat = (
        settings.laminate_j_per_cm3_k * 1e-3 * (thickness - copper_mm) + settings.copper_j_per_cm3_k * 1e-3 * copper_mm
    )
    half = settings.capacity_error * (1.0 if known else 2.0)
    loss = settings.loss_w_per_m2_k * 1e-6
    how = "thickness of the board file" if known else f"thickness assumed {thickness:g} mm"
    copper = f"{copper_um:g} um of copper given" if copper_um is not None else "copper not known"
    return Plate(
        thickness_mm=thickness,
        conductance_w_per_k=conductance,
        capacity_j_per_mm2_k=Measured(heat, heat * (1 - half), heat * (1 + half)),
        loss_w_per_mm2_k=Measured(loss, loss / settings.loss_ratio, loss * settings.loss_ratio),
        through_w_per_mm_k=settings.laminate_through_w_per_m_k * 1e-3,
        laminate_w_per_mm_k=along,
        basis=("defaults",) if copper_um is None else ("defaults", "copper_given"),
        sentence=f"plate from handbook values, {how}, {copper}",
    )


# Depths of the nodes as shares of the thickness: the two faces, inner planes where four-layer boards have them
# (0.1 to 0.3 mm under the face of 1.6 mm; common practice, no source), and the middle.
NODES = (0.0, 0.15, 0.5, 0.85, 1.0)


def cut_into_layers(
    plate: Plate,
    *,
    conductance_w_per_k: float | None = None,
    inner_share: float = 0.0,
    count: int | None = None,
) -> Layers:
    """Cut a plate into layers, the copper on the two outer or on the two next layers.

    Parameters
    ----------
    plate : Plate
    conductance_w_per_k : float or None
        In-plane conductance to use instead of the plate's own value.
    inner_share : float
        Share of the copper that lies in inner planes (second layer from each face); the rest on the faces.
    count : int, optional
        Number of equal layers, each at the temperature of its middle; 1 is the thin plate. Default: five nodes at
        ``NODES``, the outer two on the very faces.

    Notes
    -----
    Half of the copper of each kind on each side; heat capacity spread evenly. Where copper is on the seen face,
    heat made there spreads before it sinks in; with inner planes it sinks in first. A face that is heated evenly runs
    ahead of the mean by ``q L / (3 k)`` (slab under constant flux, Carslaw and Jaeger); the five nodes give 98 % of
    that, four equal layers 66 %.
    """
    total = plate.conductance_w_per_k.value if conductance_w_per_k is None else conductance_w_per_k
    shares, gaps = _shares(count)
    laminate = min(plate.laminate_w_per_mm_k * plate.thickness_mm, total)
    along = laminate * shares
    metal = total - laminate
    along[0] += metal * (1 - inner_share) / 2
    along[-1] += metal * (1 - inner_share) / 2
    inner = min(1, len(shares) - 1)
    along[inner] += metal * inner_share / 2
    along[len(shares) - 1 - inner] += metal * inner_share / 2
    loss = np.zeros(len(shares))
    loss[0] += plate.loss_w_per_mm2_k.value / 2
    loss[-1] += plate.loss_w_per_mm2_k.value / 2
    return Layers(
        conductance_w_per_k=along,
        capacity_j_per_mm2_k=plate.capacity_j_per_mm2_k.value * shares,
        between_w_per_mm2_k=plate.through_w_per_mm_k / (plate.thickness_mm * gaps),
        loss_w_per_mm2_k=loss,
    )


def _shares(count: int | None) -> tuple[np.ndarray, np.ndarray]:
    """Return the share of the thickness that each layer stands for, and the gaps between their nodes."""
    if count is not None:
        return np.full(count, 1 / count), np.full(count - 1, 1 / count)
    gaps = np.diff(NODES)
    return np.convolve(gaps, [0.5, 0.5]), gaps
