"""Made cases as files that a technician would have: TIFF, CSV grids, sidecars, board.json."""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path

import numpy as np
import tifffile

from thermscan.model.board import Board
from thermscan.model.recording import Recording
from thermscan.simulate.sensor import MadeStore
from thermscan.simulate.truth import Case, Made


def board_dict(board: Board) -> dict[str, object]:
    """Return the content of board.json; optional keys that say nothing are left out."""
    parts = []
    for p in board.parts:
        part: dict[str, object] = {"ref": p.ref, "kind": p.kind, "x": p.x, "y": p.y, "w": p.w, "h": p.h}
        part |= {"rotation": p.rotation, "height_mm": p.height_mm, "side": p.side, "nets": list(p.nets)}
        part |= {"surface": p.surface, "max_c": p.max_c, "covered_by": p.covered_by, "fitted": p.fitted}
        parts.append({k: v for k, v in part.items() if v is not None})
    rails = []
    for r in board.rails:
        rail = {"net": r.net, "volts": r.volts, "tolerance_percent": r.tolerance_percent}
        rail |= {"made_by": r.made_by, "from": r.from_net}
        rails.append({k: v for k, v in rail.items() if v is not None})
    return {
        "name": board.name,
        "thickness_mm": board.thickness_mm,
        "outline_mm": [[float(x), float(y)] for x, y in board.outline_mm],
        "holes_mm": [{"x": h.x, "y": h.y, "d": h.d} for h in board.holes],
        "parts": parts,
        "rails": rails,
    }


def sidecar_dict(made: Made) -> dict[str, object]:
    """Return the content of the sidecar of a recording written as counts."""
    facts, recording = made.recording.facts, made.recording
    times = np.asarray(recording.times_s, float)
    out: dict[str, object] = {
        "timestamps_s": [round(float(t), 4) for t in times],
        "unit": "count",
        "scale_k_per_count": made.count_scale_k,
        "offset_k": made.count_offset_k,
        "side": facts.side,
    }
    for key in ("emissivity", "reflected_c", "transmission", "ambient_c", "camera"):
        if getattr(facts, key) is not None:
            out[key] = getattr(facts, key)
    if facts.supply:
        out["supply"] = [{"time_s": p.time_s, "volts": p.volts, "amps": p.amps} for p in facts.supply]
    if facts.drive:
        out["drive"] = asdict(facts.drive)
    if facts.marks:
        out["marks"] = [{"x_mm": m.x_mm, "y_mm": m.y_mm, "x_px": m.x_px, "y_px": m.y_px} for m in facts.marks]
    return out


def write_recording(made: Made, path: Path) -> None:
    """Write a recording as compressed 16-bit TIFF of counts with its sidecar beside it.

    Parameters
    ----------
    made : Made
    path : Path
        Ending in ``.tiff``; its folder exists.
    """
    store = made.recording.store
    if not isinstance(store, MadeStore):
        raise TypeError(f"only made recordings hold counts, got {type(store).__name__}")
    counts = store.counts(0, store.shape[0])
    tifffile.imwrite(path, counts, compression="zlib", predictor=True, photometric="minisblack", metadata=None)
    path.with_suffix(".json").write_text(json.dumps(sidecar_dict(made), indent=1) + "\n", encoding="utf-8")


def write_grids(recording: Recording, folder: Path, *, frames: range, digits: int = 2) -> None:
    """Write frames as CSV grids in degrees Celsius, one file a frame, the time in the file name.

    Parameters
    ----------
    recording : Recording
        In degrees Celsius with times.
    folder : Path
        Made where it does not exist.
    frames : range
    digits : int
        Decimals of a temperature.
    """
    folder.mkdir(parents=True, exist_ok=True)
    times = np.asarray(recording.times_s, float)
    for i in frames:
        grid = recording.store.read(i, i + 1)[0]
        path = folder / f"frame_{i:04d}_{times[i]:.3f}s.csv"
        np.savetxt(path, grid, fmt=f"%.{digits}f", delimiter=",")


def write_case(case: Case, folder: Path) -> None:
    """Write board.json, faulty.tiff, good_1.tiff, ... and their sidecars.

    Parameters
    ----------
    case : Case
    folder : Path
        Made where it does not exist.
    """
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "board.json").write_text(json.dumps(board_dict(case.board), indent=1) + "\n", encoding="utf-8")
    write_recording(case.faulty, folder / "faulty.tiff")
    for number, good in enumerate(case.goods, 1):
        write_recording(good, folder / f"good_{number}.tiff")
