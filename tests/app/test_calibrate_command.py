"""The calibrate command from files to profile and page, and its one-line refusals."""

import json

import numpy as np
import pytest
from click.testing import CliRunner

from thermscan.app.cli import command
from thermscan.measure.radiometry import View, reading_of
from thermscan.read.profile import open_profile
from thermscan.read.surface_table import open_surfaces

ROWS, COLUMNS = 40, 60


def run(*words):
    return CliRunner().invoke(command, [str(word) for word in words])


def even(folder, name, level, *, noise=0.05, frames=20):
    picture = level + np.random.default_rng(len(name)).normal(0, noise, (frames, ROWS, COLUMNS))
    np.save(folder / f"{name}.npy", picture)
    return folder / f"{name}.npy"


def test_a_shown_scale_from_ice_a_platinum_log_and_boiling_water(tmp_path):
    files = [even(tmp_path, n, 1.5 + 0.98 * t) for n, t in (("ice", 0.0), ("warm", 50.0), ("boil", 98.21))]
    log = tmp_path / "pt.csv"
    log.write_text("time,ohm\n0,119.40\n1,119.39\n2,119.40\n", encoding="utf-8")
    out = tmp_path / "cam.json"
    words = ["--unit", "celsius", "--true", "ice", "--true", log, "--true", "boil:95.1", "--sensor", "pt100"]
    said = run("calibrate", "temperature", *files, *words, "--date", "2026-01-05", "--out", out)
    assert said.exit_code == 0, said.output
    assert (tmp_path / "cam.png").read_bytes().startswith(b"\x89PNG")
    profile = open_profile(out)
    assert profile.scale.form == "shown"
    assert profile.scale.date == "2026-01-05"
    assert profile.scale.scale_k_per_count == pytest.approx(1 / 0.98, rel=2e-3)
    assert profile.scale.offset_k == pytest.approx(-1.5 / 0.98, abs=0.05)
    looked = run("look", files[1], "--unit", "celsius", "--camera", out, "--no-sheets", "--json")
    assert looked.exit_code == 0, looked.output
    assert json.loads(looked.stdout)[0]["highest"] == pytest.approx(50.2, abs=0.15)


def test_sections_add_up_in_one_profile(tmp_path):
    plate = even(tmp_path, "plate", 30.0, frames=60)
    first, second = tmp_path / "a.json", tmp_path / "b.json"
    assert run("calibrate", "noise", plate, "--unit", "celsius", "--out", first).exit_code == 0
    marks = [word for m in ("1,1,10,10", "50,1,500,12", "51,38,505,390", "2,37,14,380") for word in ("--mark", m)]
    said = run("calibrate", "pair", *marks, "--into", first, "--out", second)
    assert said.exit_code == 0, said.output
    both = open_profile(second)
    assert both.noise.netd_mk == pytest.approx(50.0, rel=0.02)
    assert len(both.pairing.matrix) == 3


def test_a_surface_beside_tape_joins_the_table(tmp_path):
    picture = np.full((ROWS, COLUMNS), 22.0)
    picture[:20, :30] = float(reading_of(60.0, View(0.62, 22.0)))
    picture[:20, 30:] = float(reading_of(60.0, View(0.95, 22.0)))
    np.save(tmp_path / "plate.npy", picture + np.random.default_rng(1).normal(0, 0.02, (10, ROWS, COLUMNS)))
    words = ["--surface", "2,2,28,18", "--tape", "32,2,58,18", "--foil", "5,25,55,38", "--name", "old_brass"]
    out = tmp_path / "surfaces.json"
    said = run("calibrate", "surface", tmp_path / "plate.npy", *words, "--unit", "celsius", "--out", out,
               "--date", "2026-01-05")  # fmt: skip
    assert said.exit_code == 0, said.output
    table = open_surfaces(out)
    assert table[0].source == "measured 2026-01-05, recording plate"
    assert table[0].name == "old_brass"
    assert table[0].low < 0.62 < table[0].high
    assert len(table) > 10


def test_the_reflected_temperature_on_foil(tmp_path):
    said = run("calibrate", "reflected", even(tmp_path, "foil", 24.6), "--foil", "10,10,40,30", "--unit", "celsius")
    assert said.exit_code == 0, said.output
    assert "use it with --reflected 24.60" in said.output


def test_reflected_and_map_refuse_what_is_too_short_or_drifts(tmp_path):
    short, cold = even(tmp_path, "short", 24.0, frames=3), even(tmp_path, "cold", 24.0)
    warm = even(tmp_path, "warm", 55.0 + np.linspace(0, 8, 20)[:, None, None])
    said = run("calibrate", "reflected", short, "--foil", "10,10,40,30", "--unit", "celsius")
    assert (said.exit_code, said.output.count("\n")) == (2, 1)
    assert "holds 3 frames" in said.output
    words = ["--true", "24", "--true", "55", "--unit", "celsius", "--out", tmp_path / "e.tiff"]
    for films, line in (((cold, short), "holds 3 frames"), ((cold, warm), "the picture drifts: it changes by 7.")):
        said = run("calibrate", "map", *films, *words)
        assert said.exit_code == 2
        assert line in said.output
    assert not (tmp_path / "e.tiff").exists()


def test_a_map_from_two_temperatures(tmp_path):
    e = np.full((ROWS, COLUMNS), 0.9)
    e[10:20, 10:30] = 0.3
    for name, true_c in (("cold", 24.0), ("warm", 55.0)):
        shown = np.where(
            e > 0.5, float(reading_of(true_c, View(0.9, 22.0))), float(reading_of(true_c, View(0.3, 22.0)))
        )
        np.save(tmp_path / f"{name}.npy", shown + np.random.default_rng(2).normal(0, 0.02, (10, ROWS, COLUMNS)))
    words = ["--true", "24", "--true", "55", "--error", "0.1", "--unit", "celsius", "--out", tmp_path / "e.tiff"]
    said = run("calibrate", "map", tmp_path / "cold.npy", tmp_path / "warm.npy", *words)
    assert said.exit_code == 0, said.output
    import tifffile

    assert tifffile.imread(tmp_path / "e.tiff", key=0) == pytest.approx(e, abs=0.01)


@pytest.mark.parametrize(
    ("words", "line"),
    [
        (["temperature", "ice.npy", "--true", "0", "--true", "50"], "--true: 2 true temperatures for 1 recordings"),
        (["temperature", "ice.npy", "--true", "ice"], "1 reference for 2 parameters"),
        (["temperature", "ice.npy", "--true", "boil:20"], "--true: 20 kPa is no pressure of air"),
        (["optics", "ice.npy", "--box", "0,0,400,20"], "--box: 0,0,400,20 is no box inside 60 x 40 pixels"),
        (
            ["surface", "ice.npy", "--surface", "0,0,9,9", "--true", "60", "--reflected", "22", "--name", "../x"],
            "--name: '../x' is no single word; use letters, digits, _ and - only",
        ),
        (
            ["temperature", "ice.npy", "--true", "0", "--band", "14,8"],
            "--band: band: ends before it begins; give low_um below high_um",
        ),
        (["optics", "ice.npy", "--box", "0,0,40,30", "--slit", "35"], "a slit of 35 px does not fit this box"),
        (["temperature", "short.npy", "--true", "0"], "short.npy: holds 3 frames: fewer than 8 tell neither noise"),
        (["noise", "short.npy"], "short.npy: holds 3 frames: fewer than 8 tell neither noise nor drift"),
        (["optics", "along.npy", "--box", "5,5,55,35"], "along.npy: the edge runs along the pixels (0.0 degrees)"),
        (
            ["surface", "along.npy", "--surface", "5,5,55,35", "--true", "60", "--reflected", "22", "--name", "brass"],
            "along.npy: the box --surface is not even: 20.0 K from its coolest to its warmest part",
        ),
        (["lens", "ice.npy", "--grid", "nine"], "--grid: 'nine' is not COLUMNSxROWS; for example 9x7"),
    ],
)
def test_bad_input_is_refused_in_one_line(tmp_path, words, line):
    even(tmp_path, "ice", 0.0)
    even(tmp_path, "short", 0.0, frames=3)
    even(tmp_path, "along", 30.0 + 10.0 * np.tanh((np.arange(COLUMNS) - 30.3) / 1.2))
    given = [tmp_path / w if str(w).endswith(".npy") else w for w in words]
    said = run("calibrate", *given, "--unit", "celsius", "--out", tmp_path / "cam.json")
    assert said.exit_code == 2
    assert line in said.output
    assert not (tmp_path / "cam.json").exists()
