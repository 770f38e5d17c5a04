"""Gathers what the stages found into the result record; computes nothing."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import compress
from typing import TYPE_CHECKING

import numpy as np

from thermscan import __version__
from thermscan.find.source_limit import board_limit_w, with_limits
from thermscan.model.board import Board
from thermscan.model.camera_events import CameraEvent
from thermscan.model.film import Baseline, Excess, Film, Rise
from thermscan.model.pixel_scale import scale_words, seen_words
from thermscan.model.pose import NoPose, Pose
from thermscan.model.reading import unknown_net_words
from thermscan.model.recording import Recording
from thermscan.model.result import (
    HeatSource,
    Hotspot,
    InputFile,
    PartReading,
    Ranking,
    RegistrationReport,
    Resampling,
    Result,
    Suspect,
)
from thermscan.model.result_maps import ResultMaps
from thermscan.model.settings import Settings, changed
from thermscan.model.source_fit import SourceFit
from thermscan.pipeline.film_set import Placed
from thermscan.pipeline.warm_ups import read_warm_ups

if TYPE_CHECKING:
    from thermscan.pipeline.compare import Job


@dataclass(frozen=True)
class Found:
    """Places and parts, whether the boards share a clock, and which recordings were compared (empty: all)."""

    hotspots: tuple[Hotspot, ...]
    parts: tuple[PartReading, ...]
    share_clock: bool
    used: tuple[bool, ...] = ()


def report_registration(placed: Placed) -> RegistrationReport:
    """Say how one recording was placed."""
    track, poses = placed.track, placed.track.poses
    posed = [p for p in poses if isinstance(p, Pose)]
    reasons: dict[str, int] = {}
    for pose in poses:
        if isinstance(pose, NoPose):
            reasons[pose.reason] = reasons.get(pose.reason, 0) + 1
    in_mm = track.placement.method != "frame"
    error = float(np.sqrt(np.mean([p.error_px**2 for p in posed]))) if posed else None
    pixel_mm = placed.pixel_mm if in_mm else None
    return RegistrationReport(
        name=placed.prepared.recording.name,
        method=track.placement.method,
        side=track.side,
        error_px=error,
        error_mm=error * pixel_mm if error is not None and pixel_mm is not None else None,
        pixel_mm=pixel_mm,
        is_tripod=placed.prepared.motion.is_tripod,
        frames=len(poses),
        posed=len(posed),
        bridged=sum(bool(p.bridged) for p in posed),
        without_pose=reasons,
        trusted=track.placement.trusted,
        reason=track.placement.reason,
        lens=None if track.lens is None else (track.lens.k1, track.lens.k2),
    )


def report_resampling(film: Film, pixel_noise: float) -> Resampling | None:
    """Say how noise and its correlation changed from pixels to cells; None where there is no noise to compare with.

    ``pixel_noise`` is the standard deviation of one pixel in one frame, unit of the film.
    """
    seen = film.noise[film.inside]
    if not seen.size or pixel_noise <= 0:
        return None
    return Resampling(
        cell_px=film.grid.step_mm / film.pixel_mm,
        noise_share=float(np.median(seen)) / pixel_noise,
        correlation_px=film.correlation_mm / film.pixel_mm,
    )


def event_row(name: str, event: CameraEvent, recording: Recording) -> dict[str, object]:
    """Write one camera event for result.json, with its time on the recording's own clock."""
    time = None
    if event.frame is not None and recording.times_s is not None:
        time = float(recording.times_s[event.frame])
    return {
        "recording": name,
        "kind": event.kind,
        "frame": event.frame,
        "frames": event.frames,
        "time_s": time,
        "size": event.size,
        "text": event.text,
    }


def input_files(job: Job) -> tuple[InputFile, ...]:
    """List the recordings and the other files that the result was made from."""
    rows = [_input("faulty", job.faulty)]
    rows += [_input("good", r) for r in job.goods]
    if job.before is not None:
        rows.append(_input("before", job.before))
    if job.baseline is not None and not job.goods:
        rows += [InputFile("good, in the baseline file", name, digest) for name, digest in job.baseline.sources]
    return (*rows, *job.files)


def _input(role: str, r: Recording) -> InputFile:
    return InputFile(role, r.path, r.sha256, r.frames, r.rows, r.columns)


def result_flags(job: Job, placed: Sequence[Placed], excess: Excess, found: Found, ranking: Ranking) -> tuple[str, ...]:
    """Return the flags of the whole comparison, in the order of the table of flags."""
    flags = {*excess.film.flags, *ranking.flags}
    flags |= {"counts"} if job.faulty.unit == "count" else set()
    flags |= {"no_times"} if job.faulty.times_s is None else set()
    flags |= {"no_millimetres"} if job.board is None else set()
    flags |= {"no_good_board"} if excess.basis == "itself_only" else set()
    flags |= {"one_good_board"} if excess.basis == "good_boards" and excess.count == 1 else set()
    flags |= {"not_on_together"} if not found.share_clock and excess.count else set()
    if not all(p.track.placement.trusted for p in compress(placed, found.used or (True,) * len(placed))):
        flags.add("placement_untrusted")
    if any(isinstance(p, Pose) and p.bridged for p in placed[0].track.poses):
        flags.add("pose_bridged")
    return tuple(sorted(flags))


def all_warnings(
    job: Job, placed: Sequence[Placed], excess: Excess, fit: SourceFit, ranking: Ranking
) -> tuple[str, ...]:
    """Return every warning once: of files, board, timing, placing, difference, sources and reasoning."""
    said: list[str] = []
    names = tuple(f"{p.prepared.recording.name}: " for p in placed)
    for p, name in zip(placed, names, strict=True):
        own = (*p.prepared.recording.warnings, *p.prepared.timing.warnings, *p.track.warnings)
        said += [text if text.startswith(names) else name + text for text in own]
    if placed and job.board is not None:
        frame = (placed[0].prepared.recording.rows, placed[0].prepared.recording.columns)
        said += [*scale_words(job.board, *frame), *seen_words(job.board, *frame, placed[0].pixel_mm)]
    said += [*(job.board.warnings if job.board else ()), *unknown_net_words(job.readings, job.board)]
    said += [*excess.warnings, *fit.warnings, *ranking.warnings]
    return tuple(dict.fromkeys(said))


def with_measurements(suspect: Suspect, found: Found, sources: Sequence[HeatSource]) -> Suspect:
    """Fill in what a suspect lacks from the part's own reading and from the source at it."""
    reading = next((p for p in found.parts if suspect.ref is not None and p.ref == suspect.ref), None)
    source = next((s for s in sources if suspect.ref is not None and s.ref == suspect.ref), None)
    why = dict(suspect.why)
    changes: dict[str, object] = {}
    if suspect.power_w is None and source is not None:
        changes["power_w"] = source.power_w
    if reading is not None:
        for key in ("rise_rate", "excess_k", "excess_at_s"):
            if getattr(suspect, key) is None:
                changes[key] = getattr(reading, key)
                if key in reading.why:
                    why.setdefault(key, reading.why[key])
    return replace(suspect, **changes, why=why) if changes else suspect


def _limit_text(fit: SourceFit, excess: Excess) -> str | None:
    """Return the sentence on the detection limit; without a good board it is about all heat, healthy or not."""
    if fit.limit_text is None or excess.basis != "itself_only":
        return fit.limit_text
    return f"{fit.limit_text}; that is any heat: without a good board nobody knows how much of it is healthy"


def make_result(
    job: Job,
    found: Found,
    fit: SourceFit,
    ranking: Ranking,
    placed: Sequence[Placed],
    excess: Excess,
    board: Board,
    *,
    settings: Settings,
) -> Result:
    """Assemble the result; ``placed`` are all recordings, those left out of the good boards too."""
    timing = placed[0].prepared.timing
    why = {**fit.why, "power_on_s": timing.on_why, "power_off_s": timing.off_why}
    recording = job.faulty
    events = [
        event_row(p.prepared.recording.name, e, p.prepared.recording) for p in placed for e in p.prepared.camera.events
    ]
    return Result(
        verdict=ranking.verdict,
        no_fault_probability=ranking.no_fault_probability,
        other_probability=ranking.other_probability,
        power_on_s=timing.switched_s,
        power_off_s=timing.off_s,
        suspects=tuple(with_measurements(s, found, fit.sources) for s in ranking.suspects),
        hotspots=found.hotspots,
        parts=with_limits(found.parts, fit, board),
        sources=fit.sources,
        energy=fit.energy,
        registration=tuple(report_registration(p) for p in placed),
        camera_events=tuple(events),
        warnings=all_warnings(job, placed, excess, fit, ranking),
        flags=result_flags(job, placed, excess, found, ranking),
        inputs=input_files(job),
        settings=changed(settings),
        version=__version__,
        basis=excess.basis,
        good_boards=excess.count if excess.basis == "good_boards" else 0,
        restarts=timing.restarts,
        side=job.side,
        board_name=board.name,
        units=recording.unit,
        detection_limit_w=board_limit_w(fit.detection_limit_w),
        detection_limit_text=_limit_text(fit, excess),
        plate_text=fit.plate_text or None,
        warm_ups=read_warm_ups(found.parts, excess, board, runs=len(timing.power_ups), settings=settings.warm_up),
        next_steps=ranking.next_steps,
        moved_by=ranking.moved_by,
        resampling=report_resampling(excess.film, placed[0].prepared.camera.noise_median),
        why={key: text for key, text in why.items() if text},
        picture_px=None if job.board is not None else (recording.columns, recording.rows),
    )


def make_maps(excess: Excess, faulty: Rise, baseline: Baseline | None) -> ResultMaps:
    """Return the arrays behind the pictures."""
    film = excess.film
    window = excess.last_second()
    return ResultMaps(
        grid=film.grid,
        edges_s=film.edges_s,
        excess=excess.excess,
        faulty=faulty.rise,
        good=None if baseline is None else baseline.mean,
        noise=excess.noise,
        spread=excess.spread,
        inside=film.inside,
        readable=film.readable,
        photo=grey_picture(film.mean if film.cold is None else film.cold[None]),
        shown_bin=window.stop - 1,
        clock=film.clock,
        power_off_s=film.on_for_s,
    )


def grey_picture(frames: np.ndarray) -> np.ndarray:
    """Return the mean of some frames as grey from 0 to 1, its darkest and brightest percent cut off."""
    known = np.isfinite(frames).any(axis=0)
    mean = np.where(known, np.nanmean(np.where(known, frames, 0.0), axis=0), np.nan)
    low, high = np.nanpercentile(mean, [1, 99]) if known.any() else (0.0, 1.0)
    return np.nan_to_num(np.clip((mean - low) / max(high - low, 1e-6), 0, 1), nan=1.0)
