"""From what stands on the command line to records: recordings, board, side, injection."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from thermscan.app.options import Reading
from thermscan.model.board import Board
from thermscan.model.errors import InputError, nearest
from thermscan.model.film import Baseline
from thermscan.model.recording import Drive, Recording

if TYPE_CHECKING:
    from thermscan.model.settings import Settings

OFF_THE_BOARD = 0.15  # of the board's longer side: no connector leans so far over the outline; judgement
MARK_NEAR_MM = 2.0  # of the outline's box or a listed body within which a mark is one of theirs; judgement


def open_one(path: str, how: Reading) -> Recording:
    """Open one recording; raises InputError."""
    from thermscan.pipeline.camera import through_profile
    from thermscan.read.formats import OpenOptions, open_recording

    options = OpenOptions(
        frames=how.frames,
        frame_rate_hz=how.frame_rate,
        times=how.times,
        unit=how.unit,
        scale_k_per_count=how.scale,
        offset_k=how.offset,
        side=how.side,
        camera=how.camera,
        profile_folders=profile_folders(),
    )
    return through_profile(open_recording(path, options=options), how.camera, folders=options.profile_folders)


def profile_folders() -> tuple[str, ...]:
    """Return where camera profiles are looked for: the user's folder first, then the one that comes along."""
    from thermscan.read.data_folder import data_folder, user_folder

    own = user_folder()
    return (*((str(own),) if own.is_dir() else ()), str(data_folder("calibration")))


def open_settings() -> Settings:
    """Return the settings, with the plate materials of the user's own folder where it holds a table of them."""
    from thermscan.model.settings import Settings
    from thermscan.pipeline.own_materials import with_materials
    from thermscan.read.material_file import open_own_materials

    entries, path = open_own_materials()
    return with_materials(Settings(), entries, path=path)


def open_board_or_size(board_path: str | None, size: str | None) -> Board | None:
    """Return the board of a file or of ``WxH``; None where neither is given."""
    from thermscan.read.board_file import open_board, parse_size

    if board_path and size:
        raise InputError("--size", "", "a board file is given as well", "give --board or --size, not both")
    if board_path:
        return open_board(board_path)
    return parse_size(size) if size else None


def split_goods(
    paths: tuple[str, ...], board: Board | None, *, side: str, how: Reading
) -> tuple[tuple[Recording, ...], Baseline | None]:
    """Open the good boards: recordings, or one baseline file."""
    from thermscan.read.baseline_file import is_baseline, open_baseline

    files = [path for path in paths if Path(path).is_file() and is_baseline(path)]
    if not files:
        return tuple(open_one(path, how) for path in paths), None
    if len(paths) > 1:
        raise InputError(files[0], "", "a baseline file stands for all good boards", "give it alone with --good")
    if board is None:
        raise InputError(files[0], "", "a baseline file needs its board", "give --board or --size")
    return (), open_baseline(files[0], board=board, side=side)


def parse_injection(text: str | None) -> Drive | None:
    """Read ``NET:VOLTS:AMPS``; raises InputError."""
    if text is None:
        return None
    net, _, rest = text.partition(":")
    volts, _, amps = rest.partition(":")
    try:
        drive = Drive("injection", net.strip() or None, float(volts), float(amps))
    except ValueError:
        drive = None
    if drive is None or drive.net is None or not 0 < (drive.volts or 0) <= 60 or not 0 < (drive.amps or 0) <= 100:
        raise InputError(
            "--inject", "", f"{text!r} is not NET:VOLTS:AMPS", "for example +3V3:1.0:2.0, 60 V at the most"
        )
    return drive


def check_injected_net(drive: Drive | None, board: Board | None) -> None:
    """Refuse an injection into a net that a board file with nets does not know; raises InputError."""
    known = set(board.nets()) | {r.net for r in board.rails} if board is not None else set()
    if drive is None or drive.mode != "injection" or drive.net is None or not known or drive.net in known:
        return
    hint = nearest(drive.net, sorted(known)) or "give a net of the board file"
    raise InputError("injection", "", f"no net {drive.net!r} in the board file", hint)


def check_marks(recordings: Sequence[Recording], board: Board | None) -> None:
    """Refuse marks that lie far off the board: they were clicked on another one; raises InputError."""
    if board is None:
        return
    x0, y0, x1, y1 = board.box_mm
    # connectors lean over the outline, and their corners may be marked
    reach = MARK_NEAR_MM if board.parts else OFF_THE_BOARD * max(x1 - x0, y1 - y0)
    for recording in recordings:
        for number, mark in enumerate(recording.facts.marks, 1):
            x, y = mark.x_mm, mark.y_mm
            inside = x0 - reach <= x <= x1 + reach and y0 - reach <= y <= y1 + reach
            if not inside and not any(p.contains(x, y, margin_mm=MARK_NEAR_MM) for p in board.parts):
                spans = f"{x0:g} to {x1:g} by {y0:g} to {y1:g} mm"
                problem = f"({x:g}, {y:g}) mm lies off the board, which spans {spans}"
                remedy = "give the board file of the board in the picture"
                raise InputError(recording.path, f"mark {number}", problem, remedy)


def same_side(recordings: tuple[Recording, ...]) -> str:
    """Return the side that all recordings show; raises InputError where they differ."""
    first = recordings[0].facts.side
    for other in recordings[1:]:
        if other.facts.side != first:
            problem = f"shows the {other.facts.side} side, {recordings[0].name} the {first}"
            remedy = "faulty and good must show the same side; set it with --side where no sidecar states it"
            raise InputError(other.path, "", problem, remedy)
    return first


def check_distinct(told: Sequence[tuple[str, Recording]]) -> None:
    """Refuse one recording in two places: it would count twice, or verify itself; raises InputError."""
    seen: dict[str, str] = {}
    for role, recording in told:
        if recording.sha256 and recording.sha256 in seen:
            problem = f"is the same recording as the one {seen[recording.sha256]}"
            raise InputError(recording.path or recording.name, "", problem, "name each recording once")
        seen[recording.sha256] = role
