"""What making a recording costs, and how far the cell size moves the temperatures.

Run: ``python tests/bench/bench_simulator.py``. Prints two tables; takes about a minute.
"""

from __future__ import annotations

import time
from dataclasses import replace

import numpy as np

from thermscan.simulate.case import draw_case
from thermscan.simulate.filming import draw_type, heat_unit
from thermscan.simulate.layout import draw_board
from thermscan.simulate.load import Defect, draw_loads, make_schedule
from thermscan.simulate.options import CaseOptions
from thermscan.simulate.stack import CellGrid, build_unit, even_stack
from thermscan.simulate.timeline import Timeline

BOARD = ((90.0, 90.0), (60.0, 60.0))
RESOLUTIONS = ((32, 24), (160, 120), (320, 240), (640, 512))
CELLS_MM = (0.5, 0.7, 1.0, 1.5, 2.0)
FRAMES = 20


def cost_rows() -> list[str]:
    """Return one line a camera: seconds for the heat of 20 s, milliseconds a frame."""
    rows = []
    for resolution in RESOLUTIONS:
        for hand_held in (False, True):
            options = CaseOptions(
                resolution=resolution,
                hand_held=hand_held,
                goods=0,
                frame_rate_hz=9.0,
                before_s=2.0,
                on_s=14.0,
                after_s=4.0,
                board_mm=BOARD,
                fault="short",
                warm_start=False,
            )
            start = time.process_time()
            case = draw_case(3, options=options)
            heat = time.process_time() - start
            start = time.process_time()
            case.faulty.recording.store.read(0, FRAMES)
            frame = (time.process_time() - start) / FRAMES
            name = f"{resolution[0]}x{resolution[1]}"
            rows.append(f"{name:>9} {'held' if hand_held else 'tripod':>7} {heat:8.2f} {1e3 * frame:9.1f}")
    return rows


def cell_rows() -> list[str]:
    """Return one line a cell size: largest and median change of the parts' rise against the finest cells."""
    options = CaseOptions(board_mm=((50.0, 50.0), (40.0, 40.0)))
    random = np.random.default_rng(5)
    board = draw_board(random, options)
    kind = draw_type(board, draw_loads(board, random), options, random)
    heated = {p.ref: 0.3 for p in board.parts[::3] if p.covered_by is None}
    schedule = make_schedule(board, kind.plan, Defect(unpowered=True, add_w=heated), np.array([[0.0, 9.0]]))
    runs = np.array([[0.0, 9.0]])
    line = Timeline(np.linspace(0.0, 6.0, 7), 0.0, None, runs, runs, 0.0, warm=False)
    index = [i for i, p in enumerate(board.parts) if p.ref in heated]
    rises, rows = [], []
    for cell in CELLS_MM:
        grid = CellGrid.over(board, cell)
        stack = even_stack(grid, copper_um=(12.0, 0.0, 0.0, 20.0))
        unit = build_unit(replace(board), grid, stack, np.random.default_rng(1), air=(2.6, 1.5))
        film = heat_unit(unit, board, schedule, None, line, air=lambda _: 20.0, side="top")
        rises.append(film.at(5.0)[-2 * len(board.parts) :][: len(board.parts)][index] - 20.0)
        change = np.abs(rises[-1] / rises[0] - 1.0)
        rows.append(f"{grid.cell_mm:7.2f} {len(unit.net.capacity):8d} {change.max():9.3f} {np.median(change):9.3f}")
    return rows


def main() -> None:
    """Print both tables."""
    print("board 90 x 60 mm, 20 s at 9 frames/s, one recording (processor seconds)")
    print(f"{'camera':>9} {'':>7} {'heat s':>8} {'ms/frame':>9}")
    print("\n".join(cost_rows()))
    print("\nrise of heated parts after 5 s against the finest cells")
    print(f"{'cell mm':>7} {'volumes':>8} {'largest':>9} {'median':>9}")
    print("\n".join(cell_rows()))


if __name__ == "__main__":
    main()
