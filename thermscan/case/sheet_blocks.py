"""Blocks that the sheets of a case share."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from thermscan.case.folder import CaseFolder, case_file
from thermscan.case.past import meter
from thermscan.case.safety import case_cautions
from thermscan.case.standing import NO_FAULT, OTHER
from thermscan.case.state import latest_readings
from thermscan.model.board import Board
from thermscan.model.case_record import CaseState, Entry, Standing
from thermscan.model.errors import InputError
from thermscan.model.reading import OF_A_NET, Reading
from thermscan.show.photograph import shown_photograph
from thermscan.show.sheet import Block
from thermscan.show.standing_picture import draw_standing
from thermscan.show.words import say_share

CHANGE_WORDS = {"none": "no change", "changed": "changed, fault still there", "gone": "fault gone", "": "not known"}


@dataclass(frozen=True)
class CaseView:
    """Everything a sheet is made from: the folder, the sum of its entries, its board, and what is wrong with files."""

    case: CaseFolder
    state: CaseState
    board: Board | None
    documents: Mapping[int, Mapping[str, object]] = field(default_factory=dict)
    trouble: tuple[str, ...] = ()
    version: str = ""

    @property
    def newest(self) -> tuple[int, Mapping[str, object]] | None:
        """Return the newest comparison: its entry's number and its result.json."""
        return max(self.documents.items()) if self.documents else None


def time_words(time: str) -> str:
    """Return a time to the minute."""
    return time[:16].replace("T", " ")


def when(entry: Entry) -> str:
    """Return an entry's time to the minute."""
    return time_words(entry.time)


def verification_of(view: CaseView) -> tuple[Mapping[str, object], Entry] | None:
    """Return the newest verification and its entry."""
    entry = view.state.last("verification")
    if entry is None:
        return None
    return json.loads(case_file(view.case, entry.text("path"), wanted=entry.text("sha256"))), entry


def caution_block(view: CaseView) -> Block:
    """Return the cautions of this case; they stand before anything that is to be done."""
    hot = any(q.name == "hot" for q in view.state.questions)
    steps = " ".join(steps_of(view)).lower()
    chosen = case_cautions(view.case.head, view.board, hot=hot, injection="inject" in steps)
    return Block("Before you do anything", "caution", tuple(caution.text for caution in chosen))


def steps_of(view: CaseView) -> tuple[str, ...]:
    """Return what the newest comparison proposes to do next."""
    newest = view.newest
    steps = newest[1].get("next_steps") if newest else None
    return tuple(str(step) for step in steps) if isinstance(steps, list) else ()


def intake_block(view: CaseView) -> Block:
    """Return device, board, symptoms and findings."""
    state = view.state
    facts = [("device", state.head.device), ("board", state.head.board_name or "without a name")]
    facts.append(("opened", state.head.created[:16].replace("T", " ")))
    facts += [("history", e.text("history")) for e in state.of_kind("opened") if e.text("history")]
    facts += [("symptom", e.text("text") or e.text("word").replace("_", " ")) for e in state.of_kind("symptom")]
    for entry in state.of_kind("finding"):
        where = f" at {entry.text('where')}" if entry.text("where") else ""
        facts.append((f"seen{where}", entry.text("text")))
    return Block("Intake", facts=tuple(facts))


def suspects_block(view: CaseView) -> Block | None:
    """Return the suspects: as the newest comparison left them, and where they stand after every entry."""
    standing, newest = view.state.standing, view.newest
    if standing is None or newest is None:
        return None
    rows, at_first = [], _compared(newest[1])
    for rank, candidate in enumerate(standing.candidates[:8], 1):
        suspect = _suspect(newest[1], candidate.ref, candidate.name)
        compared = "" if suspect is None else say_share(float(str(suspect["probability"])))
        text = "" if suspect is None else str(suspect["fault_text"])
        power = "" if suspect is None else _power(suspect)
        rows.append((str(rank), candidate.name, text, power, compared, say_share(candidate.probability)))
    rows += [("", NO_FAULT, "", "", at_first[0], say_share(standing.no_fault))]
    rows += [("", OTHER, "", "", at_first[1], say_share(standing.other))]
    heads = ("rank", "suspect", "fault", "power over good boards", "in the comparison", "now")
    return Block("Suspects", heads=heads, rows=tuple(rows))


def _compared(document: Mapping[str, object]) -> tuple[str, str]:
    keys = ("no_fault_probability", "other_probability")
    return tuple(say_share(float(str(document[key]))) for key in keys)  # type: ignore[return-value]


def _suspect(document: Mapping[str, object], ref: str | None, name: str) -> Mapping[str, object] | None:
    suspects = document["suspects"]
    if not isinstance(suspects, list):
        return None
    if ref is not None:
        return next((s for s in suspects if s["ref"] == ref), None)
    bare = [s for s in suspects if s["ref"] is None]
    exact = (s for s in bare if s["x_mm"] is not None and f"{s['x_mm']:.0f}, {s['y_mm']:.0f} mm" in name)
    return next(exact, bare[0] if len(bare) == 1 else None)


def _power(suspect: Mapping[str, object]) -> str:
    value, ends = suspect["power_w"], suspect["power_w_95"]
    if value is None or not isinstance(ends, list):
        return "not known"
    return f"{float(str(value)):.3g} W ({ends[0]:.3g} to {ends[1]:.3g})"


def reasons_block(view: CaseView) -> Block | None:
    """Return why the leading suspect leads, in the comparison's words."""
    standing, newest = view.state.standing, view.newest
    if standing is None or newest is None or not standing.candidates:
        return None
    first = standing.candidates[0]
    suspect = _suspect(newest[1], first.ref, first.name)
    reasons = suspect["reasons"] if suspect else None
    return Block(f"Why {first.name}", lines=tuple(str(r) for r in reasons)) if isinstance(reasons, list) else None


def history_blocks(view: CaseView) -> list[Block]:
    """Return what moved what, and when, as a table and a small picture."""
    state = view.state
    rows = [
        (str(step.number), step.time[:16].replace("T", " "), step.what, step.moved, _leader(step.standing))
        for step in state.steps
    ]
    if not rows:
        return []
    heads = ("entry", "when", "what", "what it moved", "leads then")
    blocks = [Block("What moved the suspects, and when", heads=heads, rows=tuple(rows))]
    source = (("case log", state.entries[-1].sha256),)
    picture = draw_standing(state.steps, device=state.head.device, sources=source, version=view.version)
    if picture is not None:
        caption = "Probability of each suspect after each entry of the log"
        blocks.append(Block("The same as a picture", picture=picture, caption=caption))
    return blocks


def _leader(standing: Standing | None) -> str:
    if standing is None or not standing.candidates:
        return ""
    first = standing.candidates[0]
    return f"{first.name} {say_share(first.probability)}"


def readings_block(view: CaseView) -> Block | None:
    """Return the meter's readings, the last of each place and quantity, beside the good board's."""
    rows = tuple(
        (
            place_of(r),
            r.quantity.replace("_", " "),
            meter(r.value, r.unit),
            _good(r),
            r.power,
            time_words(r.time),
            r.note,
        )
        for r in latest_readings(view.state.readings)
    )
    heads = ("where", "quantity", "reads", "good board", "power", "when", "note")
    return Block("Readings", heads=heads, rows=rows) if rows else None


def before_after_readings_block(view: CaseView) -> Block | None:
    """Return the readings from before the first part was worked on beside those from after the last one.

    A net's volts and ohms stand in one line, wherever on the net they were taken: the last before and the last after.
    """
    worked = [e.number for e in view.state.of_kind("swap")]
    first, last = (worked[0], worked[-1]) if worked else (math.inf, math.inf)
    before = _by_net([r for r in view.state.readings if r.row < first])
    after = _by_net([r for r in view.state.readings if r.row > last])
    rows = []
    for key in dict.fromkeys([*before, *after]):
        pair = [side.get(key) for side in (before, after)]
        good = next((_good(r) for r in reversed(pair) if r is not None and r.good_value is not None), "not measured")
        said = ["not measured" if r is None else meter(r.value, r.unit) for r in pair]
        places = {place_of(r) for r in pair if r is not None}
        rows.append((places.pop() if len(places) == 1 else key[0], key[1], said[0], said[1], good))
    heads = ("where", "quantity", "before the work", "after the work", "good board")
    return Block("Readings", heads=heads, rows=tuple(rows)) if rows else None


def _by_net(readings: Sequence[Reading]) -> dict[tuple[str, str], Reading]:
    """Return of several readings of one net and quantity the last, by the words for both; currents by their place."""
    return {
        (r.net if r.net and r.quantity in OF_A_NET else place_of(r), r.quantity.replace("_", " ")): r for r in readings
    }


def place_of(reading: Reading) -> str:
    """Say where a reading was taken."""
    both = reading.net and reading.where and reading.net != reading.where
    return f"{reading.net} at {reading.where}" if both else reading.net or reading.where


def _good(reading: Reading) -> str:
    return "not measured" if reading.good_value is None else meter(reading.good_value, reading.unit)


def _change_words(entry: Entry) -> str:
    """Say what a swap changed, and who says so where it was not the user."""
    change = entry.text("change")
    if entry.text("seen_by"):
        return f"{'changed' if change == 'changed' else CHANGE_WORDS[change]} ({entry.text('seen_by')})"
    return CHANGE_WORDS.get(change, change)


def work_block(view: CaseView) -> Block | None:
    """Return the parts swapped or removed and what changed."""
    rows = tuple(
        (when(e), e.text("ref"), e.text("action"), _change_words(e), e.text("note")) for e in view.state.of_kind("swap")
    )
    return Block("Parts worked on", heads=("when", "part", "what", "then", "note"), rows=rows) if rows else None


def recordings_block(view: CaseView) -> Block | None:
    """Return the recordings with their hashes."""
    rows = tuple(
        (e.text("role"), e.text("path"), e.text("side"), when(e), e.text("sha256"))
        for e in view.state.of_kind("recording")
    )
    heads = ("role", "file", "side", "added", "SHA-256")
    return Block("Recordings", heads=heads, rows=rows) if rows else None


def picture_blocks(view: CaseView) -> list[Block]:
    """Return the attached pictures; one that is lost or changed is told in words."""
    blocks = []
    for entry in view.state.of_kind("picture"):
        title = f"Picture, entry {entry.number}"
        caption = f"{entry.text('caption')} (SHA-256 {entry.text('sha256')[:16]}…)"
        try:
            content = case_file(view.case, entry.text("path"), wanted=entry.text("sha256"))
        except InputError as error:
            blocks.append(Block(title, "warning", (str(error),)))
            continue
        picture = shown_photograph(content)
        note = () if picture else (f"{entry.text('path')}: cannot be shown, kept in the case folder. {caption}",)
        blocks.append(Block(title, lines=note, picture=picture, caption=caption))
    return blocks


def unweighed_words(state: CaseState) -> str:
    """Say which entries no comparison has weighed yet."""
    numbers = ", ".join(str(n) for n in state.unweighed)
    entries = f"entry {numbers} is" if len(state.unweighed) == 1 else f"entries {numbers} are"
    return f"{entries} in no comparison yet"


def overlay_block(view: CaseView) -> Block | None:
    """Return the overlay of the newest comparison, where the case keeps one."""
    entry = view.state.last("comparison")
    if entry is None or not entry.text("overlay"):
        return None
    try:
        picture = case_file(view.case, entry.text("overlay"), wanted=entry.text("overlay_sha256"))
    except InputError as error:
        return Block("Where it is", "warning", (str(error),))
    return Block("Where it is", picture=picture, caption=f"Overlay of the comparison, entry {entry.number}")


def trouble_block(view: CaseView) -> Block | None:
    """Return what is wrong with files, and what no comparison has weighed yet."""
    lines = list(view.trouble)
    if view.case.is_torn:
        lines.append("the last entry of the log was cut short while it was written and is left out")
    if view.state.unweighed:
        lines.append(f"{unweighed_words(view.state)} (--recompute makes one)")
    lines += [f"open safety question ({q.name}): {q.text}" for q in view.state.open_questions]
    return Block("To be settled", "warning", tuple(lines)) if lines else None


def criteria_block(document: Mapping[str, object]) -> Block:
    """Return the pass criteria of a verification, met, not met or not done."""
    words = {"met": "met", "not_met": "NOT met", "not_done": "not done"}
    rows = tuple(
        (str(c["name"]), str(c["wanted"]), str(c["found"]), words.get(str(c["state"]), str(c["state"])))
        for c in document["criteria"]  # type: ignore[attr-defined]
    )
    return Block("Checked after the repair", heads=("what", "wanted", "found", "state"), rows=rows)
