"""Measured temperatures on made scenes: error and coverage of the intervals, and speed beside a plain inversion.

Run: python tests/bench/bench_radiometry.py scenes [FIRST_SEED [COUNT]] for single surfaces (cheap): emissivity,
reflected temperature and camera drift unknown, drawn as the budget states them, and then otherwise.
Or: python tests/bench/bench_radiometry.py boards STORE [FIRST_SEED [COUNT]] for parts of whole made boards (three
seconds each; one line a board is kept in the folder STORE, so that a run that was stopped goes on). There the places
are the true ones, so that what is judged is the radiometry.
"""

from __future__ import annotations

import json
import math
import sys
import time
from pathlib import Path

import numpy as np
from scipy import constants

from thermscan.find.excess import excess_over
from thermscan.find.part_reading import read_parts
from thermscan.measure.film import pixel_size_mm
from thermscan.measure.noise import measure_camera
from thermscan.measure.radiometry import View, reading_of, true_picture, true_temperature
from thermscan.measure.radiometry_budget import (
    check_by_draws,
    check_difference_by_draws,
    temperature_of,
    usual_conditions,
)
from thermscan.measure.radiometry_recording import as_received
from thermscan.measure.track import make_track
from thermscan.model.budget import Quantity
from thermscan.model.pose import Motion, Placement
from thermscan.model.quantity import Measured
from thermscan.model.settings import RadiometrySettings, Settings
from thermscan.model.surface import find_surface
from thermscan.model.timing import Timing
from thermscan.physics.radiation import ZERO_C_K, Band, exact_band_radiance, radiance_temperature
from thermscan.physics.uncertainty import NORMAL_95
from thermscan.pipeline.film_set import Placed, make_films
from thermscan.pipeline.prepare import Prepared
from thermscan.pipeline.temperatures import Seen, add_temperatures
from thermscan.read.surface_table import open_surfaces
from thermscan.simulate.case import draw_case
from thermscan.simulate.options import CaseOptions

SURFACES = ("solder_mask", "plastic", "ceramic", "paint", "tape", "anodised")


# How nature differs from what the budget says: bands, spread of the emissivity, and factor on the error of the
# reflected temperature.
NATURES = {
    "as stated": (Band(8, 14), "normal", 1.0),
    "emissivity anywhere in its range": (Band(8, 14), "uniform", 1.0),
    "another band": (Band(7.5, 13), "normal", 1.0),
    "reflection twice as far off": (Band(8, 14), "normal", 2.0),
}


def draw_scene(random, table, *, band, shape, off):
    """Draw one surface twice (good and faulty) as a camera shows it; emissivity by ``shape`` inside its range."""
    surface = find_surface(SURFACES[random.integers(len(SURFACES))], table)
    if shape == "normal":
        e = random.normal(surface.emissivity, (surface.high - surface.low) / (2 * NORMAL_95))
    else:
        e = random.uniform(surface.low, surface.high)
    e = float(np.clip(e, 0.02, 1.0))
    room = random.uniform(16, 30)
    good = room + random.uniform(1, 40)
    faulty = good + random.uniform(-0.5, 1.0) * random.uniform(1, 30)
    reflected = room + random.normal(0, 2.0 * off)
    offset, scale = random.uniform(-2, 2), random.uniform(-0.02, 0.02)
    shown = np.array([float(reading_of(t, View(e, reflected), band=band)) for t in (faulty, good)])
    shown = shown + offset + scale * (shown - room) + random.normal(0, 0.05, 2)
    shown[1] += random.normal(0, 0.1)  # drift between the two recordings
    return surface, room, faulty, good, shown


def judge_scene(seed, nature, table, settings):
    """Return (true, value, low, high, drawn low, drawn high, raw) of the temperature and of the difference."""
    band, shape, off = NATURES[nature]
    random = np.random.default_rng([seed, list(NATURES).index(nature)])
    surface, room, faulty, good, shown = draw_scene(random, table, band=band, shape=shape, off=off)
    conditions = usual_conditions(Quantity("reflected temperature", room, 2.0), settings=settings)
    between = Quantity("excess", float(shown[0] - shown[1]), math.hypot(0.05 * math.sqrt(2), 0.1))
    reading = Quantity("reading", float(shown[0]), 0.05)
    answer = temperature_of(reading, surface, conditions, difference=between)
    drawn = check_by_draws(reading, surface, conditions, random=random, draws=4000)
    apart = check_difference_by_draws(reading, surface, conditions, between, random=random, draws=4000)
    t, d = answer.temperature.measured, answer.difference.measured
    return (
        (faulty, t.value, t.low, t.high, *drawn[2:], shown[0]),
        (faulty - good, d.value, d.low, d.high, *apart[2:], shown[0] - shown[1]),
    )


def print_coverage(name, what, rows):
    """Print one line: how many, covered by propagation and by draws, and errors with and without correction."""
    true, value, low, high, drawn_low, drawn_high, raw = np.array(rows).T
    covered = np.mean((low <= true) & (true <= high))
    drawn = np.mean((drawn_low <= true) & (true <= drawn_high))
    size, plain = np.abs(value - true), np.abs(raw - true)
    print(
        f"{len(rows):>6} {name:>33} {what:>12} {covered:>8.1%} {drawn:>9.1%} {np.median(size):>9.3f} "
        f"{np.quantile(size, 0.95):>7.3f} {np.quantile(plain, 0.95):>10.3f}"
    )


def print_heads():
    """Print the heads of the columns."""
    heads = ("number", "nature", "what", "covered", "by draws", "median K", "95 % K", "raw 95 % K")
    widths = (6, 33, 12, 8, 9, 9, 7, 10)
    print(" ".join(f"{head:>{width}}" for head, width in zip(heads, widths, strict=True)))


def scenes(first, count):
    """Judge single surfaces."""
    print_heads()
    table, settings = open_surfaces(), RadiometrySettings()
    for nature in NATURES:
        found = [judge_scene(seed, nature, table, settings) for seed in range(first, first + count)]
        for i, what in enumerate(("temperature", "difference")):
            print_coverage(nature, what, [pair[i] for pair in found])


def judge_board(seed):
    """Return a row for each readable part of one made board: ref, is its surface named, temperature and rise."""
    case = draw_case(
        seed,
        options=CaseOptions(resolution=(160, 120), goods=0, frame_rate_hz=4.0, before_s=2.0, on_s=6.0, after_s=0.0,
                            parts=(12, 25), unit="celsius", hand_in_view=False),
    )  # fmt: skip
    settings, recording, truth = Settings(), case.faulty.recording, case.faulty.truth
    received = as_received(recording)
    frames = len(truth.matrices)
    first = int(np.flatnonzero(np.isfinite(truth.matrices[:, 0, 0]))[0])
    base = truth.matrices[first]
    steps = np.array([m @ np.linalg.inv(base) for m in truth.matrices])
    motion = Motion(steps, received.store.read(first, first + 1)[0], np.zeros((0, recording.rows, recording.columns)),
                    np.full(frames, 0.05), bool(np.nanmax(np.abs(steps - np.eye(3))) < 1e-6))  # fmt: skip
    camera = measure_camera(received, settings=settings.camera)
    on = truth.power_on_s
    timing = Timing(on_s=Measured(on, on - 0.05, on + 0.05))
    side = recording.facts.side
    track = make_track(motion, Placement(base, 0.1, "marks"), side=side)
    placed = Placed(Prepared(received, camera, motion, timing), track, 0.1, pixel_size_mm(base, case.board))
    films = make_films(placed, [], board=case.board, settings=settings)
    excess = excess_over(films.faulty, None, position_error_mm=0.05, settings=settings.excess)
    table = open_surfaces()
    parts = read_parts(excess, films.faulty, case.board, side=side, surfaces=table, settings=settings.detection)
    own = add_temperatures(parts, excess, case.board, recording, seen=Seen(), surfaces=table,
                           settings=settings.radiometry)  # fmt: skip
    last = excess.last_second()
    edges = excess.film.edges_s + on
    inside = (recording.times_s >= edges[last.start]) & (recording.times_s < edges[last.stop])
    cold = recording.times_s < on - 0.05
    rows = []
    for i, (plain, part) in enumerate(zip(parts, own, strict=True)):
        t, d = part.temperature_c, part.temperature_drawn_c
        if t is None or d is None or part.rise_k is None:
            continue
        true, before = float(truth.part_c[inside, i].mean()), float(truth.part_c[cold, i].mean())
        shown = float(np.nanmean(part.rise_course_k[last.start : last.stop])) + before
        r = part.rise_k
        named = case.board.part(part.ref).surface is not None
        small = "below_resolution" in part.flags
        rows.append([part.ref, named, small, [true, t.value, t.low, t.high, d.low, d.high, shown],
                     [true - before, r.value, r.low, r.high, r.low, r.high, plain.rise_k.value]])  # fmt: skip
    return rows


def boards(store, first, count):
    """Judge the parts of whole boards; results are kept in a folder."""
    store.mkdir(parents=True, exist_ok=True)
    rows = []
    for seed in range(first, first + count):
        path = store / f"{seed}.json"
        if not path.exists():
            path.write_text(json.dumps(judge_board(seed)), encoding="utf-8")
        rows += json.loads(path.read_text(encoding="utf-8"))
    print(f"{count} boards")
    print_heads()
    for name, keep in (
        ("surface named, larger than 3 px", lambda r: r[1] and not r[2]),
        ("surface named, smaller", lambda r: r[1] and r[2]),
        ("surface not named, larger", lambda r: not r[1] and not r[2]),
        ("surface not named, smaller", lambda r: not r[1] and r[2]),
    ):
        chosen = [r for r in rows if keep(r)]
        if chosen:
            print_coverage(name, "temperature", [r[3] for r in chosen])
            print_coverage(name, "rise", [r[4] for r in chosen])


def plain_inversion(frames, view, band):
    """Invert by Newton's method on a 64-point quadrature of Planck's law: no table, numpy alone."""
    wave = np.linspace(band.low_um, band.high_um, 64) * 1e-6
    weight = np.full(64, wave[1] - wave[0])
    weight[[0, -1]] /= 2
    first = 2 * constants.h * constants.c**2 / wave**5 * weight
    second = constants.h * constants.c / (wave * constants.k)

    def radiance(kelvin):
        total, slope = np.zeros_like(kelvin), np.zeros_like(kelvin)
        for a, b in zip(first, second, strict=True):
            e = np.exp(b / kelvin)
            total += a / (e - 1)
            slope += a * e * b / (kelvin**2 * (e - 1) ** 2)
        return total, slope

    around = radiance(np.array([view.reflected_c + ZERO_C_K]))[0][0]
    wanted = (radiance(frames + ZERO_C_K)[0] - (1 - view.emissivity) * around) / view.emissivity
    kelvin = frames + ZERO_C_K
    for _ in range(3):
        value, slope = radiance(kelvin)
        kelvin = kelvin + (wanted - value) / slope
    return kelvin - ZERO_C_K


def speed():
    """Print megapixels a second and the largest difference."""
    random = np.random.default_rng(1)
    frames = (35 + 20 * random.random((4, 512, 640))).astype(np.float32)
    view, band = View(0.9, 22.0), Band(8.0, 14.0)
    small = frames[0, :128].astype(float)
    rows = []
    for name, call, pixels in (
        ("whole pictures", lambda: true_picture(frames, view), frames.size),
        ("value by value", lambda: true_temperature(frames, view), frames.size),
        ("plain numpy", lambda: plain_inversion(small, view, band), small.size),
    ):
        call()
        start = time.perf_counter()
        call()
        rows.append((name, pixels / (time.perf_counter() - start) / 1e6))
    apart = np.abs(true_picture(small, view) - plain_inversion(small, view, band)).max()
    for name, rate in rows:
        print(f"{name:<16} {rate:8.2f} MP/s")
    print(f"largest difference to plain numpy: {1000 * apart:.3f} mK")


def table_error():
    """Print the error of the table against the series, mK, over -60 to 500 C."""
    kelvin = np.random.default_rng(2).uniform(213.15, 773.15, 20000)
    for band in (Band(8, 14), Band(7.5, 13), Band(3, 5)):
        found = radiance_temperature(exact_band_radiance(kelvin, band=band), band=band)
        worst = np.abs(found - (kelvin - ZERO_C_K)).max()
        print(f"table {band.low_um:g} to {band.high_um:g} um: at most {1000 * worst:.3f} mK")


def mirrors():
    """Print where the law of propagation is too optimistic."""
    table = open_surfaces()
    conditions = usual_conditions(Quantity("reflected temperature", 23.0, 2.0), settings=RadiometrySettings())
    for name in ("solder_mask", "bare_metal"):
        surface, reading = find_surface(name, table), Quantity("reading", 45.0, 0.05)
        linear = temperature_of(reading, surface, conditions).temperature.measured
        drawn = check_by_draws(reading, surface, conditions, random=np.random.default_rng(4))
        by_draws = f"{drawn[2]:.1f} to {drawn[3]:.1f} C"
        print(f"{name}: propagation {linear.low:.1f} to {linear.high:.1f} C, Monte Carlo {by_draws}")


def main():
    words = sys.argv[1:] or ["scenes"]
    if words[0] == "boards":
        boards(Path(words[1]), *(int(w) for w in (words[2:] or ["1", "20"])))
        return
    scenes(*(int(w) for w in (words[1:] or ["1", "400"])))
    mirrors()
    table_error()
    speed()


if __name__ == "__main__":
    main()
