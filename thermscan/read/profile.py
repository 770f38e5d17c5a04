"""Camera profiles: JSON with a section for each thing measured, see calibration/README.md."""

from __future__ import annotations

import dataclasses
import itertools
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from thermscan.model.camera_profile import SCALE_FORMS, SECTIONS, BandSection, CameraProfile, PixelSection, ScaleSection
from thermscan.model.errors import InputError, check_choice, check_keys, check_number
from thermscan.read.text_file import check_list, check_object, check_word, read_json

VERSION = 1
KEYS = ("format_version", "name", "about", "rows", "columns", *SECTIONS)


def _table(value: object, *, path: str, place: str) -> tuple[tuple[float, ...], ...]:
    rows = []
    for i, row in enumerate(check_list(value, path=path, place=place, of="lists of numbers")):
        here = f"{place}, entry {i}"
        values = check_list(row, path=path, place=here, of="numbers")
        rows.append(tuple(check_number(v, (-1e12, 1e12), path=path, place=here) for v in values))
    return tuple(rows)


def _field_value(value: object, known: dataclasses.Field, *, path: str, place: str) -> object:
    """Return one value of a section, checked by what its field declares."""
    if value is None and known.default is not dataclasses.MISSING:
        return known.default
    if "limits" in known.metadata:
        return check_number(value, known.metadata["limits"], path=path, place=place)
    if str(known.type).startswith("tuple"):
        return _table(value, path=path, place=place)
    return value if value == "" else check_word(value, path=path, place=place)


def _section(name: str, value: object, *, path: str) -> object:
    kind = SECTIONS[name]
    fields = {f.name: f for f in dataclasses.fields(kind)}
    found = check_object(value, path=path, place=name, keys=", ".join(fields))
    check_keys(found, fields, path=path, place=name)
    values = {}
    for key, known in fields.items():
        if key in found:
            values[key] = _field_value(found[key], known, path=path, place=f"{name}, {key}")
        elif known.default is dataclasses.MISSING:
            raise InputError(path, name, f"has no {key}", f"give {', '.join(fields)}; see calibration/README.md")
    section = kind(**values)
    if isinstance(section, ScaleSection):
        _check_scale(section, path=path)
    return section


def _check_scale(scale: ScaleSection, *, path: str) -> None:
    """Refuse a scale that lacks what its form needs, or that does not grow with temperature."""
    check_choice(scale.form, tuple(SCALE_FORMS), path=path, place="scale, form")
    for key in SCALE_FORMS[scale.form]:
        if getattr(scale, key) is None:
            raise InputError(path, "scale", f"form {scale.form!r} has no {key}", "see calibration/README.md")
    pairs = sorted(scale.references)
    for (_, low), (high_c, high) in itertools.pairwise(pairs):
        if high <= low:
            problem = f"the response is not monotonic: {high:g} at {high_c:g} C follows {low:g}"
            raise InputError(path, "scale, references", problem, "calibrate again inside one range of the camera")


def _offsets(pixels: PixelSection, rows: int | None, columns: int | None, *, path: str) -> np.ndarray | None:
    """Read the offsets of the pixels beside the profile."""
    if not pixels.offset_file:
        return None
    if Path(pixels.offset_file).name != pixels.offset_file:
        raise InputError(path, "pixels, offset_file", "is a path", "give the bare name of a file beside the profile")
    beside = Path(path).with_name(pixels.offset_file)
    try:
        offsets = np.load(beside, allow_pickle=False)
    except (OSError, ValueError) as error:
        raise InputError(str(beside), "", f"cannot be read: {error}", "calibrate the pixels again") from None
    if offsets.ndim != 2 or (rows is not None and offsets.shape != (rows, columns)):
        shape = " x ".join(str(n) for n in offsets.shape[::-1])
        raise InputError(str(beside), "", f"holds {shape} pixels, the profile {columns} x {rows}", "calibrate again")
    return np.where(np.isfinite(offsets), offsets, 0.0)


def check_band(band: BandSection, *, path: str) -> BandSection:
    """Return the band if it is one; raises InputError where it ends before it begins or its response is impossible."""
    for value in (band.low_um, band.high_um):
        check_number(value, (0.7, 30.0), path=path, place="band", unit="um")
    if band.high_um <= band.low_um:
        raise InputError(path, "band", "ends before it begins", "give low_um below high_um")
    if not band.response:
        return band
    if any(len(pair) != 2 for pair in band.response):
        raise InputError(path, "band, response", "holds other than pairs", "give [micrometres, relative response]")
    waves, values = zip(*band.response, strict=True)
    if any(b <= a for a, b in itertools.pairwise(waves)) or min(values) < 0 or max(values) <= 0:
        problem = "wavelengths do not grow, or the response is negative or zero throughout"
        raise InputError(path, "band, response", problem, "give [micrometres, relative response], one growing")
    if waves[-1] <= band.low_um or waves[0] >= band.high_um:
        raise InputError(path, "band, response", "lies outside the band", "correct low_um and high_um")
    return band


def profile_from(values: Mapping[str, Any], *, path: str) -> CameraProfile:
    """Return the profile of a JSON object; raises InputError."""
    check_keys(values, KEYS, path=path)
    size: dict[str, int | None] = {}
    for key in ("rows", "columns"):
        known = values.get(key)
        size[key] = None if known is None else int(check_number(known, (1, 1e5), path=path, place=key, unit="px"))
    sections: dict[str, Any] = {
        name: _section(name, values[name], path=path) for name in SECTIONS if values.get(name) is not None
    }
    name = check_word(values.get("name") or Path(path).stem, path=path, place="name")
    profile = CameraProfile(name, str(values.get("about") or ""), size["rows"], size["columns"], path=path, **sections)
    if profile.band is not None:
        check_band(profile.band, path=path)
    if profile.pixels is not None:
        offsets = _offsets(profile.pixels, profile.rows, profile.columns, path=path)
        profile = dataclasses.replace(profile, pixel_offset_k=offsets)
    return profile


def open_profile(path: str | Path) -> CameraProfile:
    """Open a camera profile.

    Raises
    ------
    InputError
        For an unknown key, a missing one, a value outside its range, or a response that is not monotonic.
    """
    return profile_from(read_json(str(path)), path=str(path))


def check_resolution(profile: CameraProfile, rows: int, columns: int, *, path: str) -> None:
    """Refuse a profile whose pixels are others than those of a recording; raises InputError."""
    known = (profile.rows, profile.columns)
    if None in known or known == (rows, columns):
        return
    has_pixels = any(s is not None for s in (profile.pixels, profile.lens, profile.optics, profile.pairing))
    if has_pixels:
        problem = f"is for {profile.columns} x {profile.rows} pixels, the recording has {columns} x {rows}"
        raise InputError(profile.path or profile.name, "", problem, f"calibrate the camera as it recorded {path}")
