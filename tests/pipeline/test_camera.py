"""Profiles named by the sidecar or on the command line reach the recording."""

import json

import numpy as np
import pytest
from click.testing import CliRunner

from thermscan.app.cli import command
from thermscan.model.camera_profile import CameraProfile, OpticsSection, PixelSection
from thermscan.model.errors import InputError
from thermscan.model.recording import Facts, Recording
from thermscan.pipeline.camera import through_profile
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
