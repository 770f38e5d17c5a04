"""Energy books: what was stored and lost, what could not be seen, and what the supply delivered."""

from __future__ import annotations

import warnings
from collections.abc import Sequence

import numpy as np

from thermscan.find.energy_bodies import body_heat_j
from thermscan.model.board import Board
from thermscan.model.film import Excess
from thermscan.model.quantity import Measured
from thermscan.model.recording import SupplyPoint
from thermscan.model.result import EnergyBooks
from thermscan.model.settings import EnergySettings
from thermscan.model.supply_level import line_seconds
from thermscan.model.surface import Surface
from thermscan.model.timing import Timing
from thermscan.physics.plate import Plate

DEFAULTS = EnergySettings()


def keep_books(
    excess: Excess,
    board: Board,
    plate: Plate,
    *,
    supply_w: Measured | None = None,
    delivered_w: Measured | None = None,
    side: str = "top",
    surfaces: tuple[Surface, ...] = (),
    settings: EnergySettings = DEFAULTS,
) -> EnergyBooks:
    """Add up the heat of the whole board since power-on and compare it with the supply.

    Parameters
    ----------
    excess : Excess
        In kelvin, on the clock of power-on; its own heat is added back, so that the books are about all heat.
    board : Board
    plate : Plate
    supply_w : Measured, optional
        Volts times amps, mean while on.
    delivered_w : Measured, optional
        Power that leaves through connectors; None: not known, taken as anything from nothing up.
    side : {'top', 'bottom'}
        Side that is seen.
    surfaces : tuple of Surface
        Says which bodies cannot be read.
    settings : EnergySettings

    Returns
    -------
    EnergyBooks
        Means over the seconds of comparable bins while on.

    Notes
    -----
    Stored: heat capacity per area times the mean rise times the board's area, and what the bodies of the listed parts
    hold (a share of the board's where none is listed); lost: loss per area times the time integral of the rise. Places
    that are not seen are taken to be as warm as the seen mean, with an interval from cold to twice as warm. The seen
    face stands for the whole thickness. Bins without frames (a shutter's) are left out.
    """
    film = excess.film
    end = film.on_for_s if film.on_for_s is not None else film.edges_s[-1]
    bins = (film.edges_s[:-1] >= -1e-9) & (film.edges_s[1:] <= end + 1e-6)
    if film.unit != "celsius" or film.clock != "power_on" or not bins.any():
        why = "needs kelvin and the second of power-on"
        return EnergyBooks(None, None, None, supply_w, f"no energy books: {why}", {"made_w": why})
    course, seen = mean_rise(excess, bins)
    known = np.isfinite(course)
    if 2 * known.sum() < len(course) or not known.any():
        why = "no readable place" if not known.any() else "most seconds with power on have no frames"
        return EnergyBooks(None, None, None, supply_w, f"no energy books: {why}", {"made_w": why})
    area = outline_area(board)
    at_last = np.flatnonzero(bins)[known][-1]
    course, centres = course[known], film.centres_s[bins][known]
    last = float(centres[-1])
    error = float(np.nanmedian(np.asarray(excess.noise))) / np.sqrt(max(1.0, 0.1 * film.inside.sum()))
    unseen = 1 - seen
    rise = np.asarray(excess.excess[at_last]) + np.broadcast_to(excess.own_heat, excess.excess.shape)[at_last]
    how = {"side": side, "surfaces": surfaces, "settings": settings}
    bodies = body_heat_j(rise, board, film.grid, **how)
    heat = plate.capacity_j_per_mm2_k.value * area * (1 + (settings.parts_share if bodies is None else 0.0))
    plain = heat * course[-1] / last
    held, held_error = (0.0, 0.0) if bodies is None else bodies
    stored = plain + held / last
    integral = np.trapezoid(np.concatenate([[0.0], course]), np.concatenate([[0.0], centres]))
    lost = plate.loss_w_per_mm2_k.value * area * float(integral) / last
    share = np.sqrt(
        (plate.capacity_j_per_mm2_k.standard_error / plate.capacity_j_per_mm2_k.value) ** 2
        + settings.capacity_error**2
        + (0.5 * unseen) ** 2
        + (settings.depth_s / (2 * last)) ** 2
    )
    loss_share = np.hypot(plate.loss_w_per_mm2_k.standard_error / plate.loss_w_per_mm2_k.value, 0.5 * unseen)
    stored_error = float(np.sqrt((share * plain) ** 2 + (heat * error / last) ** 2 + (held_error / last) ** 2))
    parts = (Measured.normal(stored, stored_error), Measured.normal(lost, loss_share * abs(lost)))
    made = Measured.normal(stored + lost, float(np.hypot(parts[0].standard_error, parts[1].standard_error)))
    why = {} if supply_w is not None else {"supply_w": "no supply log and no volts and amps given"}
    return EnergyBooks(made, *parts, supply_w, books_sentence(made, supply_w, delivered_w, unseen), why)


def mean_rise(excess: Excess, bins: np.ndarray) -> tuple[np.ndarray, float]:
    """Return the mean rise over the seen board in each bin, K, NaN without any, and the share of the board seen."""
    film = excess.film
    use = film.inside & film.readable
    total = np.asarray(excess.excess[bins], float) + np.broadcast_to(excess.own_heat, excess.excess.shape)[bins]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # bins without frames stay NaN
        return np.nanmean(total[:, use], axis=1), float(use.sum() / max(1, film.inside.sum()))


def outline_area(board: Board) -> float:
    """Return the area of the outline, mm2."""
    x, y = board.outline_mm.T
    return 0.5 * abs(float(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1))))


def books_sentence(made: Measured, supply_w: Measured | None, delivered_w: Measured | None, unseen: float) -> str:
    """Say whether heat and supply agree, and by how much they do not."""
    text = f"heat made on the board {made.value:.2f} W ({made.low:.2f} to {made.high:.2f})"
    if unseen > 0.05:
        text += f", {100 * unseen:.0f} % of it not seen"
    if supply_w is None:
        return f"{text}; no supply power to compare with"
    out = 0.0 if delivered_w is None else delivered_w.value
    out_error = 0.0 if delivered_w is None else delivered_w.standard_error
    gap = supply_w.value - out - made.value
    error = float(np.sqrt(supply_w.standard_error**2 + made.standard_error**2 + out_error**2))
    text += f"; the supply delivers {supply_w.value:.2f} W"
    if abs(gap) <= 1.96 * error:
        return f"{text}: they agree within {1.96 * error:.2f} W"
    if gap > 0 and delivered_w is None:
        return f"{text}: {gap:.2f} W more, which may leave through connectors or be hidden from the camera"
    return f"{text}: they disagree by {gap:+.2f} W, more than the {1.96 * error:.2f} W that the intervals allow"


def mean_power_w(supply: Sequence[SupplyPoint], timing: Timing) -> Measured | None:
    """Return the mean volts times amps between power-on and power-off, W, None without a log of it.

    The interval carries the scatter of the log and 2 % for its meters (common practice, no source).
    """
    if timing.on_s is None:
        return None
    stop = np.inf if timing.off_s is None else timing.off_s.value
    lines = [(p.time_s, p.volts * p.amps) for p in supply if timing.on_s.value <= p.time_s <= stop]
    if len(lines) < 2:
        return None
    times, watts = np.array(lines).T
    seconds = line_seconds(times)
    if np.isfinite(stop):
        seconds[-1] = stop - times[-1]
    share = seconds / seconds.sum()  # a log that is denser at switch-on must not count the inrush by its lines
    mean = float(share @ watts)
    scatter = float(share @ (watts - mean) ** 2) * float(share @ share) / max(1.0 - float(share @ share), 1e-9)
    return Measured.normal(mean, float(np.hypot(np.sqrt(scatter), 0.02 * abs(mean))))
