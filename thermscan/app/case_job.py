"""What the case commands share: opening, the clock, comparisons from what a case knows."""

from __future__ import annotations

import contextlib
import json
import os
import shutil
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from thermscan import __version__
from thermscan.app.compare_job import write_comparison
from thermscan.app.opening import open_one, open_settings, same_side
from thermscan.app.options import Reading as How
from thermscan.app.progress import progress_bar
from thermscan.case.folder import CaseFolder, digest_of, keep_file, open_case, recording_path, relative_name
from thermscan.case.log import append
from thermscan.model.errors import InputError, nearest

if TYPE_CHECKING:
    from thermscan.case.sheet_blocks import CaseView
    from thermscan.model.board import Board
    from thermscan.model.case_record import Entry
    from thermscan.model.reading import Reading
    from thermscan.model.recording import Recording
    from thermscan.pipeline.compare import Job


CRITERION_KEYS = ("name", "wanted", "found", "state")


def now() -> str:
    """Return the present time with its zone, to the second."""
    return datetime.now(UTC).astimezone().isoformat(timespec="seconds")


def board_of(case: CaseFolder) -> Board | None:
    """Open the case's board file; None where it has none."""
    from thermscan.read.board_file import open_board

    return None if case.board_path is None else open_board(str(case.board_path))


def add_entry(case: CaseFolder, kind: str, data: Mapping[str, object], *, as_opened: bool = False) -> Entry:
    """Add one entry now and say so; ``as_opened`` refuses where another writer added something in between."""

    def unchanged(entries: tuple[Entry, ...]) -> None:
        if len(entries) != len(case.entries):
            raise InputError(
                str(case.path), "", "another program added an entry in between", "look at it and try again"
            )

    entry = append(case.path, kind, data, time=now(), check=unchanged if as_opened else None)
    click.echo(f"entry {entry.number}: {kind.replace('_', ' ')} added")
    return entry


def check_ref(case: CaseFolder, ref: str) -> None:
    """Refuse a part that the case's board file does not know."""
    board = board_of(case)
    if board is not None and board.parts and ref not in (known := [p.ref for p in board.parts]):
        raise InputError(str(case.path), "", f"no part {ref!r} in its board file", nearest(ref, known))


def warn_of_unknown_nets(case: CaseFolder, readings: Sequence[Reading]) -> None:
    """Warn of readings of a net that the case's board file does not know."""
    from thermscan.model.reading import unknown_net_words

    for text in unknown_net_words(readings, board_of(case)):
        click.echo(f"warning: {text}", err=True)


def open_view(folder: str) -> CaseView:
    """Open a case with everything that its sheets are made from."""
    from thermscan.case.export import view_case

    case = open_case(folder)
    return view_case(case, board_of(case), version=__version__)


def reading_weight(case: CaseFolder, reading: Reading) -> dict[str, object] | None:
    """Weigh a reading against the suspects as they stand; None before the first comparison."""
    from thermscan.case.state import repaired_at, state_of
    from thermscan.pipeline.reading_weight import weigh_reading
    from thermscan.read.prior_file import open_priors

    if repaired_at(case.entries) is not None:
        return {"text": "taken after the fault went, tells how the repair holds", "factors": {}}

    board = board_of(case)
    standing = state_of(case, board).standing
    if standing is None:
        return None
    weight = weigh_reading(reading, standing, board, priors=open_priors(None))
    return {"text": weight.text, "factors": weight.factors, "no_fault": weight.no_fault, "other": weight.other}


def recording_data(case: CaseFolder, path: str, role: str, how: How, *, note: str) -> dict[str, object]:
    """Open a recording to see that it can be used, and return what the log keeps of it."""
    recording = open_one(path, how)
    data: dict[str, object] = {
        "role": role,
        "path": relative_name(case, path),
        "sha256": digest_of(path),
        "side": recording.facts.side,
        "frames": recording.frames,
        "how": {key: value for key, value in asdict(how).items() if value is not None},
        "note": note,
    }
    sidecar = Path(path).with_suffix(".json")
    if sidecar.is_file() and sidecar != Path(path):
        data |= {"sidecar": relative_name(case, sidecar), "sidecar_sha256": digest_of(sidecar)}
    return data


def _opened(case: CaseFolder, entry: Entry) -> Recording:
    """Open a recording of the case as it was added; raises InputError where it moved or changed."""
    path = recording_path(case, entry)
    if not path.exists():
        raise InputError(str(path), "", f"is no longer there (entry {entry.number})", "put it back or add it again")
    if digest_of(path) != entry.text("sha256"):
        raise InputError(
            str(path), "", f"changed since it was added (entry {entry.number})", "add it again as it is now"
        )
    stored = entry.data.get("how")
    values = dict(stored) if isinstance(stored, dict) else {}
    frames = values.get("frames")
    if isinstance(frames, list):
        values["frames"] = tuple(frames)
    return open_one(str(path), How(**values))


def recompute(folder: str) -> None:
    """Compare the newest faulty recording with all good ones and all readings, and add the result to the case.

    Raises
    ------
    InputError
        Where the case has no faulty recording, or one moved or changed.
    """
    case = open_case(folder)
    job = _job_of(case)
    from thermscan.pipeline.compare import compare

    tell, finish = progress_bar(quiet=False)
    comparison = compare(job, settings=open_settings(), tell=tell)
    finish()
    results = case.path / "results"
    made = results / f".made-{os.getpid()}"
    results.mkdir(exist_ok=True)
    try:
        write_comparison(comparison, made, force=True, poses=False, fahrenheit=False)
        store_result(case, made, weighed_to=case.entries[-1].number)
    finally:
        shutil.rmtree(made, ignore_errors=True)


def _job_of(case: CaseFolder) -> Job:
    """Return the comparison of everything that a case knows; raises InputError."""
    from thermscan.case.state import latest_readings, readings_of_fault

    rows = [e for e in case.entries if e.kind == "recording"]
    faulty = [e for e in rows if e.text("role") == "faulty"]
    if not faulty:
        remedy = "thermscan case add recording FOLDER FILE --role faulty"
        raise InputError(str(case.path), "", "has no recording of the faulty board", remedy)
    first = _opened(case, faulty[-1])
    goods = tuple(_opened(case, e) for e in rows if e.text("role") == "good")
    readings = latest_readings(readings_of_fault(case.entries))
    from thermscan.pipeline.compare import Job
    from thermscan.read.prior_file import open_priors
    from thermscan.read.surface_table import open_surfaces

    return Job(
        faulty=first,
        goods=goods,
        board=board_of(case),
        side=same_side((first, *goods)),
        readings=readings,
        surfaces=open_surfaces(),
        priors=open_priors(None),
    )


def store_result(case: CaseFolder, source: Path, *, weighed_to: int) -> Entry:
    """Copy a comparison's folder into the case and add it to the log; raises InputError where it is none.

    ``weighed_to`` is the number of the last entry whose readings the comparison was given.
    """
    from thermscan.case.standing import read_standing

    path = source / "result.json"
    if not path.is_file():
        raise InputError(str(source), "", "holds no result.json", "name the folder that compare wrote")
    content = path.read_bytes()
    read_standing(content, None, path=str(path))
    if json.loads(content).get("basis") == "itself_before":
        remedy = "add it with thermscan case add swap FOLDER REF --result DIR"
        raise InputError(str(path), "basis", "compares the board with itself before, not with good boards", remedy)
    name, digest = keep_file(case, content, "result.json", under="results")
    data: dict[str, object] = {"path": name, "sha256": digest, "weighed_to": weighed_to}
    for key, file in (("overlay", "overlay.png"), ("report", "report.html")):
        with contextlib.suppress(OSError):
            kept, kept_digest = keep_file(case, (source / file).read_bytes(), file, under="results")
            data |= {key: kept, f"{key}_sha256": kept_digest}
    return add_entry(case, "comparison", data)


def change_by(result: str) -> str:
    """Say what a compare --before on the same board found: ``none``, or ``changed``.

    Raises
    ------
    InputError
        Where the folder holds no such comparison, or it could not tell.
    """
    path = Path(result) / "result.json"
    try:
        document = json.loads(path.read_text(encoding="utf-8"))
        basis, verdict = document["basis"], document["verdict"]
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise InputError(
            str(path), "", "is no result of compare", "name the folder that compare --before wrote"
        ) from error
    if basis != "itself_before":
        raise InputError(str(path), "basis", f"compares with {basis}", "use compare --before, on the same board")
    digests = [i["sha256"] for i in document.get("inputs", ()) if i["role"] in ("faulty", "before") and i["sha256"]]
    if len(set(digests)) < len(digests):
        raise InputError(str(path), "inputs", "compares a recording with itself", "film the board again after the work")
    if verdict == "cannot_tell":
        raise InputError(str(path), "verdict", "could not tell whether anything changed", "film again, or say --change")
    return "none" if verdict == "like_good" else "changed"


def show_moved(folder: str) -> None:
    """Print what the newest entry moved, where it bears on the suspects."""
    from thermscan.case.state import state_of

    case = open_case(folder)
    steps = state_of(case, board_of(case)).steps
    if steps and steps[-1].number == case.entries[-1].number:
        click.echo(f"{steps[-1].what}: {steps[-1].moved}")


def print_case(view: CaseView, *, with_history: bool) -> None:
    """Print where a case stands in plain words."""
    from thermscan.case.sheet_blocks import caution_block, steps_of, unweighed_words
    from thermscan.case.sheets import answer_of
    from thermscan.show.words import say_share

    state = view.state
    click.echo(f"{state.head.device}; {state.head.board_name or 'board without a name'}")
    click.echo(answer_of(state)[0])
    for rank, candidate in enumerate(state.standing.candidates[:5] if state.standing else (), 1):
        click.echo(f"{rank}. {candidate.name} ({say_share(candidate.probability)})")
    if state.standing is not None:
        none, other = say_share(state.standing.no_fault), say_share(state.standing.other)
        click.echo(f"   no fault {none}, another fault {other}")
    for step in state.steps if with_history else ():
        click.echo(f"{step.number:4d}  {step.time[:16].replace('T', ' ')}  {step.what}: {step.moved}")
    if state.unweighed:
        click.echo(f"{unweighed_words(state)} (thermscan case show {view.case.path} --recompute)")
    for line in caution_block(view).lines:
        click.echo(f"caution: {line}")
    for step in steps_of(view)[:3] if state.last("conclusion") is None else ():
        click.echo(f"next: {step}")
    for question in state.open_questions:
        click.echo(f"open safety question ({question.name}): {question.text}")
    for line in view.trouble:
        click.echo(f"warning: {line}", err=True)
    if view.case.is_torn:
        click.echo("warning: the last entry was cut short while it was written and is left out", err=True)


def verification_data(case: CaseFolder, folder: str) -> dict[str, object]:
    """Copy a verification into the case and return what the log keeps of it; raises InputError where it is none."""
    path = Path(folder) / "verification.json"
    try:
        content = path.read_bytes()
        document = json.loads(content)
        outcome, passed = str(document["outcome"]), document["passed"] is True
        told = [document["sentence"], *(c[key] for c in document["criteria"] for key in CRITERION_KEYS)]
        if not all(isinstance(words, str) for words in told):
            raise TypeError("words are wanted")
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise InputError(str(path), "", "is no verification", "name the folder that verify wrote") from error
    name, digest = keep_file(case, content, "verification.json", under="results")
    failed = [str(c["name"]) for c in document["criteria"] if c["state"] == "not_met"]
    data: dict[str, object] = {"path": name, "sha256": digest, "outcome": outcome, "passed": passed, "failed": failed}
    picture = Path(folder) / "before_after.png"
    if picture.is_file():
        kept, kept_digest = keep_file(case, picture.read_bytes(), picture.name, under="results")
        data |= {"picture": kept, "picture_sha256": kept_digest}
    return data
