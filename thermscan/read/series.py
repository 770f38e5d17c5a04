"""Which files make up a recording: one file, a folder or a glob; and the times that their names carry."""

from __future__ import annotations

import glob
import re
from collections import Counter
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from thermscan.model.errors import InputError
from thermscan.read.text_file import reason_of

NOT_FRAMES = (".json", ".md", ".html", ".pdf", ".log", ".yaml", ".yml", ".toml")
# A time in a name: frame_0012_t3.25s, shot-250ms. A bare number is not a time.
_SECONDS = re.compile(r"(?<![A-Za-z0-9.,])t?[=_]?(\d+(?:[.,]\d+)?)\s?(ms|sec|s)(?![A-Za-z0-9])", re.IGNORECASE)
_CLOCK = re.compile(
    r"(?<!\d)(20\d\d)[-_.]?([01]\d)[-_.]?([0-3]\d)[-_T ]+"
    r"([0-2]\d)[-_.:h]?([0-5]\d)[-_.:m]?([0-5]\d)(?:[-_.,](\d{1,6}))?(?!\d)"
)


def natural_key(name: str) -> list[tuple[int, int, str]]:
    """Return a sort key by which ``frame_2`` comes before ``frame_10``."""
    pieces = re.split(r"(\d+)", name)
    return [(0, int(p), "") if p.isdigit() else (1, 0, p.lower()) for p in pieces if p]


def is_glob(path: str) -> bool:
    """Tell whether a path is a pattern and not the name of something that exists."""
    return glob.has_magic(path) and not Path(path).exists()


def _kind(path: str) -> str:
    suffix = Path(path).suffix.lower()
    return ".tiff" if suffix == ".tif" else suffix


def _one_kind(paths: list[str], *, path: str) -> list[str]:
    """Return the files of the kind that makes the series; refuse two kinds with several files each."""
    kinds = Counter(_kind(p) for p in paths)
    several = [kind for kind, count in kinds.items() if count > 1]
    if len(several) > 1 or (not several and len(kinds) > 1):
        found = ", ".join(f"{count} {kind or 'without suffix'}" for kind, count in sorted(kinds.items()))
        raise InputError(
            path, "", f"holds files of several kinds: {found}", "give a glob of one kind, such as 'DIR/*.png'"
        )
    kind = several[0] if several else next(iter(kinds))
    return [p for p in paths if _kind(p) == kind]


def find_files(path: str) -> tuple[str, ...]:
    """Return the frame files that a path stands for, in natural order.

    Parameters
    ----------
    path : str
        A file, a folder (its files, not those of folders inside) or a glob.

    Raises
    ------
    InputError
        Where there is nothing, where it cannot be read, and where a folder holds files of several kinds.
    """
    place = Path(path)
    if is_glob(path):
        found = [p for p in glob.glob(path) if Path(p).is_file()]
        if not found:
            raise InputError(path, "", "matches no file", "check the pattern; put it in quotes")
    else:
        try:
            if not place.is_dir():
                with place.open("rb"):
                    return (path,)
            found = [str(p) for p in place.iterdir() if p.is_file() and not p.name.startswith(".")]
        except OSError as error:
            raise InputError(path, "", f"cannot be read: {reason_of(error)}", "check the path") from None
    found = [p for p in found if _kind(p) not in NOT_FRAMES]
    if not found:
        raise InputError(path, "", "the folder holds no frame files", "give a folder of PNG, TIFF or CSV frames")
    return tuple(sorted(_one_kind(found, path=path), key=lambda p: natural_key(Path(p).name)))


def find_sidecar(path: str) -> str | None:
    """Return the sidecar that belongs to a recording, None where there is none.

    For a file: the same stem with ``.json``. For a folder: the same name with ``.json`` beside it or inside it, or
    ``sidecar.json`` inside it. For a glob: the part of the name before the first wildcard with ``.json``, else as for
    the folder.
    """
    place = Path(path)
    if is_glob(path):
        stem = re.split(r"[*?\[]", place.name)[0].rstrip("_-. ")
        folder = place.parent
        candidates = [folder / f"{stem}.json"] if stem else []
    else:
        folder = place
        candidates = [] if place.is_dir() else [place.with_suffix(".json")]
    if is_glob(path) or place.is_dir():
        name = folder.resolve().name
        candidates += [folder.resolve().parent / f"{name}.json", folder / f"{name}.json", folder / "sidecar.json"]
    return next((str(c) for c in candidates if c.is_file()), None)


def _time_in_name(name: str) -> float | None:
    stem = Path(name).stem
    found = _SECONDS.findall(stem)
    if found:
        number, unit = found[-1]
        return float(number.replace(",", ".")) * (1e-3 if unit.lower() == "ms" else 1.0)
    clock = _CLOCK.search(stem)
    if clock is None:
        return None
    fraction = clock[7] or "0"
    try:
        moment = datetime(*(int(clock[i]) for i in range(1, 7)), tzinfo=UTC)  # type: ignore[arg-type]
    except ValueError:
        return None
    return moment.timestamp() + int(fraction) / 10 ** len(fraction)


def times_in_names(paths: tuple[str, ...]) -> tuple[tuple[str, ...], np.ndarray | None, str]:
    """Return the files in order of time, their times and a warning, from times in the file names.

    Parameters
    ----------
    paths : tuple of str
        In natural order.

    Returns
    -------
    paths : tuple of str
        As given, or in order of time where natural order is not.
    times_s : ndarray of shape (files,), s, or None
        None where not every name has a time. Clock times count from the first file.
    warning : str
        Why times in the names are not used, or empty.
    """
    found = [_time_in_name(Path(p).name) for p in paths]
    if len(paths) < 2 or any(t is None for t in found):
        return paths, None, ""
    times = np.array(found, dtype=float)
    order = np.argsort(times, kind="stable")
    times = times[order]
    if (np.diff(times) <= 0).any():
        return paths, None, "times in the file names are not used: some files have the same time"
    if times[0] > 1e9:
        times = times - times[0]
    return tuple(paths[i] for i in order), times, ""
