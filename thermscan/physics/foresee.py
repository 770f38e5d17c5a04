"""Before filming: the smallest source of heat that a camera will show, after how many seconds."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtri

from thermscan.model.errors import InputError
from thermscan.model.settings import ForeseeSettings
from thermscan.physics.plate import Plate, cut_into_layers
from thermscan.physics.plate_response import (
    Package,
    PlateResponse,
    Rectangle,
    blurred_cosines,
    body_coefficients,
    flow_from_packages,
    superpose,
)

DEFAULTS = ForeseeSettings()
LEAST_STEPS = 8  # of the inner clock, from which what is said of a second does not depend on it


@dataclass(frozen=True)
class Setup:
    """Camera, view and part of a recording that is planned.

    Attributes
    ----------
    noise_k : float
        Standard deviation of one pixel in one frame.
    columns, rows : int
        Resolution of the camera, px.
    view_mm : float
        Width on the board that the picture's columns cover.
    part_mm : tuple of float
        Body, width and height.
    frame_rate_hz : float
    cold_s : float
        Seconds filmed before power-on.
    good_boards : int
        Compared with; 0 judges the board's own rise.
    repeats : int
        Cold power-ups of the same board that are averaged.
    optics_px : float
        Standard deviation of the optics' blur, px.
    """

    noise_k: float
    columns: int
    rows: int
    view_mm: float
    part_mm: tuple[float, float]
    frame_rate_hz: float = 9.0
    cold_s: float = 3.0
    good_boards: int = 1
    repeats: int = 1
    optics_px: float = 0.6


@dataclass(frozen=True)
class Foresight:
    """Smallest power that shows up, against seconds with power on.

    Attributes
    ----------
    seconds : ndarray of shape (steps,), s
    smallest_w : ndarray of shape (steps,), W
        Found with 95 % chance while an empty recording gives one false place in a hundred, plate at its middle value.
    smallest_95_w : ndarray of shape (steps, 2), W
        Over the plate's conductance and the part's coupling.
    pixels_on_part : float
    peak_k_per_w : ndarray of shape (steps,), K/W
        Rise of the warmest pixel for one watt.
    warnings : tuple of str
    """

    seconds: np.ndarray
    smallest_w: np.ndarray
    smallest_95_w: np.ndarray
    pixels_on_part: float
    peak_k_per_w: np.ndarray
    warnings: tuple[str, ...]


def foresee(setup: Setup, plate: Plate, seconds: np.ndarray, *, settings: ForeseeSettings = DEFAULTS) -> Foresight:
    """Say how small a source will show up after how many seconds.

    Parameters
    ----------
    setup : Setup
    plate : Plate
    seconds : ndarray of shape (steps,), s
        Increasing, above zero.
    settings : ForeseeSettings

    Raises
    ------
    InputError
        For noise, view or sizes that are not above zero.

    Notes
    -----
    Matched filter: the information about a power is the sum over pixels and frames of (rise per watt / noise)^2, less
    what the mean of the cold frames takes away. On top come what wanders in the sensor since the cold frames, and the
    small differences between boards where nothing warms, neither of which longer films average out. Where a part is
    warm on good boards too, healthy differences are larger: see the detection limit of the recording itself.
    """
    _check(setup, seconds)
    middle, sigma = plate.conductance_w_per_k.value, _log_width(plate)
    cases = [(middle, settings.contact_k_mm2_per_w)]
    cases += [
        (middle * np.exp(s * 1.96 * sigma), settings.contact_k_mm2_per_w * f) for s in (-1, 1) for f in (0.3, 3.0)
    ]
    wanted = np.asarray(seconds, float)
    answers, peaks = zip(*[_at_all(setup, plate, wanted, c, r, settings) for c, r in cases], strict=True)
    pixel = setup.view_mm / setup.columns
    on_part = setup.part_mm[0] * setup.part_mm[1] / pixel**2
    return Foresight(
        np.asarray(seconds, float),
        answers[0],
        np.stack([np.min(answers, axis=0), np.max(answers, axis=0)], axis=1),
        float(on_part),
        peaks[0],
        _warnings(setup, pixel),
    )


def _check(setup: Setup, seconds: np.ndarray) -> None:
    for name, value in (
        ("noise_k", setup.noise_k),
        ("view_mm", setup.view_mm),
        ("part_mm", min(setup.part_mm)),
        ("frame_rate_hz", setup.frame_rate_hz),
    ):
        if not value > 0:
            raise InputError("foresee", name, f"{value:g} is not above zero", "give a positive number")
    if not np.all(np.diff(seconds, prepend=0.0) > 0):
        raise InputError("foresee", "seconds", "are not increasing from above zero", "give them in order")


def _log_width(plate: Plate) -> float:
    c = plate.conductance_w_per_k
    return float(np.log(c.high / c.low) / (2 * 1.96))


def _warnings(setup: Setup, pixel_mm: float) -> tuple[str, ...]:
    """Say what stands against the plan."""
    out = []
    across = min(setup.part_mm) / pixel_mm
    if across < 3:
        out.append(f"the part is {across:.1f} pixels across: below three it reads low (common practice, no source)")
    if setup.good_boards == 0:
        out.append("without a good board, parts that warm up anyway hide small sources")
    return tuple(out)


def _at_all(
    setup: Setup, plate: Plate, seconds: np.ndarray, conductance: float, contact: float, settings: ForeseeSettings
) -> tuple[np.ndarray, np.ndarray]:
    """Return what ``_smallest`` does, seconds of one order of magnitude at a time: no one clock resolves them all."""
    groups = np.split(seconds, _new_clocks(seconds, settings.times / LEAST_STEPS))
    parts = [_smallest(setup, plate, group, conductance, contact, settings) for group in groups]
    smallest, peak = (np.concatenate(each) for each in zip(*parts, strict=True))
    return smallest, peak


def _new_clocks(seconds: np.ndarray, most_ratio: float) -> list[int]:
    """Return where increasing seconds are to be cut so that none is over ``most_ratio`` times the first of its run."""
    cuts, first = [], seconds[0]
    for number, second in enumerate(seconds):
        if second > most_ratio * first:
            cuts.append(number)
            first = second
    return cuts


def _smallest(
    setup: Setup, plate: Plate, seconds: np.ndarray, conductance: float, contact: float, settings: ForeseeSettings
) -> tuple[np.ndarray, np.ndarray]:
    """Return the smallest power, W, and the peak, K/W, at each of the seconds for one plate and coupling."""
    rise = _rise(setup, plate, seconds, conductance, contact, settings)
    step = rise.clock[1]
    frames = setup.frame_rate_hz * step
    # a wandering sensor leaves the cold frames worth no more than so many
    cold = 1 / (1 / max(1.0, setup.cold_s * setup.frame_rate_hz) + settings.wander_share**2)
    sums = np.cumsum(rise.square * frames)
    cross = np.cumsum(rise.picture * frames, axis=0)
    count = np.cumsum(np.full(len(rise.clock), frames))
    known = sums - (cross.reshape(len(cross), -1) ** 2).sum(axis=1) / (cold + count)
    boards = 1 + (1 / setup.good_boards if setup.good_boards else 0.0)
    deviation = setup.noise_k * np.sqrt(boards / setup.repeats)
    places = max(1.0, setup.columns * setup.rows / settings.pixels_a_place)
    needed = -ndtri(settings.false_alarms / places) + ndtri(0.95)
    at = np.clip(np.round(np.asarray(seconds) / step).astype(int), 1, len(rise.clock) - 1)
    by_noise = needed * deviation / np.sqrt(np.maximum(known[at], 1e-12))
    by_boards = needed * settings.board_floor_k * np.sqrt(boards) / np.maximum(rise.peak[at], 1e-12)
    return np.hypot(by_noise, by_boards), rise.peak[at]


@dataclass(frozen=True)
class _Rise:
    """Rise per watt on the camera's pixels: pictures, their sums of squares and peaks, on a uniform clock."""

    clock: np.ndarray
    picture: np.ndarray
    square: np.ndarray
    peak: np.ndarray


def _rise(
    setup: Setup, plate: Plate, seconds: np.ndarray, conductance: float, contact: float, settings: ForeseeSettings
) -> _Rise:
    """Return the rise around a part in the middle of a square of board, per watt."""
    pixel = setup.view_mm / setup.columns
    clock = np.linspace(0, float(seconds[-1]), int(settings.times) + 1)
    alpha = conductance / plate.capacity_j_per_mm2_k.value
    half = float(np.clip(3 * np.sqrt(alpha * seconds[-1]) + max(setup.part_mm), 8 * pixel, 60.0))
    finest = max(0.6 * pixel, min(setup.part_mm) / 2, half / 60)
    rectangle = Rectangle.for_box((-half, -half, half, half), finest)
    response = PlateResponse.of(cut_into_layers(plate, conductance_w_per_k=conductance), rectangle, clock)
    w, h = setup.part_mm
    u = (np.arange(5) + 0.5) / 5 - 0.5
    points = np.stack(np.meshgrid(u * w, u * h), axis=-1).reshape(-1, 2)
    body = body_coefficients(rectangle, points, float(np.sqrt(w * h) / 5 / np.sqrt(12)))
    count = min(31, int(half / pixel))
    at = pixel * np.arange(-count, count + 1)
    blur = pixel * np.hypot(setup.optics_px, 12**-0.5)
    under = response.at_body(body)
    package = Package(contact / (w * h), w * h * min(w, h) * settings.height_share * settings.body_j_per_cm3_k * 1e-3)
    mixing = superpose(flow_from_packages(under, clock[1], (package,))[0])
    picture = np.tensordot(mixing, response.over_cells(body, blurred_cosines(rectangle, at, at, blur)), axes=(1, 0))
    return _Rise(clock, picture, (picture**2).sum(axis=(1, 2)), picture.max(axis=(1, 2)))
