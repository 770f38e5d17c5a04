"""A result made by hand, for tests of pictures and files: invented board, invented numbers, no stage involved."""

from __future__ import annotations

import dataclasses

import numpy as np

from thermscan.model.board import Board, Hole, Part, Rail
from thermscan.model.budget import BudgetTerm
from thermscan.model.film import BoardGrid
from thermscan.model.quantity import Measured
from thermscan.model.result import (
    EnergyBooks,
    HeatSource,
    Hotspot,
    InputFile,
    PartReading,
    RegistrationReport,
    Resampling,
    Result,
    RiseRate,
    Suspect,
)
from thermscan.model.result_maps import ResultMaps

BINS = 30


def make_board() -> Board:
    """Ninety by sixty millimetres with a notch, crowded enough that labels must give way."""
    outline = [[0, 0], [90, 0], [90, 60], [20, 60], [20, 52], [0, 52]]
    parts = [
        Part("U3", "regulator", 30, 22, 6, 6, 0, 1.6, "top", ("+12V", "+3V3", "GND")),
        Part("U5", "chip", 58, 34, 10, 10, 45, 1.2, "top", ("+3V3", "GND")),
        Part("U7", "memory", 74, 40, 8, 5, 0, 1.0, "top", ("+3V3", "GND")),
        Part("Y1", "crystal", 66, 24, 3.2, 1.6, 0, 0.8, "top", ()),
        Part("L2", "inductor", 20, 22, 5, 5, 0, 3.0, "top", ("+12V",), "metal"),
        Part("J1", "connector", 2, 30, 8, 14, 0, 9.0, "top", ("+12V", "GND")),
        Part("J2", "connector", 86, 12, 8, 12, 0, 9.0, "top", ()),
        Part("Q1", "transistor", 42, 48, 6, 5, 0, 1.6, "top", ("+12V", "MOTOR")),
        Part("D4", "diode", 50, 50, 3, 2, 90, 1.0, "top", ("MOTOR",)),
        Part("F1", "fuse", 12, 42, 6, 3, 0, 2.0, "top", ("+12V",)),
        Part("C90", "capacitor", 60, 12, 1.6, 0.8, 0, 0.8, "bottom", ("+3V3", "GND")),
    ]
    parts += [
        Part(f"C{i}", "capacitor", 26 + 2.4 * (i - 10), 28.5, 1.6, 0.8, 90, 0.8, "top", ("+3V3", "GND"))
        for i in range(10, 18)
    ]
    parts += [Part(f"R{i}", "resistor", 52 + 1.8 * (i - 20), 22, 1.0, 0.5, 0, 0.4, "top", ()) for i in range(20, 30)]
    rails = (Rail("+12V", 12.0), Rail("+3V3", 3.3, made_by="U3", from_net="+12V"))
    return Board(
        "vent controller rev B (invented)", outline, 1.6, (Hole(4, 4, 3.2), Hole(86, 56, 3.2)), tuple(parts), rails
    )


def _blob(grid: BoardGrid, x: float, y: float, sigma: float) -> np.ndarray:
    points = grid.points_mm()
    return np.exp(-((points[..., 0] - x) ** 2 + (points[..., 1] - y) ** 2) / (2 * sigma**2))


def make_maps(board: Board, *, bins: int = BINS, step_mm: float = 0.75, seed: int = 5) -> ResultMaps:
    """A short at C14 that warms, a regulator that warms with it, a chip that stays cold, and noise."""
    rng = np.random.default_rng(seed)
    grid = BoardGrid.over(board, step_mm)
    edges = np.linspace(0, 15, bins + 1)
    grow = 1 - np.exp(-(edges[1:] + edges[:-1]) / 2 / 6)
    points = grid.points_mm()
    inside = board.inside(points[..., 0], points[..., 1])
    good = grow[:, None, None] * (9 * _blob(grid, 30, 22, 7) + 12 * _blob(grid, 58, 34, 8) + 3 * _blob(grid, 42, 48, 5))
    true = grow[:, None, None] * (
        14 * _blob(grid, 35.6, 28.5, 2.2) + 5 * _blob(grid, 30, 22, 5) - 9 * _blob(grid, 58, 34, 6)
    )
    excess = true + rng.normal(0, 0.05, true.shape)
    outside = ~inside
    excess[:, outside] = np.nan
    readable = ~board.part("L2").contains(points[..., 0], points[..., 1])
    return ResultMaps(
        grid=grid,
        edges_s=edges,
        excess=excess,
        faulty=good + excess,
        good=np.where(inside, good, np.nan),
        noise=np.full((1, *grid.shape), 0.05),
        spread=0.1 + 0.05 * good,
        inside=inside,
        readable=readable,
        shown_bin=bins - 1,
        power_off_s=14.5,
    )


def _course(value: float, seed: int, bins: int = BINS) -> np.ndarray:
    grow = 1 - np.exp(-np.linspace(0.25, 14.75, bins) / 6)
    return value * grow + np.random.default_rng(seed).normal(0, 0.05, bins)


def _part(board: Board, ref: str, value: float, state: str) -> PartReading:
    part = board.part(ref)
    readable = state != "unreadable"
    return PartReading(
        ref=ref,
        kind=part.kind,
        side=part.side,
        state=state,
        rise_k=Measured.normal(value + 6, 0.1) if readable else None,
        excess_k=Measured.normal(value, 0.1) if readable else None,
        excess_at_s=14.5 if readable else None,
        rise_rate=RiseRate(Measured.normal(value / 5, 0.02), 0.5, 0.0) if readable else None,
        temperature_c=Measured.normal(29 + value, 0.5) if readable else None,
        significance=abs(value) / 0.2 if readable else None,
        pixels=21.0,
        flags=() if readable else ("unreadable",),
        why={}
        if readable
        else dict.fromkeys(
            ("rise_k", "excess_k", "excess_at_s", "rise_rate", "temperature_c", "significance", "detection_limit_w"),
            "bare metal cannot be read",
        ),
        detection_limit_w=0.02 if readable else None,
        excess_course_k=_course(value, 1) if readable else None,
        noise_course_k=np.full(BINS, 0.05) if readable else None,
        spread_course_k=np.full(BINS, 0.2) if readable else None,
        rise_course_k=_course(value + 6, 2) if readable else None,
        temperature_budget=(
            BudgetTerm("emissivity", 0.88, 0.038, "", -0.83, -0.81, "ceramic: made for a test <b>bold</b>"),
            BudgetTerm("camera offset", 0.0, 1.15, "K", -1.29, 0.02, "made for a test"),
        )
        if readable
        else (),
    )


def _suspects() -> tuple[Suspect, ...]:
    return (
        Suspect(
            "C14",
            "+3V3",
            "top",
            "short",
            "the capacitor is shorted and pulls the rail down",
            {"short": 0.71, "leak": 0.19, "overload": 0.1},
            35.7,
            28.4,
            0.6,
            0.83,
            Measured(0.42, 0.37, 0.47),
            RiseRate(Measured(1.9, 1.7, 2.1), 0.5, 0.0),
            Measured(12.6, 12.2, 13.0),
            14.5,
            (
                "It is 12.6 K warmer than on the good boards, 60 times what noise and spread explain.",
                "It warms from the first frame after power-on, at 1.9 K/s.",
                "0.42 W are made at its place and nearly none on good boards.",
                "U5 on the same net +3V3 stays cold.",
            ),
        ),
        Suspect(
            "U3",
            "+12V",
            "top",
            "overload",
            "the regulator is overloaded by something behind it",
            {"overload": 0.9, "short": 0.1},
            30.0,
            22.0,
            1.2,
            0.08,
            Measured(0.15, 0.02, 0.28),
            RiseRate(Measured(0.5, 0.4, 0.6), 0.5, 0.0),
            Measured(4.1, 3.7, 4.5),
            14.5,
            ("It feeds +3V3, so it carries the current that heats C14.",),
        ),
        Suspect(
            None,
            None,
            "top",
            "bridge",
            "heat at a bare place",
            {"bridge": 1.0},
            36.5,
            30.0,
            1.5,
            0.03,
            None,
            None,
            Measured(2.0, 1.1, 2.9),
            14.5,
            ("The centre of heat lies beside C14.",),
            ("below_resolution",),
            {"power_w": "too close to C14 to be told apart", "rise_rate": "too close to C14 to be told apart"},
        ),
    )


def _hotspots() -> tuple[Hotspot, ...]:
    rate = RiseRate(Measured(1.9, 1.7, 2.1), 0.5, 0.0)
    return (
        Hotspot(
            1, "hot", 35.7, 28.4, 0.6, Measured(13.1, 12.7, 13.5), None, 14.5, 1e-30, 1e-28, 60.0, 41.0, ("C14",), rate
        ),
        Hotspot(
            2, "cold", 58.2, 34.1, 1.0, Measured(-8.2, -8.8, -7.6), None, 14.5, 1e-20, 1e-18, -35.0, 160.0, ("U5",)
        ),
        Hotspot(3, "hot", 30.1, 21.8, 1.2, Measured(4.4, 3.9, 4.9), None, 14.5, 1e-9, 1e-8, 14.0, 50.0, ("U3",)),
    )


def make_result(board: Board) -> Result:
    """A result with a clear first suspect, an unreadable part and something null in most places."""
    parts = (
        _part(board, "C14", 12.6, "hot"),
        _part(board, "U5", -8.0, "cold"),
        _part(board, "U3", 4.1, "hot"),
        _part(board, "L2", 0.0, "unreadable"),
        _part(board, "U7", 0.05, "like_good"),
        _part(board, "Q1", -0.1, "like_good"),
    )
    registration = tuple(
        RegistrationReport(
            name,
            "layout",
            "top",
            0.14,
            0.06,
            0.41,
            is_tripod=True,
            frames=225,
            posed=220,
            bridged=4,
            without_pose={"frozen": 1},
            trusted=True,
            reason="",
        )
        for name in ("faulty", "good_1", "good_2")
    )
    events = (
        {
            "recording": "faulty",
            "kind": "offset_step",
            "frame": 90,
            "frames": 1,
            "time_s": 7.2,
            "text": "shutter: the whole picture stepped by 0.35 K",
            "size": 0.35,
        },
        {
            "recording": "faulty",
            "kind": "dead_pixels",
            "frame": None,
            "frames": 225,
            "time_s": None,
            "text": "3 dead pixels",
            "size": 3,
        },
    )
    return Result(
        verdict="suspect",
        no_fault_probability=0.01,
        other_probability=0.05,
        power_on_s=Measured(1.92, 1.88, 1.96),
        power_off_s=None,
        suspects=_suspects(),
        hotspots=_hotspots(),
        parts=parts,
        sources=(HeatSource("C14", 35.7, 28.4, 0.6, Measured(0.42, 0.37, 0.47), _course(0.5, 3), 0.999),),
        energy=EnergyBooks(
            Measured(0.57, 0.5, 0.64),
            Measured(0.3, 0.2, 0.4),
            Measured(0.25, 0.2, 0.3),
            None,
            "0.57 W made, 0.30 W still in the board, 0.25 W lost to the air.",
        ),
        registration=registration,
        camera_events=events,
        warnings=("the good boards were filmed 2 K cooler than this one",),
        flags=(),
        inputs=(
            InputFile("faulty", "faulty.tiff", "ab" * 32, 225, 120, 160),
            InputFile("good", "good_1.tiff", "cd" * 32, 225, 120, 160),
            InputFile("board", "board.json", "ef" * 32),
        ),
        settings={"detection.false_discovery_rate": 0.01},
        version="0.1.0",
        basis="good_boards",
        good_boards=2,
        restarts=0,
        side="top",
        board_name=board.name,
        units="celsius",
        detection_limit_w=0.012,
        next_steps=("Measure the resistance of +3V3 to ground with power off.", "Film again with C14 lifted."),
        moved_by=("+3V3 reads 0.4 V instead of 3.3 V: C14 and U3 went up",),
        why={"power_off_s": "still_on"},
        resampling=Resampling(0.5, 0.87, 0.28),
    )


def make_hostile(board: Board) -> tuple[Board, Result]:
    """The same with names that would break a page, a picture or a table that does not escape them."""
    bad = '<script>alert("x")</script>'
    parts = tuple(dataclasses.replace(p, ref=bad) if p.ref == "C14" else p for p in board.parts)
    wild = dataclasses.replace(board, name=f"{bad} & $\\frac{{a}}$ 板", parts=parts)
    result = make_result(board)
    swap = {"C14": bad}
    suspects = tuple(dataclasses.replace(s, ref=swap.get(s.ref, s.ref), net="=1+1</td>") for s in result.suspects)
    readings = tuple(dataclasses.replace(p, ref=swap.get(p.ref, p.ref)) for p in result.parts)
    inputs = (dataclasses.replace(result.inputs[0], path=f"{bad}.tiff"), *result.inputs[1:])
    return wild, dataclasses.replace(result, suspects=suspects, parts=readings, inputs=inputs, board_name=wild.name)


def make_bare(board: Board) -> Result:
    """A result in which nearly everything is unknown: counts, one frame, no power-on, no good board."""
    result = make_result(board)
    spot = dataclasses.replace(result.hotspots[0], excess_k=None, excess_counts=210.0, excess_at_s=None, rise_rate=None)
    suspect = dataclasses.replace(
        result.suspects[0], power_w=None, rise_rate=None, excess_k=None, excess_at_s=None, probability=0.3, net=None
    )
    return dataclasses.replace(
        result,
        verdict="cannot_tell",
        no_fault_probability=0.3,
        other_probability=0.4,
        power_on_s=None,
        suspects=(suspect,),
        hotspots=(spot,),
        parts=(),
        sources=(),
        energy=None,
        basis="itself_only",
        good_boards=0,
        restarts=None,
        units="count",
        detection_limit_w=None,
        flags=("counts", "single_frame", "no_good_board"),
        why={"power_on_s": "on_before_recording", "power_off_s": "not_seen"},
    )
