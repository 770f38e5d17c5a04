"""Who may import whom, and who may touch files: the rules of the package, checked from its syntax trees."""

import ast
from pathlib import Path

import pytest

import thermscan

PACKAGE = Path(thermscan.__file__).parent
# package -> packages of thermscan that it may import, beside itself
ALLOWED = {
    "model": set(),
    "physics": {"model"},
    "read": {"model"},
    "measure": {"model", "physics"},
    "find": {"model", "physics"},
    "explain": {"model", "physics"},
    "show": {"model"},
    "write": {"model"},
    "simulate": {"model", "physics"},
    "calibrate": {"model", "physics", "measure"},
    "case": {"model", "show"},
    "pipeline": {"model", "physics", "read", "measure", "find", "explain", "calibrate"},
    "app": {"model", "physics", "read", "show", "write", "pipeline", "simulate", "case", "calibrate"},
}
# Siblings stand alone, except within one noun: modules that share their first word.
STAGES = ("measure", "find")
# Nouns that are cut into modules whose names do not share a word.
ONE_NOUN = {
    "measure": [{"noise", "bad_pixels", "camera_steps"}, {"placement", "track"}],
    "find": [],
}
SIMULATOR_PHYSICS = {"thermscan.physics.radiation"}
OPENERS = {"read", "write", "show", "case", "calibrate", "app"}
DRAWERS = {"show"}
FILE_CALLS = {"open", "read_text", "read_bytes", "write_text", "write_bytes", "imread", "imwrite", "loadtxt", "savetxt"}


def modules():
    return sorted(p for p in PACKAGE.rglob("*.py") if p.parent != PACKAGE and "_data" not in p.parts)


def imports_of(path):
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            yield node.module
            if node.module and node.module.startswith("thermscan") and node.module.count(".") == 1:
                yield from (f"{node.module}.{alias.name}" for alias in node.names)


def name_of(path):
    return str(path.relative_to(PACKAGE))


@pytest.mark.parametrize("path", modules(), ids=name_of)
def test_packages_import_only_what_stands_before_them(path):
    package = path.relative_to(PACKAGE).parts[0]
    for name in imports_of(path):
        if not name.startswith("thermscan."):
            continue
        other = name.split(".")[1]
        assert other == package or other in ALLOWED[package], f"{package} may not import {name}"
        if package == "simulate" and other == "physics":
            assert name in SIMULATOR_PHYSICS, "the simulator shares no physics with what it is used to judge"


def same_noun(package, a, b):
    return a.split("_")[0] == b.split("_")[0] or any({a, b} <= group for group in ONE_NOUN[package])


@pytest.mark.parametrize("path", [p for p in modules() if p.parent.name in STAGES], ids=name_of)
def test_stages_do_not_call_each_other(path):
    package = path.parent.name
    for name in imports_of(path):
        pieces = name.split(".")
        if pieces[:2] == ["thermscan", package] and len(pieces) > 2:
            assert same_noun(package, path.stem, pieces[2]), f"{path.stem} and {pieces[2]} are two nouns"


@pytest.mark.parametrize("path", modules(), ids=name_of)
def test_libraries_stay_where_they_belong(path):
    package = path.relative_to(PACKAGE).parts[0]
    for name in imports_of(path):
        top = name.split(".")[0]
        assert top != "matplotlib" or package in DRAWERS, "matplotlib is for show alone"
        assert top != "click" or package == "app", "click is for app alone"
        assert top not in {"pickle", "marshal", "shelve"}, "files from others are never executed"


@pytest.mark.parametrize("path", [p for p in modules() if p.relative_to(PACKAGE).parts[0] not in OPENERS], ids=name_of)
def test_files_are_touched_only_at_the_ends(path):
    if "simulate" in path.parts and path.stem == "case_file":
        return  # writes made cases for people to try
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Call):
            called = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
            assert called not in FILE_CALLS, f"line {node.lineno}: {called} outside of {', '.join(sorted(OPENERS))}"


def test_no_module_outgrows_its_noun():
    too_long = {name_of(p): n for p in modules() if (n := len(p.read_text(encoding="utf-8").splitlines())) > 500}
    assert not too_long


def test_no_grab_bag_modules():
    assert not {p.stem for p in modules()} & {"utils", "util", "misc", "helpers", "common", "tools"}


def test_no_global_random_generator():
    for path in modules():
        text = path.read_text(encoding="utf-8")
        assert "np.random.seed" not in text
        assert "np.random.rand" not in text
