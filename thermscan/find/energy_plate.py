"""The plate's loss and heat capacity from the user's good boards: cool-down after power-off, supply volts x amps."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy.special import ndtr

from thermscan.find.energy import outline_area
from thermscan.find.energy_bodies import body_heat_j
from thermscan.model.board import Board
from thermscan.model.film import Excess
from thermscan.model.quantity import Measured
from thermscan.model.settings import EnergySettings
from thermscan.model.surface import Surface
from thermscan.physics.plate import Plate

DEFAULTS = EnergySettings()


def measure_plate(
    excess: Excess,
    board: Board,
    plate: Plate,
    *,
    supply_w: Measured | None = None,
    delivered_w: Measured | None = None,
    side: str = "top",
    surfaces: tuple[Surface, ...] = (),
    settings: EnergySettings = DEFAULTS,
) -> Plate:
    """Narrow a plate's loss and heat capacity by what the good boards did.

    Parameters
    ----------
    excess : Excess
        Over good boards, whose own heat it carries, in kelvin and on the clock of power-on.
    board : Board
    plate : Plate
    supply_w : Measured, optional
        Volts times amps of the good boards, mean while on.
    delivered_w : Measured, optional
        Power that leaves through connectors; None: not known, so that the supply bounds the capacity from above only.
    side : {'top', 'bottom'}
        Side that is seen.
    surfaces : tuple of Surface
        Says which bodies cannot be read.
    settings : EnergySettings

    Returns
    -------
    Plate
        The same where the good boards tell nothing; else ``basis`` and ``sentence`` say what was used.

    Notes
    -----
    After power-off the mean of a board falls at the rate loss / capacity whatever way the heat flows within it
    (lumped body; any text on heat transfer). While on, supply = delivered + stored + lost. Both are joined with the
    handbook values on a logarithmic scale by their precision. Not valid where parts that are not seen hold much heat,
    or where air is blown.
    """
    film = excess.film
    if excess.basis != "good_boards" or film.unit != "celsius" or film.clock != "power_on":
        return plate
    course = _own_course(excess)
    plate = _loss_from_cooling(course, excess, plate, settings)
    if supply_w is None:
        return plate
    given, seen = (supply_w, delivered_w), (side, surfaces)
    return _capacity_from_supply(course, excess, board, plate, given, seen, settings)


def _own_course(excess: Excess) -> np.ndarray:
    """Return the mean of the good boards' own rise over what is seen, ndarray (bins,), K; NaN where not seen."""
    film = excess.film
    own = np.broadcast_to(excess.own_heat, excess.excess.shape)
    finite = np.isfinite(own)
    counts = finite.sum(axis=(1, 2))
    known = counts > 0.5 * max(int(counts.max()), 1)  # bins without frames tell nothing of the cells
    use = film.inside & film.readable & finite[known].all(axis=0)
    out = np.full(len(own), np.nan)
    if use.any():
        out[known] = own[known][:, use].mean(axis=1)
    return out


def _loss_from_cooling(course: np.ndarray, excess: Excess, plate: Plate, settings: EnergySettings) -> Plate:
    """Return the plate with the loss that the cool-down after power-off shows."""
    film = excess.film
    if film.on_for_s is None:
        return plate
    late = (film.edges_s[:-1] >= film.on_for_s + settings.settle_s) & np.isfinite(course) & (course > 0)
    t = film.centres_s[late]
    if late.sum() < 3 or t[-1] - t[0] < settings.least_cooling_s:
        return plate
    slope = float(np.polyfit(t, np.log(course[late]), 1)[0])
    level = float(course[late].mean())
    error = settings.drift_k / (level * (t[-1] - t[0]))
    rate = -slope
    if rate <= 2 * error:  # a fall that the camera's own drift could make
        return plate
    heat = plate.capacity_j_per_mm2_k.value * (1 + settings.parts_share)
    share = float(np.sqrt((error / rate) ** 2 + settings.cooling_error**2))
    loss = _joined(plate.loss_w_per_mm2_k, rate * heat, share)
    text = f"loss {loss.value * 1e6:.1f} W/(m2 K) from {t[-1] - t[0]:.0f} s of the good boards' cool-down"
    return replace(
        plate, loss_w_per_mm2_k=loss, basis=(*plate.basis, "cool_down"), sentence=f"{plate.sentence}; {text}"
    )


def _capacity_from_supply(
    course: np.ndarray,
    excess: Excess,
    board: Board,
    plate: Plate,
    given: tuple[Measured, Measured | None],
    seen: tuple[str, tuple[Surface, ...]],
    settings: EnergySettings,
) -> Plate:
    """Return the plate with the heat capacity that stored, lost and supplied power leave room for.

    ``given`` is the supply's power and what leaves through connectors, ``seen`` the side and the table of surfaces.
    """
    (supply_w, delivered_w), (side, surfaces) = given, seen
    film = excess.film
    end = film.on_for_s if film.on_for_s is not None else film.edges_s[-1]
    on = (film.edges_s[:-1] >= -1e-9) & (film.edges_s[1:] <= end + 1e-6) & np.isfinite(course)
    if on.sum() < 3 or course[on][-1] <= 3 * settings.drift_k:
        return plate
    t, rise, area = film.centres_s[on], course[on], outline_area(board)
    last = np.broadcast_to(excess.own_heat, excess.excess.shape)[np.flatnonzero(on)[-1]]
    how = {"side": side, "surfaces": surfaces, "settings": settings}
    bodies = body_heat_j(last, board, film.grid, **how)
    held, held_error = (0.0, 0.0) if bodies is None else (b / float(t[-1]) for b in bodies)
    per_capacity = (1 + (settings.parts_share if bodies is None else 0.0)) * area * float(rise[-1]) / float(t[-1])
    integral = float(np.trapezoid(np.concatenate([[0.0], rise]), np.concatenate([[0.0], t])))
    lost = plate.loss_w_per_mm2_k.value * area * integral / float(t[-1])
    out = 0.0 if delivered_w is None else delivered_w.value
    room = supply_w.value - out - lost - held
    if room <= 0:
        return plate
    found = room / per_capacity
    delivered_error = 0.0 if delivered_w is None else delivered_w.standard_error
    loss = plate.loss_w_per_mm2_k
    lost_error = lost * float(np.log(loss.high / loss.low)) / (2 * 1.96)
    noise = float(np.sqrt(supply_w.standard_error**2 + delivered_error**2 + held_error**2 + lost_error**2)) / room
    unseen = 1 - float((film.inside & film.readable).sum() / max(1, film.inside.sum()))
    share = float(
        np.sqrt(
            noise**2
            + (settings.drift_k / rise[-1]) ** 2
            + settings.capacity_error**2
            + (0.5 * unseen) ** 2
            + (settings.depth_s / (2 * t[-1])) ** 2
        )
    )
    before = plate.capacity_j_per_mm2_k
    if delivered_w is None and found > before.high * (1 + 2 * share):  # the bound lies above all that is thought of
        return plate
    after = _joined(before, found, share) if delivered_w is not None else _below(before, found, share)
    how = "less the stated delivery" if delivered_w is not None else "as an upper bound, delivery not stated"
    text = f"heat capacity {after.value * 1e3:.2f} mJ/(mm2 K) from the good boards' volts times amps, {how}"
    return plate.with_capacity(after, basis="supply", sentence=text)


def _joined(before: Measured, value: float, share: float) -> Measured:
    """Join what was assumed with what was found (standard error as a share) by precision, on a logarithmic scale."""
    old = np.log(before.high / before.low) / (2 * 1.96)
    weight = old**2 / (old**2 + share**2)
    middle = (1 - weight) * np.log(np.sqrt(before.high * before.low)) + weight * np.log(value)
    return _log_normal(float(middle), float(old * share / np.hypot(old, share)))


def _below(before: Measured, value: float, share: float) -> Measured:
    """Cut off what was assumed above a bound that is itself known to a share, on a logarithmic scale."""
    old = np.log(before.high / before.low) / (2 * 1.96)
    centre = np.log(np.sqrt(before.high * before.low))
    at = np.linspace(centre - 5 * old, centre + 5 * old, 401)
    weight = np.exp(-0.5 * ((at - centre) / old) ** 2) * np.maximum(ndtr((np.log(value) - at) / share), 1e-12)
    weight /= weight.sum()
    middle = float(weight @ at)
    return _log_normal(middle, float(np.sqrt(weight @ (at - middle) ** 2)))


def _log_normal(middle: float, sigma: float) -> Measured:
    return Measured(*(float(np.exp(middle + z * sigma)) for z in (0.0, -1.96, 1.96)))
