"""Two parts of 1.0 x 0.5 mm that stand 3 mm apart: told apart where both make heat, and not invented where one does."""

import numpy as np
import pytest
from scipy import ndimage

from thermscan.find.source import find_sources
from thermscan.model.board import Board, Part
from thermscan.model.film import BoardGrid, Excess, Film
from thermscan.model.settings import SourceSettings
from thermscan.physics.plate import cut_into_layers, default_plate
from thermscan.physics.plate_grid import GridPlate, Lump, run

PLATE = default_plate(1.6)
STEP, WIDTH, HEIGHT = 0.5, 30, 22
ROWS, COLUMNS = int(HEIGHT / STEP), int(WIDTH / STEP)
SETTINGS = SourceSettings(most_sources=3)


def small_board():
    """The pair in the middle, others of their size around, and a chip."""
    pair = [Part(ref, "resistor", 15 + x, 11, 1.0, 0.5, 90, 0.35) for ref, x in (("R1", -1.5), ("R2", 1.5))]
    around = [
        Part(f"C{i}", "capacitor", x, y, 1.0, 0.5, 90, 0.5)
        for i, (x, y) in enumerate([(10.5, 11), (19.5, 11), (13.5, 15), (16.5, 7), (6, 6), (25, 16)])
    ]
    outline = np.array([[0, 0], [WIDTH, 0], [WIDTH, HEIGHT], [0, HEIGHT]], float)
    return Board("made", outline, 1.6, parts=(*pair, *around, Part("U1", "chip", 24, 6, 5, 5, 0, 1.0)))


def filmed(board, watts, *, pixel_mm, noise=0.05, seed=0, seconds=5.0):
    """An excess on the grid solver with copper that differs by a third from place to place, seen through a camera."""
    random = np.random.default_rng(seed)
    layers = cut_into_layers(PLATE, conductance_w_per_k=float(random.uniform(0.015, 0.035)), inner_share=0.5)
    rough = ndimage.gaussian_filter(random.normal(size=(5, ROWS, COLUMNS)), (0, 8, 8))
    y, x = (np.mgrid[:ROWS, :COLUMNS] + 0.5) * STEP
    lumps = []
    for part in board.parts:
        cells = np.flatnonzero(part.contains(x, y, margin_mm=0.25).ravel())
        area = part.w * part.h
        lumps.append(Lump(cells, 0, area / random.uniform(40, 110), area * part.height_mm * 3.0e-3))
    solver = GridPlate(STEP, layers, np.exp(0.3 * rough / rough.std()), tuple(lumps))
    power = np.zeros(solver.nodes)
    power[solver.copper.size :] = [watts.get(p.ref, 0.0) for p in board.parts]
    times = np.linspace(0, seconds, 16)[1:]
    rise = run(solver, power, times, substeps=3).rise_k
    seen = rise[:, : ROWS * COLUMNS].copy()
    for i, (part, lump) in enumerate(zip(board.parts, solver.lumps, strict=True)):
        cover = min(1.0, part.w * part.h / (len(lump.cells) * STEP**2))
        seen[:, lump.cells] = cover * rise[:, solver.copper.size + i, None] + (1 - cover) * seen[:, lump.cells]
    blur = np.hypot(0.6, 12**-0.5) * pixel_mm / STEP
    seen = ndimage.gaussian_filter(seen.reshape(-1, ROWS, COLUMNS), (0, blur, blur))
    seen = (seen + np.concatenate([np.zeros((1, ROWS, COLUMNS)), seen[:-1]])) / 2
    seen = seen + random.normal(size=seen.shape) * noise
    grid = BoardGrid(STEP / 2, STEP / 2, STEP, COLUMNS, ROWS)
    yes = np.ones(grid.shape, bool)
    film = Film(grid, np.concatenate([[0.0], times]), "power_on", seen, np.full(15, 3), np.zeros(grid.shape), 100,
                np.full(grid.shape, noise), 0.2, 0.05, yes, yes, pixel_mm, blur_mm=0.6 * pixel_mm,
                flags=frozenset({"surfaces_corrected"}))  # fmt: skip
    own = np.zeros_like(seen)
    return Excess(film, seen, np.full((1, 1, 1), noise), np.full(1, 0.02), "good_boards", 1, own, "cold_frames")


def listed(watts, **how):
    board = small_board()
    return find_sources(filmed(board, watts, **how), board, PLATE, side="top", settings=SETTINGS).sources


@pytest.mark.parametrize("pixel_mm", [0.4, 0.8])
@pytest.mark.parametrize("watts", [(0.2, 0.2), (0.3, 0.12)])
def test_a_pair_is_told_apart(pixel_mm, watts):
    found = {s.ref: s.power_w for s in listed(dict(zip(("R1", "R2"), watts, strict=True)), pixel_mm=pixel_mm)}
    assert {"R1", "R2"} <= set(found)
    for ref, true in zip(("R1", "R2"), watts, strict=True):
        assert found[ref].low <= true <= found[ref].high


@pytest.mark.parametrize("seed", [1, 2])
def test_the_neighbour_of_a_single_source_is_not_invented(seed):
    found = [s.ref for s in listed({"R1": 0.3}, pixel_mm=0.6, seed=seed)]
    assert found == ["R1"]
