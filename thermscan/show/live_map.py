"""The map of the page that can be moved through time: small arrays, shapes and names, ready to be embedded."""

from __future__ import annotations

import base64
from dataclasses import dataclass
from typing import Any

import numpy as np

from thermscan.model.board import Board, Part
from thermscan.model.result import Result
from thermscan.model.result_maps import ResultMaps
from thermscan.show.board_shape import View, view_of, worth_naming
from thermscan.show.colour import excess_scale, table_of_colours
from thermscan.show.label import Label, place_labels
from thermscan.show.overlay import picture_board
from thermscan.show.picture import legible
from thermscan.show.words import Unit, colour_words, framed_suspects, is_mirrored, name_of

_MOST_CELLS = 30_000  # cells of one embedded frame; keeps the page near two megabytes
_MOST_VALUES = 700_000  # cells times frames
_FEWEST_FRAMES = 12
_CODES = 255  # half intervals are kept as one byte each, evenly spaced in their logarithm
_LETTER = 0.68  # width of a letter over the size of the font, near enough for sans-serif digits and capitals


@dataclass(frozen=True)
class LiveFrames:
    """Frames for the page, already lying as the camera sees the board (first row on top).

    Attributes
    ----------
    values : ndarray of int16, shape (frames, rows, columns)
        Excess over ``step``; MISSING off the board, BLIND where the board was not seen or cannot be read.
    codes : ndarray of uint8, same shape
        Half of the 95 % interval is ``half_low * exp(half_rate * code)``.
    """

    values: np.ndarray
    codes: np.ndarray
    step: float
    half_low: float
    half_rate: float
    seconds: tuple[float, ...]
    start: int


MISSING = -32768  # not on the board
BLIND = -32767  # on the board, but not seen or not readable


def _chosen_bins(bins: int, shown: int, most: int) -> np.ndarray:
    """Return bins evenly spread over time, the shown one among them."""
    if bins <= most:
        return np.arange(bins)
    even = np.rint(np.linspace(0, bins - 1, most)).astype(int)
    even[int(np.argmin(np.abs(even - shown)))] = shown
    return np.unique(even)


def _block_cells(weight: np.ndarray, block: int) -> tuple[np.ndarray, np.ndarray]:
    """Return (row, column) of the cell with the largest weight in each block, two ndarrays (rows, columns)."""
    rows, columns = weight.shape
    down, across = -(-rows // block), -(-columns // block)
    padded = np.full((down * block, across * block), -1.0)
    padded[:rows, :columns] = weight
    blocks = padded.reshape(down, block, across, block).transpose(0, 2, 1, 3).reshape(down, across, -1)
    best = blocks.argmax(axis=-1)
    row = np.arange(down)[:, None] * block + best // block
    column = np.arange(across)[None, :] * block + best % block
    return np.minimum(row, rows - 1), np.minimum(column, columns - 1)


def live_frames(maps: ResultMaps, on_board: np.ndarray, *, mirrored: bool, factor: float) -> LiveFrames:
    """Reduce the maps to what a page can carry.

    Parameters
    ----------
    maps : ResultMaps
    on_board : ndarray of bool, shape (rows, columns)
        Cells inside the outline.
    mirrored : bool
        True for the underside.
    factor : float
        From the inner unit to the shown one.

    Returns
    -------
    LiveFrames

    Notes
    -----
    Where the grid is too fine, each block of cells is stood for by its cell of largest excess in the shown bin, so a
    value and its interval stay those of a real place and a small hot part keeps its peak.
    """
    block = max(1, int(np.ceil(np.sqrt(maps.excess[0].size / _MOST_CELLS))))
    use = maps.inside & maps.readable
    weight = np.where(use, np.abs(np.nan_to_num(maps.excess[maps.shown])), -0.5)
    row, column = _block_cells(weight, block)
    most = max(_FEWEST_FRAMES, int(_MOST_VALUES / row.size))
    chosen = _chosen_bins(maps.bins, maps.shown, most)
    excess = np.where(use, maps.excess[chosen], np.nan)[:, row, column] * factor
    half = maps.half_width()[chosen][:, row, column] * factor
    order = slice(None, None, -1) if mirrored else slice(None)
    excess, half = excess[:, ::-1, order], half[:, ::-1, order]
    none = np.where(on_board[row, column][::-1, order], BLIND, MISSING)
    known = np.isfinite(excess) & np.isfinite(half)
    reach = float(np.abs(excess[known]).max()) if known.any() else 1.0
    step = max(reach, 1e-9) / 32000
    values = np.where(known, np.rint(np.nan_to_num(excess) / step), none).astype("<i2")
    codes, half_low, half_rate = _coded_halves(half, known)
    start = int(np.flatnonzero(chosen == maps.shown)[0])
    return LiveFrames(values, codes, step, half_low, half_rate, tuple(maps.centres_s[chosen].tolist()), start)


def _coded_halves(half: np.ndarray, known: np.ndarray) -> tuple[np.ndarray, float, float]:
    """Return half intervals as bytes with the two numbers that turn them back."""
    positive = half[known & (half > 0)]
    low, high = (float(positive.min()), float(positive.max())) if positive.size else (1e-6, 1.0)
    rate = max(np.log(max(high / low, 1.0)), 1e-9) / _CODES
    safe = np.where(known & (half > 0), half, low)
    codes = np.clip(np.rint(np.log(safe / low) / rate), 0, _CODES).astype(np.uint8)
    return codes, low, float(rate)


def _b64(array: np.ndarray) -> str:
    return base64.b64encode(np.ascontiguousarray(array).tobytes()).decode("ascii")


def live_data(result: Result, maps: ResultMaps, board: Board | None, *, unit: Unit) -> dict[str, Any]:
    """Return what the page's script reads: frames, colours, scale, clock and where cells lie."""
    mirrored = is_mirrored(result)
    points = maps.grid.points_mm()
    on_board = (board or picture_board(maps)).inside(points[..., 0], points[..., 1])
    frames = live_frames(maps, on_board, mirrored=mirrored, factor=unit.factor)
    scale = excess_scale(maps).times(unit.factor)
    left, right, bottom, top = maps.grid.extent_mm()
    _, rows, columns = frames.values.shape
    return {
        "rows": rows,
        "columns": columns,
        "values": _b64(frames.values),
        "halves": _b64(frames.codes),
        "missing": MISSING,
        "blind": BLIND,
        "step": frames.step,
        "halfLow": frames.half_low,
        "halfRate": frames.half_rate,
        "seconds": [round(second, 4) for second in frames.seconds],
        "start": frames.start,
        "limit": scale.limit,
        "bend": scale.bend,
        "ticks": [[tick, round(50 + 50 * float(scale.place(tick)), 2)] for tick in scale.ticks()],
        "colours": table_of_colours(),
        "unit": unit.name,
        "words": colour_words(result),
        "decimals": unit.decimals,
        "clock": "after power-on" if maps.clock == "power_on" else "on the recording's clock",
        "powerOff": maps.power_off_s,
        "box": [right, top, left, bottom] if mirrored else [left, top, right, bottom],
        "places": "mm" if result.picture_px is None else "fraction",
    }


@dataclass(frozen=True)
class Shape:
    """A body on the live map: refdes, SVG points, and the suspect it belongs to."""

    ref: str
    points: str
    key: str = ""


@dataclass(frozen=True)
class Ring:
    """A numbered or suspected place: centre and radius in SVG units; ``number`` is empty for a suspect's ring."""

    key: str
    x: float
    y: float
    r: float
    number: str = ""
    cold: bool = False


@dataclass(frozen=True)
class Word:
    """A name on the live map; ``tie`` is the other end of its leader line where it stands away."""

    text: str
    x: float
    y: float
    size: float
    strong: bool = False
    tie: tuple[float, float] | None = None


@dataclass(frozen=True)
class LiveShapes:
    """Everything that is drawn over the live map, in SVG units of a millimetre: x right, y down.

    ``heat`` is left, top, width, height of the map itself in the same units.
    """

    width: float
    height: float
    outline: str
    holes: tuple[tuple[float, float, float], ...]
    shapes: tuple[Shape, ...]
    rings: tuple[Ring, ...]
    words: tuple[Word, ...]
    heat: tuple[float, float, float, float]


def _turn(view: View, x: np.ndarray | float, y: np.ndarray | float) -> tuple[np.ndarray, np.ndarray]:
    """Return SVG places of board places: y down, x mirrored for the underside."""
    x0, _, x1, y1 = view.box
    across = x1 - np.asarray(x) if view.mirrored else np.asarray(x) - x0
    return across, y1 - np.asarray(y)


def _points(view: View, corners: np.ndarray) -> str:
    across, down = _turn(view, corners[:, 0], corners[:, 1])
    return " ".join(f"{a:.2f},{d:.2f}" for a, d in zip(across, down, strict=True))


def _rings(result: Result, view: View, smallest: float) -> list[Ring]:
    """Return rings of the numbered places and of the suspects."""
    rings = []
    for i, suspect in enumerate(result.suspects, start=1):
        if suspect.x_mm is not None and suspect.y_mm is not None:
            x, y = _turn(view, suspect.x_mm, suspect.y_mm)
            rings.append(Ring(f"suspect-{i}", float(x), float(y), 2.2 * max(suspect.place_95_mm or 0.0, smallest)))
    for spot in result.hotspots:
        x, y = _turn(view, spot.x_mm, spot.y_mm)
        ring = Ring(f"spot-{spot.rank}", float(x), float(y), max(spot.place_95_mm, smallest), str(spot.rank),
                    cold=spot.kind == "cold")  # fmt: skip
        rings.append(ring)
    return rings


def _words(order: list[Part], rings: list[Ring], view: View, strong: frozenset[str], size: float) -> list[Word]:
    """Place numbers, then suspects, then the other parts, so that no name covers another."""
    numbered = [ring for ring in rings if ring.number]
    labels = [
        Label(ring.x, ring.y, (ring.r, ring.r), (_LETTER * 1.2 * size * len(ring.number), 1.2 * size), must=True,
              inside=False, over=True)
        for ring in numbered
    ]  # fmt: skip
    texts = [legible(part.ref)[:14] for part in order]
    boxes = []
    for part, text in zip(order, texts, strict=True):
        corners = part.corners_mm()
        across, down = _turn(view, corners[:, 0], corners[:, 1])
        reach = (float(np.ptp(across)) / 2, float(np.ptp(down)) / 2)
        x, y = (across.max() + across.min()) / 2, (down.max() + down.min()) / 2
        boxes.append((float(across.min()), float(down.min()), float(across.max()), float(down.max())))
        grown = size * (1.15 if part.ref in strong else 1.0)
        labels.append(Label(float(x), float(y), reach, (_LETTER * grown * len(text), grown), must=part.ref in strong))
    taken = [(ring.x - ring.r, ring.y - ring.r, ring.x + ring.r, ring.y + ring.r) for ring in numbered if ring.r < size]
    spots = place_labels(labels, (0.0, 0.0, view.width, view.height), taken=taken, soft=boxes, gap=0.25 * size)
    names = [ring.number for ring in numbered] + texts
    heavy = [True] * len(numbered) + [part.ref in strong for part in order]
    return [
        Word(
            name,
            round(spot.x, 2),
            round(spot.y, 2),
            round(label.size[1], 2),
            strong=is_strong,
            tie=(round(label.x, 2), round(label.y, 2)) if spot.leader else None,
        )
        for name, spot, label, is_strong in zip(names, spots, labels, heavy, strict=True)
        if spot is not None
    ]


def live_shapes(result: Result, maps: ResultMaps, board: Board | None) -> LiveShapes:
    """Return what is drawn over the live map.

    Parameters
    ----------
    result : Result
    maps : ResultMaps
    board : Board or None
        None: only the map's own frame.

    Returns
    -------
    LiveShapes
    """
    frame = board if board is not None else picture_board(maps)
    view = view_of(frame, side=result.side, mirrored=is_mirrored(result))
    parts = frame.parts_on(result.side)
    keys = {s.ref: f"suspect-{i}" for i, s in reversed(list(enumerate(result.suspects, start=1))) if s.ref}
    shapes = tuple(Shape(part.ref, _points(view, part.corners_mm()), keys.get(part.ref, "")) for part in parts)
    longest = max(view.width, view.height)
    rings = _rings(result, view, 0.009 * longest)
    strong = frozenset(name_of(s) for s in framed_suspects(result))
    places = [(spot.x_mm, spot.y_mm) for spot in result.hotspots]
    words = _words(worth_naming(parts, strong, places), rings, view, strong, 0.019 * longest)
    holes = tuple((*map(float, _turn(view, hole.x, hole.y)), hole.d / 2) for hole in frame.holes)
    left, right, bottom, top = maps.grid.extent_mm()
    x, y = _turn(view, right if view.mirrored else left, top)
    return LiveShapes(
        view.width, view.height, _points(view, frame.outline_mm), holes, shapes, tuple(rings), tuple(words),
        (float(x), float(y), right - left, top - bottom),
    )  # fmt: skip
