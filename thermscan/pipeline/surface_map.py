"""A board's emissivity map: learned from two even temperatures on the board's grid, and handed to its parts."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from thermscan.calibrate.surface import emissivity_map
from thermscan.find.part_reading import footprint, mean_over
from thermscan.measure.film import choose_grid, steady_edges
from thermscan.measure.radiometry_camera import band_of
from thermscan.measure.track import make_track
from thermscan.model.board import Board, Part
from thermscan.model.budget import Quantity
from thermscan.model.errors import InputError
from thermscan.model.film import Film
from thermscan.model.recording import Recording
from thermscan.model.settings import CalibrationSettings, Settings
from thermscan.model.surface import READABLE_FROM, Surface, SurfaceMap
from thermscan.model.timing import Timing
from thermscan.physics.uncertainty import NORMAL_95
from thermscan.pipeline.film_set import Placed, film_of
from thermscan.pipeline.place import place_all
from thermscan.pipeline.prepare import Prepared, prepare


def learn_map(
    cold: Recording,
    warm: Recording,
    board: Board,
    *,
    truths: tuple[Quantity, Quantity],
    camera_error_k: float,
    calibration: CalibrationSettings,
    settings: Settings,
) -> SurfaceMap:
    """Learn the emissivity of each place of a board from two even temperatures, camera and board unmoved.

    Parameters
    ----------
    cold, warm : Recording
        Of the unpowered board, degrees Celsius.
    board : Board
    truths : (Quantity, Quantity)
        True temperature of the board in each, C.
    camera_error_k : float
        Standard error of the camera's difference between the two.
    calibration : CalibrationSettings
    settings : Settings

    Raises
    ------
    InputError
        For counts, a camera that moved, or temperatures too close together.
    """
    prepared = [prepare(recording, settings=settings) for recording in (warm, cold)]
    for one in prepared:
        if one.recording.unit != "celsius":
            raise InputError(one.recording.path, "", "holds counts", "give --scale and --offset, or --camera")
        if not one.motion.is_tripod:
            raise InputError(one.recording.path, "", "the camera moved", "put it on a tripod and leave it there")
    side = warm.facts.side
    placed, board = place_all(prepared[:1], board, side=side, settings=settings)
    seen = placed[0].track
    films = []
    for one in prepared:
        track = make_track(one.motion, seen.placement, side=side, lens=seen.lens, lean=seen.lean)
        films.append(_film(replace(placed[0], prepared=one, track=track), board, settings=settings))
    noise = np.hypot(*(film.noise / np.sqrt(max(int(film.frames.sum()), 1)) for film in films)) / np.sqrt(2.0)
    found = emissivity_map(
        films[1].mean[-1],
        films[0].mean[-1],
        truths,
        noise_k=noise,
        camera_error_k=camera_error_k,
        path=warm.path,
        band=band_of(warm),
        settings=calibration,
    )
    inside = films[0].inside & films[1].inside
    return SurfaceMap(
        films[0].grid,
        np.where(inside, found.emissivity, np.nan),
        np.where(inside, found.error, np.nan),
        side,
        placed[0].pixel_mm,
        f"two even temperatures, {cold.name} and {warm.name}",
    )


def _film(placed: Placed, board: Board, *, settings: Settings) -> Film:
    """Return the mean of a whole recording on the board's grid."""
    one: Prepared = placed.prepared
    timing = Timing(on_why="the board is not powered")
    grid = choose_grid(board, placed.pixel_mm, settings=settings.film)
    edges = steady_edges(one.recording.times_s, timing, settings=replace(settings.film, steady_share=1.0))
    return film_of(placed, timing=timing, grid=grid, edges_s=edges, board=board, settings=settings)


def mapped_surfaces(
    board: Board, table: tuple[Surface, ...], found: SurfaceMap
) -> tuple[Board, tuple[Surface, ...], tuple[str, ...]]:
    """Give every part that a map shows its own measured surface.

    Parameters
    ----------
    board : Board
    table : tuple of Surface
    found : SurfaceMap

    Returns
    -------
    Board, tuple of Surface, tuple of str
        The board whose parts name their own surfaces, the table with these first, and the parts that got one. Parts
        on the other side, or of which less than half was seen, keep theirs.

    Notes
    -----
    Of a body counts the mean, as it does of its temperature. Uncertainty: the map's own in the middle of the body,
    joined with the spread over the body as if each camera pixel told for itself.
    """
    parts, own = [], []
    for part in board.parts:
        surface = _surface_of(part, found) if part.side == found.side else None
        parts.append(part if surface is None else replace(part, surface=surface.name))
        if surface is not None:
            own.append((part.ref, surface))
    return (
        replace(board, parts=tuple(parts)),
        (*(surface for _, surface in own), *table),
        tuple(ref for ref, _ in own),
    )


def _surface_of(part: Part, found: SurfaceMap) -> Surface | None:
    spot = footprint(part, found.grid, pixel_mm=found.pixel_mm)
    value, error = (float(mean_over(field[None], spot)[0]) for field in (found.emissivity, found.error))
    if not np.isfinite(value + error):
        return None
    values = found.emissivity[(spot.weights > 0) & np.isfinite(found.emissivity)]
    pixels = max(spot.area_mm2 / found.pixel_mm**2, 1.0)
    half = NORMAL_95 * float(np.hypot(error, np.std(values) / np.sqrt(pixels)))
    value = min(max(value, 0.01), 1.0)
    low, high = max(value - half, 0.01), min(value + half, 1.0)
    name = f"{part.ref.lower()} by its map, emissivity {value:.2f}"
    return Surface(name, value, low, high, value >= READABLE_FROM, (), found.source)
