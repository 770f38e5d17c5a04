"""A first look at one recording: what is in it and whether it can be used."""

from __future__ import annotations

import numpy as np

from thermscan.measure.hottest import hottest_places, pixel_means
from thermscan.measure.picture_quality import judge_picture
from thermscan.model.look_report import LookReport
from thermscan.model.pose import map_points
from thermscan.model.recording import Recording
from thermscan.model.settings import Settings
from thermscan.model.timing import before_words, rate_of, reason_words
from thermscan.pipeline.prepare import Prepared, prepare
from thermscan.pipeline.progress import Tell, silent


def moved_px(prepared: Prepared) -> float | None:
    """Return the largest movement of the picture's corners, px; None where it could not be followed."""
    rows, columns = prepared.recording.rows, prepared.recording.columns
    corners = np.array([[0, 0], [columns - 1, 0], [0, rows - 1], [columns - 1, rows - 1]], float)
    known = [m for m in prepared.motion.matrices if np.isfinite(m).all()]
    if not known:
        return None
    return float(max(np.linalg.norm(map_points(m, corners) - corners, axis=1).max() for m in known))


def unusable_because(prepared: Prepared) -> tuple[str, ...]:
    """Say what keeps a recording from being compared, and what to record next."""
    recording, camera, timing = prepared.recording, prepared.camera, prepared.timing
    said = []
    if camera.usable.sum() == 0:
        said.append("no frame is usable: all are frozen, blank or in a shutter event")
    if camera.bad.mean() > 0.5:
        said.append("more than half of the pixels are bad")
    if recording.unit == "count":
        said.append("counts without a scale: places and times only; give --scale and --offset, or --camera")
    if recording.times_s is None:
        said.append(recording.times_why or "no frame times are known; give --frame-rate HZ or --times FILE")
    elif timing.on_s is None:
        before = before_words(rate_of(recording.times_s))
        said.append(f"power-on is not seen ({reason_words(timing.on_why)}); film {before} before switching on")
    return tuple(said)


def look(recording: Recording, *, settings: Settings, tell: Tell = silent) -> tuple[LookReport, Prepared]:
    """Look at one recording; ``tell`` is told how the work is getting on.

    Returns
    -------
    LookReport, Prepared
    """
    prepared = prepare(recording, settings=settings, tell=lambda doing, share: tell(doing, 0.8 * share))
    camera, timing = prepared.camera, prepared.timing
    means = pixel_means(recording, camera, timing)
    times = recording.times_s
    tell("judging the picture", 0.85)
    judged = judge_picture(recording, camera, prepared.motion, timing, settings=settings.picture)
    said = (*judged, *unusable_because(prepared))
    rate = rate_of(times)
    why = {}
    if times is None:
        why = dict.fromkeys(("first_s", "last_s", "frame_rate_hz"), recording.times_why)
    elif rate is None:
        why = {"frame_rate_hz": "one frame only"}
    report = LookReport(
        name=recording.name,
        path=recording.path,
        sha256=recording.sha256,
        frames=recording.frames,
        rows=recording.rows,
        columns=recording.columns,
        unit=recording.unit,
        first_s=None if times is None else float(times[0]),
        last_s=None if times is None else float(times[-1]),
        frame_rate_hz=rate,
        lowest=means.lowest,
        highest=means.highest,
        noise=camera.noise_median,
        moved_px=moved_px(prepared),
        is_tripod=prepared.motion.is_tripod,
        timing=timing,
        events=camera.events,
        hottest=hottest_places(means, camera),
        warnings=(*recording.warnings, *timing.warnings, *said),
        notes=recording.notes,
        usable=bool(camera.usable.any()) and camera.bad.mean() <= 0.5,
        why=why,
    )
    tell("done", 1.0)
    return report, prepared
