"""Foreseeing a recording: from the plan to the table that is shown."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from thermscan.model.foresight import ForesightTable
from thermscan.model.settings import Settings
from thermscan.physics.foresee import Foresight, Setup, foresee
from thermscan.physics.plate import default_plate

STEPS_S = (0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0, 200.0, 500.0)
DEFAULTS = Settings()


@dataclass(frozen=True)
class Plan:
    """A recording that is planned.

    Attributes
    ----------
    noise_k : float
        Of one pixel in one frame.
    resolution : tuple of int
        Columns and rows, px.
    view_mm : float
        Width that the picture covers.
    part_mm : tuple of float
        Body, width and height.
    thickness_mm, copper_um : float or None
        Of the board; None where not known.
    seconds : float
        Longest time with power on.
    rate, cold_s, good_boards, optics_px
        As in ``physics.foresee.Setup``.
    repeats : tuple of int
        Numbers of power-ups to be shown.
    power_mw : float or None
        A source that is asked about.
    """

    noise_k: float
    resolution: tuple[int, int]
    view_mm: float
    part_mm: tuple[float, float]
    thickness_mm: float | None = None
    copper_um: float | None = None
    seconds: float = 20.0
    rate: float = 9.0
    cold_s: float = 3.0
    good_boards: int = 1
    repeats: tuple[int, ...] = (1, 4)
    optics_px: float = 0.6
    power_mw: float | None = None


def foresee_table(plan: Plan, *, settings: Settings = DEFAULTS) -> ForesightTable:
    """Return what a planned recording will show; raises InputError."""
    plate = default_plate(plan.thickness_mm, copper_um=plan.copper_um, settings=settings.plate)
    setup = Setup(
        noise_k=plan.noise_k,
        columns=plan.resolution[0],
        rows=plan.resolution[1],
        view_mm=plan.view_mm,
        part_mm=plan.part_mm,
        frame_rate_hz=plan.rate,
        cold_s=plan.cold_s,
        good_boards=plan.good_boards,
        optics_px=plan.optics_px,
    )
    seconds = np.array([*(s for s in STEPS_S if s < plan.seconds), plan.seconds])
    answers = [foresee(replace(setup, repeats=n), plate, seconds, settings=settings.foresee) for n in plan.repeats]
    answer = answers[0]
    power = None if plan.power_mw is None else plan.power_mw * 1e-3
    return ForesightTable(
        plan_text=plan_text(plan, answer),
        plate_text=plate.sentence,
        seconds=answer.seconds,
        repeats=plan.repeats,
        smallest_w=np.stack([a.smallest_w for a in answers], axis=1),
        smallest_95_w=np.stack([a.smallest_95_w for a in answers], axis=1),
        peak_k_per_w=answer.peak_k_per_w,
        pixels_on_part=answer.pixels_on_part,
        power_w=power,
        power_text="" if power is None else power_text(plan.repeats, answers, power),
        warnings=answer.warnings + what_limits(plan.repeats, answers),
    )


def what_limits(repeats: tuple[int, ...], answers: list[Foresight]) -> tuple[str, ...]:
    """Say so where further power-ups hardly help: what boards differ by is no noise that averages out."""
    if len(answers) < 2 or answers[-1].smallest_w[-1] < 0.8 * answers[0].smallest_w[-1]:
        return ()
    return (
        f"differences between boards, not camera noise, set the limit: {repeats[-1]} power-ups hardly beat "
        f"{repeats[0]}; more good boards or a closer view do",
    )


def plan_text(plan: Plan, answer: Foresight) -> str:
    """Say what is planned in a sentence."""
    columns, rows = plan.resolution
    boards = {0: "no good board", 1: "one good board"}.get(plan.good_boards, f"{plan.good_boards} good boards")
    return (
        f"camera {columns}x{rows}, {1e3 * plan.noise_k:g} mK, {plan.rate:g} frames/s, {plan.view_mm / columns:.2f} mm "
        f"per pixel; part {plan.part_mm[0]:g}x{plan.part_mm[1]:g} mm on {answer.pixels_on_part:.2g} pixels; against "
        f"{boards}"
    )


def power_text(repeats: tuple[int, ...], answers: list[Foresight], power_w: float) -> str:
    """Say after how many seconds a source shows up, with the fewest power-ups that do.

    The upper end of the interval decides, so that copper and coupling that are not known cannot hide it.
    """
    name = f"a source of {1e3 * power_w:g} mW"
    for count, answer in zip(repeats, answers, strict=True):
        shown = np.flatnonzero(answer.smallest_95_w[:, 1] <= power_w)
        if shown.size:
            ups = "one cold power-up" if count == 1 else f"{count} cold power-ups"
            return f"{name} shows up after {answer.seconds[shown[0]]:g} s with {ups}, whatever the copper"
    last, least = answers[-1].seconds[-1], float(answers[-1].smallest_95_w[:, 1].min())
    return (
        f"{name} is not sure to show up in {last:g} s: with {repeats[-1]} power-up{'s' if repeats[-1] > 1 else ''} it "
        f"takes {1e3 * least:.3g} mW; going closer helps"
    )
