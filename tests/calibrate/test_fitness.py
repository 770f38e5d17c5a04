"""Films that are unfit to calibrate by: too short, at an end of the range, uneven, unsteady; and less of that."""

import numpy as np
import pytest

from thermscan.calibrate.fitness import check_one_temperature, check_range, measure_drift, measure_steadiness
from thermscan.calibrate.noise import calibrate_noise, noise_notes
from thermscan.calibrate.region import Box
from thermscan.calibrate.temperature import calibrate_temperature, measure_reference
from thermscan.model.errors import InputError
from thermscan.model.recording import Recording
from thermscan.model.settings import CalibrationSettings

SETTINGS = CalibrationSettings()
ROWS, COLUMNS = 30, 40
WHOLE = Box(0, 0, COLUMNS, ROWS)
ACROSS = np.linspace(-0.5, 0.5, COLUMNS)


def film(level, *, slope=0.0, drift=0.0, frames=60, noise=0.05, seed=1, unit="celsius", top=np.inf):
    """Frames of one level with a slope across the picture and a drift over the time, K from end to end."""
    random = np.random.default_rng(seed)
    cube = level + slope * ACROSS + drift * np.linspace(-0.5, 0.5, frames)[:, None, None]
    cube = cube + random.normal(0, noise, (frames, ROWS, COLUMNS))
    return Recording.from_array(np.minimum(cube, top).astype(np.float32), np.arange(frames) / 6, unit=unit)


def scale(*recordings, **options):
    refs = [measure_reference(r, t, 0.3, box=WHOLE) for r, t in zip(recordings, (0.0, 60.0), strict=True)]
    return calibrate_temperature(refs, form="shown", date="2026-01-05", method="made", settings=SETTINGS, **options)


def test_a_steady_even_reference_keeps_its_stated_uncertainty():
    found = scale(film(0.0), film(60.0, seed=2))
    assert found.notes == ()
    assert [r.error_k for r in found.references] == pytest.approx([0.3, 0.3], abs=0.002)


def test_a_slope_and_a_drift_widen_the_uncertainty_and_are_said():
    plain = scale(film(0.0), film(60.0, seed=2)).scale.error_k
    sloped = scale(film(0.0), film(60.0, slope=4.0))
    drifting = scale(film(0.0), film(60.0, drift=4.0))
    # the deviation of an even slope of 4 K is 4 / sqrt(12), of the medians of its thirds a little less
    assert sloped.references[1].error_k == pytest.approx(np.hypot(0.3, 4 * np.sqrt(2 / 27)), rel=0.05)
    assert drifting.references[1].error_k == pytest.approx(np.hypot(0.3, 4 / np.sqrt(12)), rel=0.05)
    assert min(sloped.scale.error_k, drifting.scale.error_k) > 1.5 * plain
    assert "not quite even or steady, so that its standard uncertainty is 1.1" in sloped.notes[0]


def test_counts_are_judged_in_kelvin():
    refs = [measure_reference(film(7000, unit="count", noise=5), 0.0, 0.3, box=WHOLE),
            measure_reference(film(8500, unit="count", noise=5, slope=100), 60.0, 0.3, box=WHOLE)]  # fmt: skip
    found = calibrate_temperature(refs, form="line", date="2026-01-05", method="made", settings=SETTINGS)
    assert found.references[1].error_k == pytest.approx(np.hypot(0.3, 4 * np.sqrt(2 / 27)), rel=0.05)


@pytest.mark.parametrize(
    ("warm", "line"),
    [
        ({"frames": 3}, "made: holds 3 frames: fewer than 8 tell neither noise nor drift; record ten seconds"),
        ({"slope": 12.0}, "made: the reference is not even: 8."),
        ({"drift": 8.0}, "made: the reference drifts: it changes by 7."),
        ({"top": 60.02}, "pixels of the box are stuck at the highest value, 60.02 C; choose a hotter range"),
    ],
)
def test_unfit_references_are_refused_in_one_line(warm, line):
    with pytest.raises(InputError) as caught:
        scale(film(0.0), film(60.0, **warm))
    assert line in str(caught.value)


def test_what_one_reference_shows_alone_is_not_the_cameras():
    vignette = {"slope": 4.0}
    assert scale(film(0.0, **vignette), film(60.0, **vignette), fills_picture=True).pixel_offset_k is not None
    small = [measure_reference(r, t, 0.3, box=Box(15, 10, 25, 20)) for r, t in
             ((film(0.0), 0.0), (film(60.0, slope=14.0), 60.0))]  # fmt: skip
    with pytest.raises(InputError, match=r"does not fill the picture evenly: 9.* that the other references"):
        calibrate_temperature(
            small, form="shown", date="2026-01-05", method="made", fills_picture=True, settings=SETTINGS
        )


def test_a_pattern_of_pixels_is_not_uneven():
    pattern = np.random.default_rng(4).normal(0, 0.5, (ROWS, COLUMNS))
    frames = 30 + pattern + np.random.default_rng(5).normal(0, 0.05, (20, ROWS, COLUMNS))
    found = measure_steadiness(Recording.from_array(frames, np.arange(20) / 6), WHOLE, settings=SETTINGS)
    assert check_one_temperature(found, 1.0, "the box", path="", settings=SETTINGS) < 0.1


def test_values_rounded_to_coarse_steps_are_not_at_the_end_of_the_range():
    frames = np.round(film(30.0, noise=0.05).store.read(0, 20), 1)
    check_range(Recording.from_array(frames, np.arange(20) / 6), WHOLE)


def test_a_blank_frame_is_refused_in_one_line():
    frames = film(30.0).store.read(0, 60).copy()
    frames[20] = np.nan
    with pytest.raises(InputError, match=r"holds a number in every frame; choose another box, or leave frames out"):
        measure_steadiness(Recording.from_array(frames, np.arange(60) / 6), WHOLE, settings=SETTINGS)


def test_drift_of_a_whole_picture():
    assert measure_drift(film(40.0, slope=20.0, drift=1.0), settings=SETTINGS) == pytest.approx(0.29, abs=0.02)
    with pytest.raises(InputError, match="the picture drifts"):
        measure_drift(film(40.0, drift=8.0), settings=SETTINGS)


def test_noise_of_a_plate_that_warms_is_refused_or_said():
    with pytest.raises(InputError, match=r"the scene is not steady: it changes by 7.* K while it is filmed"):
        calibrate_noise(film(30.0, drift=8.0), date="2026-01-05", method="made")
    with pytest.raises(InputError, match="stuck at the highest value"):
        calibrate_noise(film(30.0, top=30.02), date="2026-01-05", method="made")
    warming = film(30.0, drift=1.0)
    few, drift = noise_notes(warming, calibrate_noise(warming, date="2026-01-05", method="made"))
    assert few == "60 frames only: the noise of whole frames is known to ± 18 %; record a hundred or more"
    assert drift.startswith("What whole frames share is mostly drift")
    steady = film(30.0, frames=120)
    assert noise_notes(steady, calibrate_noise(steady, date="2026-01-05", method="made")) == ()
