"""The wheel: built, installed alone in an empty environment, its data found, its demo command there."""

import json
import os
import subprocess
import sys
import sysconfig
import tomllib
import venv
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent


@pytest.fixture(scope="module")
def installed(tmp_path_factory):
    """Build the wheel and install it without dependencies; return the environment's Python and site-packages."""
    work = tmp_path_factory.mktemp("wheel")
    build = [sys.executable, "-m", "build", "--wheel", "--no-isolation", "--outdir", str(work), str(ROOT)]
    subprocess.run(build, check=True, capture_output=True, text=True)
    (wheel,) = work.glob("thermscan-*.whl")
    home = work / "environment"
    venv.create(home, with_pip=False, symlinks=True)
    python = home / "bin" / "python"
    target = next(home.glob("lib/python*/site-packages"))
    install = [sys.executable, "-m", "pip", "install", "--no-deps", "--quiet", "--target", str(target), str(wheel)]
    subprocess.run(install, check=True, capture_output=True, text=True)
    return python, target


def run_there(installed, code):
    """Run code in the empty environment; the libraries are lent to it by path, the package is its own."""
    python, _ = installed
    environment = {**os.environ, "PYTHONPATH": sysconfig.get_paths()["purelib"]}
    done = subprocess.run(
        [python, "-P", "-c", code], check=False, capture_output=True, text=True, env=environment, cwd=python.parent
    )
    assert done.returncode == 0, done.stderr
    return done.stdout


def test_the_wheel_installs_nothing_but_the_package(installed):
    _, target = installed
    names = {p.name for p in target.iterdir() if not p.name.startswith(("__pycache__", "bin"))}
    assert {n.split("-")[0] for n in names} == {"thermscan"}


def test_data_folders_come_along(installed):
    code = (
        "import thermscan, json; from thermscan.read.data_folder import data_folder;"
        "print(json.dumps([thermscan.__file__, str(data_folder('sample_frames')), str(data_folder('calibration'))]))"
    )
    package, samples, calibration = json.loads(run_there(installed, code))
    _, target = installed
    assert all(Path(p).is_relative_to(target) for p in (package, samples, calibration))
    assert (Path(samples) / "faulty.tiff").is_file()
    assert (Path(calibration) / "diagnosis.json").is_file()


def test_templates_and_tables_are_found_there(installed):
    code = (
        "from thermscan.read.surface_table import open_surfaces; from thermscan.read.prior_file import open_priors;"
        "from thermscan.show.mark_page import mark_page, thermal_picture; import numpy as np;"
        "assert open_surfaces() and open_priors();"
        "print(len(mark_page(thermal_picture(np.eye(9)), title='t', file_name='b.json')))"
    )
    assert int(run_there(installed, code)) > 5000


def test_the_demo_runs_from_the_wheel(installed, tmp_path):
    out = tmp_path / "demo"
    code = f"import sys; sys.argv = ['thermscan', 'demo', '--out', {str(out)!r}];"
    code += "from thermscan.app.start import main; main()"
    said = run_there(installed, code)
    result = json.loads((out / "result.json").read_text(encoding="utf-8"))
    assert result["suspects"][0]["ref"] in said
    assert {"overlay.png", "curves.png", "report.html", "report.pdf", "excess.tiff", "poses.npz"} <= {
        p.name for p in out.iterdir()
    }


def test_metadata_is_complete():
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    for key in ("name", "version", "description", "readme", "requires-python", "license", "authors", "classifiers"):
        assert project[key]
    names = [d.split(">")[0].split("[")[0] for d in project["dependencies"]]
    assert [n for n in names if n.startswith("opencv")] == ["opencv-python"]


def test_top_level_holds_only_what_belongs_there():
    listed = subprocess.run(["git", "ls-files"], check=False, cwd=ROOT, capture_output=True, text=True)
    if listed.returncode:
        pytest.skip("not a git checkout")
    allowed = {"README.md", "DEVELOPERS.md", "CHANGELOG.md", "LICENSE", "pyproject.toml"}
    allowed |= {"thermscan", "calibration", "tests", "sample_frames"}
    top = {line.split("/")[0] for line in listed.stdout.splitlines()}
    assert {t for t in top if not t.startswith(".")} == allowed


def test_sample_frames_stay_small():
    size = sum(p.stat().st_size for p in (ROOT / "sample_frames").rglob("*") if p.is_file())
    assert size < 6_000_000
