"""Verification to verification.json: every key present, unknown null."""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path
from typing import Any

from thermscan.model.case_record import PlaceChange, Verification
from thermscan.write.folder import write_whole

FORMAT_VERSION = 1
DIGITS = 9


def _number(value: float) -> float:
    return float(f"{value:.{DIGITS}g}")


def _place(place: PlaceChange) -> dict[str, Any]:
    """Return one place; a value and its interval stand beside each other."""
    out: dict[str, Any] = {"name": place.name, "state": place.state}
    why = {}
    for key, triple in (("before_k", place.before_k), ("after_k", place.after_k)):
        out[key] = None if triple is None else _number(triple[0])
        out[f"{key}_95"] = None if triple is None else [_number(triple[1]), _number(triple[2])]
        if triple is None:
            why |= dict.fromkeys((key, f"{key}_95"), "not seen in that recording, or none was made")
    out["at_s"] = None if place.at_s is None else _number(place.at_s)
    if place.at_s is None:
        why["at_s"] = "the second since power-on is not known here"
    return out | {"sentence": place.sentence, "why": why}


def verification_document(verification: Verification) -> dict[str, Any]:
    """Return a verification as plain JSON values."""
    return {
        "format_version": FORMAT_VERSION,
        "version": verification.version,
        "outcome": verification.outcome,
        "sentence": verification.sentence,
        "passed": verification.passed,
        "not_done": list(verification.not_done),
        "criteria": [asdict(criterion) for criterion in verification.criteria],
        "places": [_place(place) for place in verification.places],
        "inputs": [{"role": r, "path": p, "sha256": s} for r, p, s in verification.inputs],
        "board_name": verification.board_name,
        "side": verification.side,
        "warnings": list(verification.warnings),
    }


def verification_text(verification: Verification) -> str:
    """Return the text of verification.json."""
    return json.dumps(verification_document(verification), indent=2, ensure_ascii=False, allow_nan=False) + "\n"


def write_verification(verification: Verification, path: str | Path) -> Path:
    """Write verification.json whole or not at all and return its path."""
    return write_whole(path, verification_text(verification).encode("utf-8"))
