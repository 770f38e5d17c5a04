"""The profile and the surface table that come along, and a reference thermometer's log."""

import numpy as np
import pytest

from thermscan.calibrate.optics import smallest_width_px
from thermscan.calibrate.reference import of_boiling, of_ice, of_readings
from thermscan.model.errors import InputError
from thermscan.read.data_folder import data_folder
from thermscan.read.formats import OpenOptions, open_recording
from thermscan.read.profile import open_profile
from thermscan.read.reference_log import open_reference_log
from thermscan.read.surface_table import open_surfaces


def test_the_example_profile_is_sound():
    profile = open_profile(data_folder("calibration") / "invented_camera.json")
    scale = profile.scale
    for true_c, count in scale.references:
        assert abs(scale.offset_k + scale.scale_k_per_count * count - 273.15 - true_c) <= scale.residual_k
    assert profile.optics.smallest_px == pytest.approx(smallest_width_px(profile.optics.blur_px), abs=0.1)
    assert "invented" in profile.about


def test_the_example_profile_scales_counts(tmp_path):
    counts = np.random.default_rng(1).integers(4600, 4900, (5, 120, 160)).astype(np.uint16)
    np.save(tmp_path / "r.npy", counts)
    path = str(data_folder("calibration") / "invented_camera.json")
    opened = open_recording(tmp_path / "r.npy", options=OpenOptions(unit="count", camera=path))
    assert opened.unit == "celsius"
    assert opened.store.read(0, 1)[0] == pytest.approx(200 + 0.02 * counts[0] - 273.15, abs=1e-3)


# Handbook and practice ranges that the table's values must lie in; where from stands in its own source column.
RANGES = {"solder_mask": (0.85, 0.95), "laminate": (0.85, 0.94), "plastic": (0.85, 0.95), "copper": (0.02, 0.15),
          "tin": (0.04, 0.10), "gold": (0.02, 0.05), "aluminium": (0.03, 0.12), "anodised": (0.75, 0.88),
          "tape": (0.93, 0.97), "paint": (0.89, 0.97)}  # fmt: skip


def test_surfaces_lie_in_handbook_ranges():
    table = {s.name: s for s in open_surfaces(data_folder("calibration") / "surfaces.json")}
    for name, (low, high) in RANGES.items():
        assert low <= table[name].emissivity <= high, name
    for surface in table.values():
        assert surface.source, surface.name
        assert surface.readable == (surface.emissivity >= 0.6), surface.name


@pytest.mark.parametrize(
    ("text", "values", "times"),
    [
        ("time,ohm\n0,119.40\n1.5,119.41\n", [119.40, 119.41], [0.0, 1.5]),
        ("time,ohm\n0,119\n1,118\n", [119.0, 118.0], [0.0, 1.0]),
        ("zeit;wert\n0;119,40\n1;119,41\n", [119.40, 119.41], [0.0, 1.0]),
        ("# logger\n4.096\n4.095\n", [4.096, 4.095], None),
    ],
)
def test_logs(tmp_path, text, values, times):
    (tmp_path / "log.csv").write_text(text, encoding="utf-8")
    log = open_reference_log(str(tmp_path / "log.csv"))
    assert log.value.tolist() == values
    assert (None if log.time_s is None else log.time_s.tolist()) == times


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ("nothing here\n", "holds no reading; give TIME,VALUE or VALUE a line"),
        (
            "119,40\n119,41\n",
            "a comma between whole numbers is ambiguous: time and value 119 and 40, or one decimal number; use decimal "
            "points, or semicolons between the columns",
        ),
        ("0,1\nbroken\n", "row 2: 'broken' is no reading; give TIME,VALUE or VALUE a line"),
        ("0,1\n1,2,3\n", "row 2: '1,2,3' is no reading; give TIME,VALUE or VALUE a line"),
    ],
)
def test_broken_logs(tmp_path, text, line):
    path = tmp_path / "log.csv"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(InputError) as caught:
        open_reference_log(str(path))
    assert str(caught.value) == f"{path}: {line}"


def test_readings_become_temperatures():
    found = of_readings(np.array([119.40, 119.40, 119.39]), "pt100", path="log.csv")
    assert found.value_c == pytest.approx(50.0, abs=0.02)
    assert found.error_k == pytest.approx(0.55 / np.sqrt(3), abs=0.01)  # class B at 50 C: 0.55 K
    assert of_readings(np.array([4.096]), "k", path="log.csv").value_c == pytest.approx(100.0, abs=0.02)
    assert of_readings(np.array([50.2]), "celsius", path="x", error_k=0.1).error_k == pytest.approx(0.1)
    assert of_ice().value_c == 0.0
    assert of_boiling(95.0).value_c == pytest.approx(98.178, abs=2e-3)


def test_readings_of_another_sensor_are_refused():
    with pytest.raises(InputError) as caught:
        of_readings(np.array([4.1]), "pt100", path="log.csv")
    assert str(caught.value) == "log.csv: 4.1 ohm is no reading of sensor pt100; check --sensor and the unit"
