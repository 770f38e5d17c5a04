"""Calibrating a made camera whose response is known, and refusing what cannot carry a scale."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from thermscan.calibrate.temperature import Reference, calibrate_temperature, measure_reference
from thermscan.measure.radiometry_camera import curve_of, with_profile
from thermscan.model.camera_profile import CameraProfile
from thermscan.model.errors import InputError
from thermscan.model.recording import Recording
from thermscan.model.settings import CalibrationSettings
from thermscan.physics.radiation import ZERO_C_K, Band, exact_band_radiance
from thermscan.read.profile import check_resolution, open_profile, profile_from
from thermscan.write.profile_file import profile_document, write_profile

SETTINGS = CalibrationSettings()
ROWS, COLUMNS = 24, 32


def counts_of(true_c):
    """Return the counts of a made camera: proportional to the radiance in 8 to 14 um."""
    return 250.0 * float(exact_band_radiance(np.array([true_c + ZERO_C_K]))[0])


def even(level, *, seed, noise=1.0, pattern=None, unit="count"):
    random = np.random.default_rng(seed)
    frames = level + random.normal(0, noise, (12, ROWS, COLUMNS)) + (0 if pattern is None else pattern)
    return Recording.from_array(frames, np.arange(12) / 9.0, name=f"made_{seed}", unit=unit)


def references(temperatures, *, error=0.1, **options):
    return [measure_reference(even(counts_of(t), seed=i, **options), t, error) for i, t in enumerate(temperatures)]


def calibrate(refs, form, **options):
    return calibrate_temperature(refs, form=form, date="2026-01-05", method="made", settings=SETTINGS, **options)


def test_the_curve_is_good_far_better_than_its_stated_error():
    found = calibrate(references([0.0, 30.0, 60.0, 98.0]), "curve")
    profile = CameraProfile("made", rows=ROWS, columns=COLUMNS, scale=found.scale)
    for true_c in (10.0, 45.0, 80.0):
        out = with_profile(even(counts_of(true_c), seed=77), profile)
        assert out.unit == "celsius"
        assert np.median(out.store.read(0, 12)) == pytest.approx(true_c, abs=0.02)
    assert 0.05 < found.scale.error_k < 0.25


def test_a_straight_line_leaves_the_bend_as_its_residual():
    found = calibrate(references([0.0, 30.0, 60.0, 98.0]), "line")
    assert found.scale.residual_k > 2.0  # band radiance over 0 to 98 C is far from straight
    assert found.scale.error_k > 1.0


def test_the_stated_error_covers_what_wrong_references_do():
    # References off by 0.5 K each: the error at 50 C stays inside twice the stated one in most of 40 calibrations.
    random = np.random.default_rng(8)
    refs = references([0.0, 40.0, 80.0, 98.0], noise=0.1)
    level, hits = counts_of(50.0), 0
    for _ in range(40):
        moved = [replace(r, true_c=r.true_c + random.normal(0, 0.5), error_k=0.5) for r in refs]
        scale = calibrate(moved, "curve").scale
        hits += abs(curve_of(scale).temperature_c(level - scale.zero_count) - 50.0) < 1.96 * scale.error_k
    assert hits / 40 > 0.87


def test_counts_at_zero_radiance_are_found_though_the_band_is_another():
    # 25 cameras of 7.0 to 8.5 up to 12.5 to 14.5 um with sloped responses and counts at zero radiance from -3000 to
    # 8000; three references, each off by 0.1 K as stated. A curve through zero is off by up to 3 K here.
    random = np.random.default_rng(12)
    places, inside = np.array([0.0, 25.0, 50.0, 75.0, 98.0]), 0
    for _ in range(25):
        low, high = random.uniform(7.0, 8.5), random.uniform(12.5, 14.5)
        waves = np.linspace(low, high, 4)
        response = tuple(zip(waves, 1 + random.normal(0, 0.08) * (waves - low), strict=True))
        radiance = exact_band_radiance(places + ZERO_C_K, band=Band(low, high, response))
        counts = 100.0 * radiance + random.uniform(-3000, 8000)
        empty = np.zeros((1, 1))
        refs = [Reference("made", places[i] + random.normal(0, 0.1), 0.1, counts[i], 0.0, empty) for i in (0, 2, 4)]
        found = calibrate(refs, "curve").scale
        error = np.abs(curve_of(found).temperature_c(counts - found.zero_count) - places)
        assert error.max() < 0.6
        inside += (error < 1.96 * found.error_k).sum()
    assert inside / 125 > 0.93


def test_counts_at_zero_radiance_may_be_told():
    refs = [replace(r, signal=r.signal + 4000.0) for r in references([0.0, 40.0, 80.0])]
    found = calibrate(refs, "curve", zero_count=4000.0).scale
    assert found.zero_count == 4000.0
    assert found.a_um == pytest.approx(9.334, abs=0.2)  # 8 to 14 um by an independent fit


def test_shown_temperatures_are_corrected_by_a_line():
    refs = [
        measure_reference(even(0.97 * t + 1.2, seed=i, noise=0.05, unit="celsius"), t, 0.2)
        for i, t in enumerate((0.0, 50.0, 98.0))
    ]
    found = calibrate(refs, "shown")
    profile = CameraProfile("made", scale=found.scale)
    out = with_profile(even(0.97 * 70.0 + 1.2, seed=9, noise=0.05, unit="celsius"), profile)
    assert np.median(out.store.read(0, 12)) == pytest.approx(70.0, abs=0.03)


def test_offsets_of_pixels_are_measured_and_taken_off():
    random = np.random.default_rng(3)
    pattern = random.normal(0, 20.0, (ROWS, COLUMNS))
    pattern[4, 7] = 4000.0
    refs = references([0.0, 30.0, 60.0], pattern=pattern)
    found = calibrate(refs, "curve", fills_picture=True)
    assert found.pixels.bad == ((4.0, 7.0),)
    profile = CameraProfile("made", "", ROWS, COLUMNS, scale=found.scale, pixels=found.pixels,
                            pixel_offset_k=found.pixel_offset_k)  # fmt: skip
    plain = with_profile(even(counts_of(30.0), seed=50, pattern=pattern), CameraProfile("made", scale=found.scale))
    out = with_profile(even(counts_of(30.0), seed=50, pattern=pattern), profile).store.read(0, 12).mean(axis=0)
    assert np.isnan(out[4, 7])
    assert np.nanstd(out) < 0.2 * np.nanstd(np.where(np.isnan(out), np.nan, plain.store.read(0, 12).mean(axis=0)))


BAD = [
    ([0.0], "line", "made_0: 1 reference for 2 parameters; record 2 or more, better one more to see its residual"),
    (
        [0.0, 40.0],
        "curve",
        "made_0: 2 references for 3 parameters; record 3 or more, better one more to see its residual",
    ),
    (
        [20.0, 22.0, 24.0],
        "line",
        "made_2: the references lie too close together: 4.0 K apart, 1 distinct; spread 2 or more over 15 K",
    ),
]


@pytest.mark.parametrize(("temperatures", "form", "line"), BAD)
def test_references_that_cannot_carry_a_scale(temperatures, form, line):
    with pytest.raises(InputError) as caught:
        calibrate(references(temperatures), form)
    assert str(caught.value) == line


def test_a_response_that_is_not_monotonic():
    refs = references([0.0, 30.0, 60.0])
    swapped = [refs[0], refs[2], refs[1]]
    wrong = [replace(r, true_c=t) for r, t in zip(swapped, (0.0, 30.0, 60.0), strict=True)]
    with pytest.raises(InputError, match=r"the response is not monotonic: .* at 60 C follows .* at 30 C"):
        calibrate(wrong, "line")


def test_a_profile_is_written_and_read_back(tmp_path: Path):
    found = calibrate(references([0.0, 30.0, 60.0]), "curve", fills_picture=True)
    profile = CameraProfile("made", "for a test", ROWS, COLUMNS, scale=found.scale, pixels=found.pixels,
                            pixel_offset_k=found.pixel_offset_k)  # fmt: skip
    path = write_profile(tmp_path / "made.json", profile)
    again = open_profile(path)
    assert again.scale.c == pytest.approx(found.scale.c, rel=1e-8)
    assert again.pixel_offset_k == pytest.approx(found.pixel_offset_k, abs=1e-5)
    assert profile_document(again)["scale"] == profile_document(profile)["scale"]
    with pytest.raises(InputError, match="exists already"):
        write_profile(path, profile)


def test_a_profile_of_another_resolution():
    found = calibrate(references([0.0, 30.0, 60.0]), "curve", fills_picture=True)
    profile = CameraProfile("made", "", ROWS, COLUMNS, scale=found.scale, pixels=found.pixels, path="made.json")
    with pytest.raises(InputError) as caught:
        check_resolution(profile, 120, 160, path="faulty.tiff")
    assert str(caught.value) == (
        "made.json: is for 32 x 24 pixels, the recording has 160 x 120; calibrate the camera as it recorded faulty.tiff"
    )


SCALE = {"date": "2026-01-05", "method": "made", "form": "line", "error_k": 0.2, "from_c": 0, "to_c": 98,
         "scale_k_per_count": 0.02, "offset_k": 200}  # fmt: skip


@pytest.mark.parametrize(
    ("change", "line"),
    [
        ({"form": "cubic"}, "p.json: scale, form: 'cubic' is not one of line, shown, curve"),
        ({"offset_k": None}, "p.json: scale: form 'line' has no offset_k; see calibration/README.md"),
        ({"error_k": -1}, "p.json: scale, error_k: -1 is outside 0 to 100; check the value and its unit"),
        (
            {"references": [[0, 5000], [40, 4000]]},
            "p.json: scale, references: the response is not monotonic: 4000 at 40 C follows 5000; calibrate again "
            "inside one range of the camera",
        ),
    ],
)
def test_broken_profiles_are_refused_in_one_line(change, line):
    with pytest.raises(InputError) as caught:
        profile_from({"name": "p", "scale": {**SCALE, **change}}, path="p.json")
    assert str(caught.value) == line
