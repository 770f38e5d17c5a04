"""Measured temperatures on made scenes: error and coverage of the intervals, and speed beside a plain inversion.

Run: python tests/bench/bench_radiometry.py [SCENES]. Scenes are cheap: one surface each, with unknown emissivity,
reflected temperature and camera drift drawn as the budget states them, and then otherwise.
"""

from __future__ import annotations

import math
import sys
import time

import numpy as np
from scipy import constants

from thermscan.measure.radiometry import View, reading_of, true_picture, true_temperature
from thermscan.measure.radiometry_budget import check_by_draws, temperature_of, usual_conditions
from thermscan.model.budget import Quantity
from thermscan.model.settings import RadiometrySettings
from thermscan.model.surface import find_surface
from thermscan.physics.radiation import ZERO_C_K, Band, exact_band_radiance, radiance_temperature
from thermscan.physics.uncertainty import NORMAL_95
from thermscan.read.surface_table import open_surfaces

SURFACES = ("solder_mask", "plastic", "ceramic", "paint", "tape", "anodised")


def draw_scene(random, table, *, band, shape):
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
    reflected = room + random.normal(0, 2.0)
    offset, scale = random.uniform(-2, 2), random.uniform(-0.02, 0.02)
    shown = np.array([float(reading_of(t, View(e, reflected), band=band)) for t in (faulty, good)])
    shown = shown + offset + scale * (shown - room) + random.normal(0, 0.05, 2)
    shown[1] += random.normal(0, 0.1)  # drift between the two recordings
    return surface, room, faulty, good, shown


def coverage(scenes, *, band, shape, seed):
    """Return rows: share covered, median and 95 % error, of temperature and difference."""
    random = np.random.default_rng(seed)
    table, settings = open_surfaces(), RadiometrySettings()
    errors, halves = [], []
    for _ in range(scenes):
        surface, room, faulty, good, shown = draw_scene(random, table, band=band, shape=shape)
        conditions = usual_conditions(Quantity("reflected temperature", room, 2.0), settings=settings)
        answer = temperature_of(
            Quantity("reading", float(shown[0]), 0.05),
            surface,
            conditions,
            difference=Quantity("excess", float(shown[0] - shown[1]), math.hypot(0.05 * math.sqrt(2), 0.1)),
        )
        t, d = answer.temperature.measured, answer.difference.measured
        errors.append(
            (t.value - faulty, d.value - (faulty - good), shown[0] - faulty, (shown[0] - shown[1]) - (faulty - good))
        )
        halves.append(((t.high - t.low) / 2, (d.high - d.low) / 2))
    return np.array(errors), np.array(halves)


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


def main():
    scenes = int(sys.argv[1]) if len(sys.argv) > 1 else 400
    heads = ("scenes", "band um", "emissivity", "what", "covered", "median K", "95 % K", "raw 95 % K")
    widths = (6, 9, 10, 12, 8, 9, 7, 10)
    print(" ".join(f"{head:>{width}}" for head, width in zip(heads, widths, strict=True)))
    for low, high, shape, seed in ((8, 14, "normal", 1), (8, 14, "uniform", 2), (7.5, 13, "normal", 3)):
        errors, halves = coverage(scenes, band=Band(low, high), shape=shape, seed=seed)
        for i, what in enumerate(("temperature", "difference")):
            covered = np.mean(np.abs(errors[:, i]) <= halves[:, i])
            size, raw = np.abs(errors[:, i]), np.abs(errors[:, i + 2])
            print(
                f"{scenes:>6} {f'{low}-{high}':>9} {shape:>10} {what:>12} {covered:>8.1%} {np.median(size):>9.3f} "
                f"{np.quantile(size, 0.95):>7.3f} {np.quantile(raw, 0.95):>10.3f}"
            )
    table = open_surfaces()
    conditions = usual_conditions(Quantity("reflected temperature", 23.0, 2.0), settings=RadiometrySettings())
    for name in ("solder_mask", "bare_metal"):
        surface, reading = find_surface(name, table), Quantity("reading", 45.0, 0.05)
        linear = temperature_of(reading, surface, conditions).temperature.measured
        drawn = check_by_draws(reading, surface, conditions, random=np.random.default_rng(4))
        by_draws = f"{drawn[2]:.1f} to {drawn[3]:.1f} C"
        print(f"{name}: propagation {linear.low:.1f} to {linear.high:.1f} C, Monte Carlo {by_draws}")
    table_error()
    speed()


if __name__ == "__main__":
    main()
