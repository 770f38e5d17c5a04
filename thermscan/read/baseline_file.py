"""The baseline file: known-good boards combined once, read back."""

from __future__ import annotations

import zipfile
from pathlib import Path

import numpy as np

from thermscan.model.board import Board, outline_hash
from thermscan.model.errors import InputError
from thermscan.model.film import Baseline, BoardGrid, Film, Rise
from thermscan.read.text_file import reason_of

FORMAT_VERSION = 1
WRITE_ANEW = "write it anew with thermscan baseline"
SCALARS = (
    "format_version",
    "outline_hash",
    "side",
    "reference",
    "count",
    "x0_mm",
    "y0_mm",
    "step_mm",
    "columns",
    "rows",
)
ARRAYS = ("seconds", "mean", "spread", "error", "source_names", "source_sha256")


def is_baseline(path: str | Path) -> bool:
    """Tell whether a file is a baseline file and not a recording: an .npz archive with the baseline's keys."""
    try:
        with zipfile.ZipFile(path) as archive:
            names = set(archive.namelist())
    except (OSError, zipfile.BadZipFile):
        return False
    return {"format_version.npy", "outline_hash.npy", "mean.npy"} <= names


def _load(path: str) -> dict[str, np.ndarray]:
    try:
        with open(path, "rb") as file, np.load(file, allow_pickle=False) as archive:
            return {key: archive[key] for key in archive.files if f"{key}.npy" in archive.zip.namelist()}
    except OSError as error:
        raise InputError(path, "", f"cannot be read: {reason_of(error)}", "check the path") from None
    except Exception:  # broken bytes raise whatever zip, zlib and numpy's header raise
        raise InputError(path, "", "is not a whole baseline file", WRITE_ANEW) from None


def _check_keys(found: dict[str, np.ndarray], *, path: str) -> None:
    missing = [key for key in (*SCALARS, *ARRAYS) if key not in found]
    if missing:
        raise InputError(path, "", f"is not a baseline file: no {missing[0]!r} in it", WRITE_ANEW)
    if any(found[key].shape != () for key in SCALARS):
        raise InputError(path, "", "is not a baseline file: a single value is an array", WRITE_ANEW)
    version = found["format_version"].item()
    if version != FORMAT_VERSION:
        problem = f"has format version {version}, this program reads {FORMAT_VERSION}"
        raise InputError(path, "", problem, WRITE_ANEW)


def _grid(found: dict[str, np.ndarray], *, path: str) -> tuple[BoardGrid, tuple[int, int, int]]:
    grid = BoardGrid(
        float(found["x0_mm"]),
        float(found["y0_mm"]),
        float(found["step_mm"]),
        int(found["columns"]),
        int(found["rows"]),
    )
    shape = (len(found["seconds"]) - 1, grid.rows, grid.columns)
    for key in ("mean", "spread", "error"):
        if found[key].shape != shape:
            problem = f"{key} has shape {found[key].shape}, the grid and seconds give {shape}"
            raise InputError(path, "", problem, WRITE_ANEW)
    edges = np.asarray(found["seconds"], float)
    if not np.isfinite(edges).all() or (np.diff(edges) <= 0).any() or grid.step_mm <= 0:
        raise InputError(path, "", "its seconds do not increase or its grid step is not above zero", WRITE_ANEW)
    return grid, shape


def _films(
    found: dict[str, np.ndarray], grid: BoardGrid, shape: tuple[int, int, int], *, path: str
) -> tuple[Rise, ...]:
    """Return the boards' own rises where the file holds them; each board's noise is that of one of ``count`` equals."""
    rises = found.get("rises")
    if rises is None:
        return ()
    if rises.ndim != 4 or rises.shape[1:] != shape:
        raise InputError(path, "", f"rises has shape {rises.shape}, the grid and seconds give {shape}", WRITE_ANEW)
    noise = found.get("noise", np.zeros((0, 0)))
    noise = noise if noise.shape == shape[1:] else np.zeros(shape[1:], np.float32)
    error = np.asarray(found["error"], np.float32) * np.float32(np.sqrt(len(rises)))
    films = []
    for rise in rises.astype(np.float32):
        seen = np.isfinite(rise).any(axis=0)
        film = Film(
            grid=grid,
            edges_s=np.asarray(found["seconds"], float),
            clock="power_on",
            mean=rise,
            frames=np.isfinite(rise).any(axis=(1, 2)).astype(int),
            cold=None,
            cold_frames=0,
            noise=noise,
            correlation_mm=grid.step_mm,
            position_error_mm=0.0,
            inside=seen,
            readable=seen,
            pixel_mm=grid.step_mm,
        )
        films.append(Rise(film, rise, error, str(found["reference"])))
    return tuple(films)


def open_baseline(path: str | Path, *, board: Board | None = None, side: str | None = None) -> Baseline:
    """Read a baseline file.

    Parameters
    ----------
    path : str or Path
        ``.npz`` with the keys ``format_version`` (1), ``outline_hash``, ``side``, ``reference``, ``count``; ``x0_mm``,
        ``y0_mm``, ``step_mm``, ``columns``, ``rows``; ``seconds`` (bins + 1); ``mean``, ``spread``, ``error`` (bins,
        rows, columns; K); ``source_names``, ``source_sha256``; and where they are there ``noise`` (rows, columns),
        ``odd_names``, ``odd_reasons``, ``rises`` (boards, bins, rows, columns).
    board : Board, optional
        The board it will be compared with; its outline must be the same to a micrometre.
    side : {'top', 'bottom'}, optional
        The side it will be compared with.

    Returns
    -------
    Baseline
        Its ``films`` stand in for the boards where the file holds ``rises``: their frame counts and noise are only
        as good as the file tells, and their ``mean`` is the rise itself.

    Raises
    ------
    InputError
        Where the file is broken, of another version, or of another outline or side.
    """
    path = str(path)
    found = _load(path)
    _check_keys(found, path=path)
    if board is not None and str(found["outline_hash"]) != outline_hash(board):
        raise InputError(path, "", "was made with another board outline", "use the board file it was made with")
    if side is not None and str(found["side"]) != side:
        problem = f"shows the {found['side']} side, the recording the {side} side"
        raise InputError(path, "", problem, "compare recordings of one side")
    grid, shape = _grid(found, path=path)
    return Baseline(
        grid=grid,
        edges_s=np.asarray(found["seconds"], float),
        mean=np.asarray(found["mean"], np.float32),
        spread=np.asarray(found["spread"], np.float32),
        error=np.asarray(found["error"], np.float32),
        count=int(found["count"]),
        outline_hash=str(found["outline_hash"]),
        side=str(found["side"]),
        reference=str(found["reference"]),
        sources=_pairs(found, "source_names", "source_sha256"),
        films=_films(found, grid, shape, path=path),
        odd=_pairs(found, "odd_names", "odd_reasons"),
    )


def _pairs(found: dict[str, np.ndarray], first: str, second: str) -> tuple[tuple[str, str], ...]:
    if first not in found or second not in found:
        return ()
    return tuple((str(a), str(b)) for a, b in zip(found[first].ravel(), found[second].ravel(), strict=False))
