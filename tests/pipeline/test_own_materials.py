"""What lies in the user's own folder goes before what comes along: surfaces, profiles and plate materials."""

import json

import pytest

from thermscan.app.opening import open_settings, profile_folders
from thermscan.model.errors import InputError
from thermscan.model.settings import Settings
from thermscan.pipeline.camera import through_profile
from thermscan.read.data_folder import data_folder
from thermscan.read.surface_table import open_surfaces


@pytest.fixture
def own(tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    folder = tmp_path / "thermscan"
    folder.mkdir()
    return folder


def shipped(name):
    return json.loads((data_folder("calibration") / name).read_text(encoding="utf-8"))


def test_without_an_own_file_the_settings_stand(own):
    assert open_settings() == Settings()


def test_own_materials_go_first(own):
    table = shipped("materials.json")
    laminate = table["materials"]["woven glass epoxy laminate"]
    laminate |= {"along_w_per_m_k": 1.6, "along_w_per_m_k_95": [1.2, 2.0], "j_per_cm3_k": 2.0,
                 "j_per_cm3_k_95": [1.9, 2.1]}  # fmt: skip
    (own / "materials.json").write_text(json.dumps(table), encoding="utf-8")
    plate = open_settings().plate
    assert plate.laminate_along_w_per_m_k == 1.6
    assert plate.capacity_error == pytest.approx(0.05)
    assert plate.copper_w_per_m_k == Settings().plate.copper_w_per_m_k


def test_a_broken_own_table_is_refused_in_one_line(own):
    path = own / "materials.json"
    path.write_text('{"materials": {"copper": {"source": "x"}}}', encoding="utf-8")
    with pytest.raises(InputError, match="material copper: along_w_per_m_k: is missing, or its 95 % interval is"):
        open_settings()
    path.write_text('{"materials": {"copper": 3}}', encoding="utf-8")
    with pytest.raises(InputError, match="material copper: is no object"):
        open_settings()


def test_own_surfaces_go_first(own):
    table = shipped("surfaces.json")
    table["surfaces"] = {"old_brass": {**table["surfaces"]["paint"], "words": ["brass"]}}
    (own / "surfaces.json").write_text(json.dumps(table), encoding="utf-8")
    assert [s.name for s in open_surfaces()] == ["old_brass"]


def test_own_profiles_go_first(own):
    import numpy as np

    from thermscan.model.recording import Facts, Recording

    profile = {**shipped("invented_camera.json"), "about": "my own"}
    (own / "invented_camera.json").write_text(json.dumps(profile), encoding="utf-8")
    recording = Recording.from_array(np.full((1, 120, 160), 25.0), None, facts=Facts(camera="invented_camera"))
    assert through_profile(recording, None, folders=profile_folders()).profile.about == "my own"
