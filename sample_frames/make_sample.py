"""Makes the sample recordings: an invented board in an invented scenario, from one seed.

Run from a checkout: ``python sample_frames/make_sample.py``; it writes beside itself.
"""

from __future__ import annotations

import csv
import json
from dataclasses import replace
from pathlib import Path

import numpy as np

from thermscan.model.board import Board, Hole, Part, Rail
from thermscan.simulate.case import make_case
from thermscan.simulate.case_file import board_dict, write_grids, write_recording
from thermscan.simulate.fault import DrawnFault
from thermscan.simulate.filming import draw_type
from thermscan.simulate.load import Defect, LoadPlan, downstream
from thermscan.simulate.options import CaseOptions
from thermscan.simulate.truth import FaultTruth

SEED = 20
FOLDER = Path(__file__).resolve().parent
GRID_EVERY = 7
OPTIONS = CaseOptions(
    resolution=(160, 120),
    hand_held=False,
    frame_rate_hz=6.0,
    before_s=2.0,
    on_s=8.0,
    after_s=2.0,
    goods=2,
    marks=True,
    mark_error_px=0.8,
    noise_k=0.06,
    tilt_deg=6.0,
    rotation_deg=3.0,
    fill=0.85,
    camera_events=False,
    warm_start=False,
    supply_log=True,
    ambient_c=23.0,
    count_scale_k=0.02,
)

# ref, kind, x, y, w, h, rotation, height, nets
PARTS = (
    ("J1", "connector", 6.0, 47.0, 10.0, 8.0, 90, 9.0, "+12V GND"),
    ("F1", "fuse", 17.5, 51.0, 3.2, 1.6, 0, 0.7, "+12V_IN +12V"),
    ("D1", "diode", 17.5, 44.5, 4.3, 2.6, 0, 2.2, "+12V GND"),
    ("C1", "capacitor", 26.0, 50.0, 6.6, 6.6, 0, 7.7, "+12V GND"),
    ("U1", "regulator", 35.0, 49.0, 4.9, 3.9, 0, 1.6, "+12V +5V GND"),
    ("L1", "inductor", 44.0, 49.5, 6.0, 6.0, 0, 3.0, "SW_U1 +5V"),
    ("C2", "capacitor", 35.0, 54.5, 3.2, 1.6, 0, 1.6, "+12V GND"),
    ("C3", "capacitor", 51.0, 51.5, 3.2, 1.6, 90, 1.6, "+5V GND"),
    ("C4", "capacitor", 54.0, 51.5, 3.2, 1.6, 90, 1.6, "+5V GND"),
    ("U2", "regulator", 61.5, 49.5, 6.5, 6.1, 0, 2.3, "+5V +3V3 GND"),
    ("C5", "capacitor", 68.5, 52.5, 2.0, 1.25, 90, 1.2, "+3V3 GND"),
    ("C6", "capacitor", 68.5, 47.5, 1.6, 0.8, 90, 0.8, "+5V GND"),
    ("U3", "chip", 42.0, 26.0, 10.0, 10.0, 0, 1.4, "+3V3 GND"),
    ("Y1", "crystal", 33.0, 28.5, 3.2, 2.5, 90, 0.8, "XIN XOUT"),
    ("C7", "capacitor", 42.0, 33.5, 1.6, 0.8, 0, 0.8, "+3V3 GND"),
    ("C8", "capacitor", 49.5, 26.0, 1.6, 0.8, 90, 0.8, "+3V3 GND"),
    ("C9", "capacitor", 42.0, 18.5, 1.6, 0.8, 0, 0.8, "+3V3 GND"),
    ("C10", "capacitor", 34.5, 22.5, 1.6, 0.8, 90, 0.8, "+3V3 GND"),
    ("U4", "memory", 57.0, 30.0, 4.9, 3.9, 90, 1.6, "+3V3 GND"),
    ("C11", "capacitor", 57.0, 34.8, 1.6, 0.8, 0, 0.8, "+3V3 GND"),
    ("U5", "chip", 70.0, 26.0, 4.9, 3.9, 0, 1.6, "+3V3 GND"),
    ("C14", "capacitor", 64.0, 21.0, 1.6, 0.8, 90, 0.8, "+3V3 GND"),
    ("J4", "connector", 83.5, 27.0, 12.0, 8.0, 90, 10.0, "BUS_A BUS_B"),
    ("R7", "resistor", 75.0, 34.0, 3.2, 1.6, 90, 0.6, "BUS_A BUS_B"),
    ("U6", "chip", 20.0, 26.0, 5.0, 5.0, 0, 0.9, "+5V GND"),
    ("C12", "capacitor", 14.5, 26.0, 1.6, 0.8, 90, 0.8, "+5V GND"),
    ("Q1", "transistor", 14.0, 13.5, 6.5, 6.1, 90, 2.3, "FAN1 GND"),
    ("Q2", "transistor", 29.0, 11.5, 6.5, 6.1, 90, 2.3, "FAN2 GND"),
    ("R1", "resistor", 20.0, 12.0, 3.2, 1.6, 90, 0.6, "FAN1 GND"),
    ("R2", "resistor", 35.0, 11.0, 3.2, 1.6, 90, 0.6, "FAN2 GND"),
    ("D2", "diode", 14.0, 20.0, 2.7, 1.6, 0, 1.1, "+12V FAN1"),
    ("D3", "diode", 27.5, 18.0, 2.7, 1.6, 0, 1.1, "+12V FAN2"),
    ("J2", "connector", 50.5, 5.5, 7.5, 10.0, 0, 9.0, "+12V FAN1"),
    ("J3", "connector", 64.0, 5.5, 7.5, 10.0, 0, 9.0, "+12V FAN2"),
    ("D4", "diode", 76.0, 10.0, 1.6, 0.8, 0, 0.8, "+3V3 LED"),
    ("R3", "resistor", 79.5, 10.0, 1.6, 0.8, 0, 0.45, "LED GND"),
    ("C13", "capacitor", 76.5, 20.0, 1.6, 0.8, 0, 0.8, "+3V3 GND"),
)
SURFACES = {"C1": "bare_metal", "Y1": "bare_metal"}
KIND_SURFACES = {
    "capacitor": "ceramic",
    "resistor": "resistor_glaze",
    "inductor": "ferrite",
    "fuse": "ceramic",
    "connector": "plastic",
}
LIMITS_C = {"capacitor": 85.0, "regulator": 125.0, "chip": 85.0, "memory": 85.0, "transistor": 150.0}
RAILS = (
    Rail("+12V", 12.0, 10.0, "J1", None),
    Rail("+5V", 5.0, 5.0, "U1", "+12V"),
    Rail("+3V3", 3.3, 5.0, "U2", "+5V"),
)
# Healthy heat of the loads, W; what the two regulators lose follows from it.
OWN_W = {"U3": 0.30, "U4": 0.05, "U5": 0.09, "U6": 0.12, "Q1": 0.16, "Q2": 0.14, "R1": 0.08, "R2": 0.08}
OWN_W |= {"D1": 0.01, "D2": 0.03, "D3": 0.03, "D4": 0.02, "R3": 0.01, "R7": 0.03, "F1": 0.02, "J1": 0.01}
# The regulator limits at 0.3 A: 1.4 V over the 4.7 ohm of the short, the other 3.6 V over itself.
SHORT_W, REGULATOR_W = 0.42, 1.08


def make_board() -> Board:
    """Return the invented ventilation controller."""
    parts = tuple(
        Part(
            ref,
            kind,
            x,
            y,
            w,
            h,
            float(turn),
            tall,
            "top",
            tuple(nets.split()),
            SURFACES.get(ref, KIND_SURFACES.get(kind, "mold")),
            LIMITS_C.get(kind),
        )
        for ref, kind, x, y, w, h, turn, tall, nets in PARTS
    )
    outline = np.array([[0, 0], [90, 0], [90, 60], [0, 60]], float)
    holes = tuple(Hole(x, y, 3.2) for x, y in ((4.0, 4.0), (86.0, 4.0), (86.0, 56.0), (4.0, 56.0)))
    return Board("ventilation controller rev B (invented)", outline, 1.6, holes, parts, RAILS)


def make_plan(board: Board) -> LoadPlan:
    """Return the healthy heat of the board."""
    rail_of = {}
    for part in board.parts:
        rail_of[part.ref] = next((n for n in part.nets if n in ("+12V", "+5V", "+3V3")), "+12V")
    rail_of["U1"], rail_of["U2"] = "+12V", "+5V"
    return LoadPlan(
        own_w={p.ref: OWN_W.get(p.ref, 0.005 if p.kind == "regulator" else 0.0) for p in board.parts},
        rail_of=rail_of,
        rail_delay_s={"+12V": 0.0, "+5V": 0.03, "+3V3": 0.06},
        boot={"U3": (0.8, 0.5)},
        loss_share={"U1": 0.16, "U2": 0.5},
        coil_share={"L1": ("U1", 0.35)},
        spread={p.ref: 0.1 for p in board.parts},
    )


def make_fault(board: Board) -> DrawnFault:
    """Return the fault: C14 shorts +3V3, its regulator works into its limit and warms as a decoy."""
    part = board.part("C14")
    text = "C14 shorts +3V3 to ground"
    cold = ("U3", "U4", "U5", "D4")
    truth = FaultTruth(
        "short", "C14", "+3V3", part.x, part.y, "top", ("C14",), cold_refs=cold, decoy_refs=("U2",), text=text
    )
    return DrawnFault(truth, Defect(dead=downstream(board, "+3V3"), add_w={"C14": SHORT_W, "U2": REGULATOR_W}))


READINGS = (
    ("time", "where", "net", "quantity", "value", "unit", "good_value", "power", "note"),
    ("10:02", "C5", "+3V3", "resistance_to_ground", "4R7", "ohm", "3k4", "off", "invented, as everything here"),
    ("10:03", "C3", "+5V", "resistance_to_ground", "2k1", "ohm", "2k2", "off", ""),
    ("10:05", "C3", "+5V", "voltage", "4.98", "V", "5.01", "on", ""),
    ("10:06", "C5", "+3V3", "voltage", "1.41", "V", "3.31", "on", ""),
    ("10:07", "J1", "+12V", "current", "0.21", "A", "0.14", "on", ""),
)


def main() -> None:
    """Write every sample file."""
    random = np.random.default_rng(SEED)
    board = make_board()
    fault = make_fault(board)
    kind = replace(draw_type(board, make_plan(board), OPTIONS, random), air=(2.6, 1.5))
    case = make_case(kind, fault, OPTIONS, random, seed=SEED)
    text = json.dumps(board_dict(board), indent=1) + "\n"
    (FOLDER / "board.json").write_text(text, encoding="utf-8")
    write_recording(case.faulty, FOLDER / "faulty.tiff")
    for number, good in enumerate(case.goods, 1):
        write_recording(good, FOLDER / f"good_{number}.tiff")
    for old in (FOLDER / "faulty_csv").glob("*.csv"):  # names carry times, which may have moved
        old.unlink()
    frames = range(0, case.faulty.recording.frames, GRID_EVERY)
    write_grids(case.faulty.recording, FOLDER / "faulty_csv", frames=frames)
    with (FOLDER / "readings.csv").open("w", newline="", encoding="utf-8") as file:
        csv.writer(file, lineterminator="\n").writerows(READINGS)
    truth = case.faulty.truth
    print(f"C14 makes {case.fault.power_w:.3f} W more than on good boards")
    print(f"on at {truth.power_on_s:.2f} s, off at {truth.power_off_s:.2f} s of the faulty recording")


if __name__ == "__main__":
    main()
