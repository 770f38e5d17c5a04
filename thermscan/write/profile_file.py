"""Camera profile to JSON, with the pixels' offsets in a NumPy file beside it."""

from __future__ import annotations

import dataclasses
import io
import json
import math
from pathlib import Path

import numpy as np

from thermscan.model.camera_profile import SECTIONS, CameraProfile
from thermscan.model.errors import InputError
from thermscan.write.folder import write_whole

VERSION = 1
DIGITS = 9


def _plain(value: object) -> object:
    if isinstance(value, tuple | list):
        return [_plain(item) for item in value]
    if isinstance(value, float | np.floating):
        return float(f"{float(value):.{DIGITS}g}") if math.isfinite(value) else None
    return value


def profile_document(profile: CameraProfile) -> dict[str, object]:
    """Return the values of a profile's JSON file; what was not measured is left out."""
    out: dict[str, object] = {"format_version": VERSION, "name": profile.name, "about": profile.about}
    out |= {"rows": profile.rows, "columns": profile.columns}
    for name in SECTIONS:
        section = getattr(profile, name)
        if section is not None:
            fields = dataclasses.fields(section)
            out[name] = {
                f.name: _plain(getattr(section, f.name)) for f in fields if getattr(section, f.name) is not None
            }
    return out


def write_profile(path: str | Path, profile: CameraProfile, *, force: bool = False) -> Path:
    """Write a profile, and its offsets beside it; raises InputError where a file exists and ``force`` is not set."""
    target = Path(path)
    if target.suffix != ".json":
        raise InputError(str(target), "", "is not named .json", "give the profile a name that ends in .json")
    if target.exists() and not force:
        raise InputError(str(target), "", "exists already", "give another name, or --force")
    if profile.pixel_offset_k is not None and profile.pixels is not None:
        name = f"{target.stem}_offset.npy"
        buffer = io.BytesIO()
        np.save(buffer, np.asarray(profile.pixel_offset_k, np.float32), allow_pickle=False)
        write_whole(target.with_name(name), buffer.getvalue())
        profile = dataclasses.replace(profile, pixels=dataclasses.replace(profile.pixels, offset_file=name))
    text = json.dumps(profile_document(profile), indent=1, ensure_ascii=False, allow_nan=False) + "\n"
    return write_whole(target, text.encode("utf-8"))
