"""Profiles named by the sidecar or on the command line reach the recording."""

import json
from dataclasses import replace

import numpy as np
import pytest
from click.testing import CliRunner

from thermscan.app.cli import command
from thermscan.measure.radiometry_camera import with_profile
from thermscan.model.camera_profile import CameraProfile, NoiseSection, OpticsSection, PixelSection
from thermscan.model.errors import InputError
from thermscan.model.recording import Facts, Recording
from thermscan.model.settings import Settings
from thermscan.pipeline.camera import through_profile
from thermscan.pipeline.prepare import prepare
from thermscan.read.data_folder import data_folder
from thermscan.write.profile_file import write_profile

SHAPE = (6, 120, 160)


def recording(**facts):
    return Recording.from_array(np.full(SHAPE, 25.0), np.arange(6.0), facts=Facts(**facts))


def test_a_profile_is_found_by_the_name_in_the_sidecar():
    folders = (str(data_folder("calibration")),)
    found = through_profile(recording(camera="invented_camera"), None, folders=folders)
    assert found.profile.name == "invented_camera"
    assert found.profile.optics.blur_px == 0.7
    assert through_profile(recording(), None, folders=folders).profile is None


def test_the_command_line_goes_first_and_pixels_are_applied(tmp_path):
    offset = np.zeros(SHAPE[1:])
    offset[3, 4] = 2.5
    profile = CameraProfile("own", "", 120, 160, pixels=PixelSection("2026-01-05", "made", 0.1, ((7.0, 8.0),)),
                            pixel_offset_k=offset)  # fmt: skip
    path = write_profile(tmp_path / "own.json", profile)
    found = through_profile(recording(camera="invented_camera"), str(path), folders=())
    frame = found.store.read(0, 1)[0]
    assert frame[3, 4] == pytest.approx(22.5)
    assert np.isnan(frame[7, 8])
    assert np.isfinite(frame).sum() == frame.size - 1


def test_another_resolution_is_refused(tmp_path):
    profile = CameraProfile("own", "", 240, 320, optics=OpticsSection("2026-01-05", "made", 0.7, 0.1, 3.4))
    path = write_profile(tmp_path / "own.json", profile)
    with pytest.raises(InputError, match="is for 320 x 240 pixels, the recording has 160 x 120"):
        through_profile(recording(), str(path), folders=())


def test_look_scales_counts_by_the_profile_named_in_the_sidecar(tmp_path):
    counts = np.random.default_rng(2).normal(4900, 3, SHAPE).round().astype(np.uint16)
    np.save(tmp_path / "r.npy", counts)
    (tmp_path / "r.json").write_text(json.dumps({"unit": "count", "camera": "invented_camera", "frame_rate_hz": 9.0}))
    said = CliRunner().invoke(command, ["look", str(tmp_path / "r.npy"), "--no-sheets", "--json"])
    assert said.exit_code == 0, said.output
    report = json.loads(said.stdout)[0]
    assert report["unit"] == "celsius"
    assert report["highest"] == pytest.approx(200 + 0.02 * counts.max() - 273.15, abs=0.1)


def test_a_single_frame_takes_its_noise_from_the_profile():
    texture = np.random.default_rng(3).normal(25.0, 0.4, (1, 60, 80))  # fine copper pattern, say: no noise at all
    section = NoiseSection("2026-01-05", "made", 45.0, 0.1, 6.0, 4.0, 0.0, 60.0, 0.0, 0.0)
    bare = Recording.from_array(texture, None)
    profile = CameraProfile("own", "", 60, 80, noise=section)
    alone, told = (prepare(r, settings=Settings()).camera for r in (bare, replace(bare, profile=profile)))
    assert alone.noise_median == pytest.approx(0.4, rel=0.1)
    assert told.noise_median == pytest.approx(np.hypot(0.045, 0.060))
    corrected = replace(profile, pixels=PixelSection("2026-01-05", "made", 0.01), pixel_offset_k=np.zeros((60, 80)))
    assert prepare(replace(bare, profile=corrected), settings=Settings()).camera.noise_median == pytest.approx(0.045)


def test_bad_pixels_of_the_profile_are_left_out_of_counts_too():
    counts = Recording.from_array(np.full((3, 120, 160), 5000.0), None, unit="count")
    profile = CameraProfile("own", "", 120, 160, pixels=PixelSection("2026-01-05", "made", 0.1, ((7.0, 8.0),)),
                            pixel_offset_k=np.ones((120, 160)))  # fmt: skip
    frame = with_profile(counts, profile).store.read(0, 1)[0]
    assert np.isnan(frame[7, 8])
    assert frame[0, 0] == 5000.0  # offsets are kelvin
