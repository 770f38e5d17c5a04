"""Finds the profile of a recording's camera and applies it."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from thermscan.measure.radiometry_camera import with_profile
from thermscan.model.recording import Recording
from thermscan.read.profile import check_resolution, open_profile


def through_profile(recording: Recording, named: str | None, *, folders: Sequence[str]) -> Recording:
    """Apply the camera profile that is named on the command line, else the one that the sidecar names.

    Parameters
    ----------
    recording : Recording
    named : str or None
        Path of a profile.
    folders : sequence of str
        Where a profile named by the sidecar is looked for.

    Raises
    ------
    InputError
        For a broken profile, or one whose pixels are of another resolution.
    """
    if named is None and recording.facts.camera is not None:
        stem = f"{Path(recording.facts.camera).name.removesuffix('.json')}.json"
        named = next((str(Path(f) / stem) for f in folders if (Path(f) / stem).is_file()), None)
    if named is None:
        return recording
    profile = open_profile(named)
    check_resolution(profile, recording.rows, recording.columns, path=recording.path)
    return with_profile(recording, profile)
