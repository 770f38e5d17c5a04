"""A board as board.json."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from thermscan.model.board import Board, Part, Rail
from thermscan.model.errors import InputError
from thermscan.write.folder import write_whole


def _part(part: Part) -> dict[str, Any]:
    out: dict[str, Any] = {"ref": part.ref, "kind": part.kind, "x": part.x, "y": part.y, "w": part.w, "h": part.h}
    out |= {"rotation": part.rotation, "height_mm": part.height_mm, "side": part.side, "nets": list(part.nets)}
    out |= {"surface": part.surface, "max_c": part.max_c, "covered_by": part.covered_by, "fitted": part.fitted}
    return {key: value for key, value in out.items() if value is not None}


def _rail(rail: Rail) -> dict[str, Any]:
    out = {"net": rail.net, "volts": rail.volts, "tolerance_percent": rail.tolerance_percent}
    out |= {"made_by": rail.made_by, "from": rail.from_net}
    return {key: value for key, value in out.items() if value is not None}


def board_document(board: Board) -> dict[str, Any]:
    """Return the plain values of board.json; optional keys that say nothing are left out."""
    out: dict[str, Any] = {"name": board.name}
    if board.thickness_mm is not None:
        out["thickness_mm"] = board.thickness_mm
    out["outline_mm"] = [[round(float(x), 4), round(float(y), 4)] for x, y in board.outline_mm]
    out["holes_mm"] = [{"x": h.x, "y": h.y, "d": h.d} for h in board.holes]
    out["parts"] = [_part(p) for p in board.parts]
    out["rails"] = [_rail(r) for r in board.rails]
    return out


def board_text(board: Board) -> str:
    """Return board.json as text: one part a line, so that it can be read and compared by people."""
    document = board_document(board)
    lines = []
    for key, value in document.items():
        if isinstance(value, list) and value and isinstance(value[0], dict):
            rows = ",\n    ".join(json.dumps(item, ensure_ascii=False) for item in value)
            lines.append(f"  {json.dumps(key)}: [\n    {rows}\n  ]")
        else:
            lines.append(f"  {json.dumps(key)}: {json.dumps(value, ensure_ascii=False)}")
    return "{\n" + ",\n".join(lines) + "\n}\n"


def check_new_file(path: str | Path, *, force: bool = False) -> Path:
    """Refuse a file that exists already, unless ``force``, or whose folder is missing; raises InputError."""
    target = Path(path)
    if target.exists() and not force:
        raise InputError(str(path), "", "exists already", "name a new file, or overwrite with --force")
    if not target.absolute().parent.is_dir():
        raise InputError(str(path), "", "its folder does not exist", "make the folder first")
    return target


def write_board(path: str | Path, board: Board) -> Path:
    """Write board.json, whole or not at all; raises InputError where that cannot be done."""
    return write_whole(path, board_text(board).encode("utf-8"))
