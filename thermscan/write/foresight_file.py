"""What a planned recording will show, as a document for programs, a CSV table and a picture."""

from __future__ import annotations

import csv
import io
from pathlib import Path
from typing import Any

from thermscan.model.errors import InputError
from thermscan.model.foresight import CAUTIONS, ForesightTable
from thermscan.write.folder import make_folder, write_whole

NAMES = ("foresight.csv", "foresight.png")


def foresight_document(table: ForesightTable) -> dict[str, Any]:
    """Return the table as a mapping for JSON; units stand in the keys."""
    rows = [
        {
            "on_s": float(second),
            "peak_k_per_w": float(table.peak_k_per_w[i]),
            "repeats": count,
            "smallest_w": float(table.smallest_w[i, k]),
            "smallest_w_95": [float(v) for v in table.smallest_95_w[i, k]],
        }
        for i, second in enumerate(table.seconds)
        for k, count in enumerate(table.repeats)
    ]
    return {
        "plan": table.plan_text,
        "plate": table.plate_text,
        "pixels_on_part": table.pixels_on_part,
        "rows": rows,
        "power_w": table.power_w,
        "power_text": table.power_text or None,
        "warnings": list(table.warnings),
        "cautions": list(CAUTIONS),
        "why": {} if table.power_w is not None else {"power_w": "no power was asked about", "power_text": "likewise"},
    }


def foresight_csv(table: ForesightTable) -> bytes:
    """Return the table as CSV, a line for each of the seconds and numbers of power-ups."""
    text = io.StringIO()
    out = csv.writer(text, lineterminator="\n")
    out.writerow(("on_s", "repeats", "peak_k_per_w", "smallest_w", "smallest_w_95_low", "smallest_w_95_high"))
    for row in foresight_document(table)["rows"]:
        out.writerow((row["on_s"], row["repeats"], row["peak_k_per_w"], row["smallest_w"], *row["smallest_w_95"]))
    return text.getvalue().encode()


def check_foresight_folder(path: str | Path, *, force: bool) -> Path:
    """Refuse a folder that holds such files already, or cannot be one; raises InputError."""
    folder = Path(path)
    if folder.exists() and not folder.is_dir():
        raise InputError(str(folder), "", "is a file, not a folder", "name a new folder with --out")
    found = [name for name in NAMES if (folder / name).exists()]
    if found and not force:
        remedy = "name a new folder, or overwrite with --force"
        raise InputError(str(folder), "", f"already holds {found[0]}", remedy)
    return folder


def write_foresight(path: str | Path, table: ForesightTable, picture: bytes) -> None:
    """Write ``foresight.csv`` and ``foresight.png`` into a folder; raises InputError."""
    folder = make_folder(path)
    write_whole(folder / NAMES[0], foresight_csv(table))
    write_whole(folder / NAMES[1], picture)
