"""The three sheets of a case: for the bench, for the customer, and for a donor board on the shelf."""

from __future__ import annotations

from collections.abc import Mapping

from thermscan.case.decision import money_of, spent, ways
from thermscan.case.folder import case_file
from thermscan.case.past import meter
from thermscan.case.safety import first_minutes
from thermscan.case.sheet_blocks import (
    CaseView,
    before_after_readings_block,
    caution_block,
    criteria_block,
    history_blocks,
    intake_block,
    overlay_block,
    picture_blocks,
    readings_block,
    reasons_block,
    recordings_block,
    steps_of,
    suspects_block,
    trouble_block,
    verification_of,
    work_block,
)
from thermscan.case.state import latest_readings
from thermscan.model.case_record import CaseState
from thermscan.model.reading import Reading
from thermscan.show.sheet import Block, Sheet
from thermscan.show.words import say_share

SHEETS = ("bench", "customer", "donor")
GOOD_WORDS = {"gone": "The fault is gone", "like_good": "The board behaves like the good ones"}
WARMED_K = 0.5  # a part that rose less than this was not shown to do anything; judgement
LIKE_VOLTS = 0.05  # share by which a rail may differ from the good board's; common practice, no source


def make_sheet(kind: str, view: CaseView) -> Sheet:
    """Return one of SHEETS.

    Raises
    ------
    InputError
        Where a file that it needs is missing or changed.
    """
    return {"bench": bench_sheet, "customer": customer_sheet, "donor": donor_sheet}[kind](view)


def _made(kind: str, view: CaseView, answer: str, state: str, blocks: list[Block | None]) -> Sheet:
    head = view.state.head
    subline = (
        f"{head.board_name or 'board without a name'}; opened {head.created[:10]}; {len(view.state.entries)} entries"
    )
    return Sheet(kind, head.device, answer, subline, state, tuple(b for b in blocks if b is not None), view.version)


def answer_of(state: CaseState) -> tuple[str, str]:
    """Say where a case stands in one sentence, and its tone: good, bad or open."""
    conclusion, standing = state.last("conclusion"), state.standing
    if conclusion is not None:
        decision = conclusion.text("decision")
        cause = f" Cause: {conclusion.text('cause')}." if conclusion.text("cause") else ""
        words = {"repair": "Repaired.", "donor": "Kept as a donor of parts.", "scrap": "Scrapped."}
        said = words.get(decision, decision) + cause
        if decision != "repair":
            return said, "bad"
        checked, tone = _checked(state)
        return f"{said} {checked}", tone
    if standing is None or not standing.candidates:
        return "Open: no comparison has been made yet.", "open"
    first = standing.candidates[0]
    return f"Open: {first.name} leads with {say_share(first.probability)}.", "open"


def _checked(state: CaseState) -> tuple[str, str]:
    """Say how far a repair was verified, and the tone of that."""
    entry = state.last("verification")
    if entry is None:
        return "Not verified by a recording.", "open"
    if entry.data.get("passed") is True:
        return "Verified.", "good"
    if failed := entry.data.get("failed"):
        return _failed_words(failed), "bad"
    if entry.text("outcome") in GOOD_WORDS:
        return f"{GOOD_WORDS[entry.text('outcome')]}; the verification is not complete.", "open"
    tone = "open" if entry.text("outcome") == "cannot_tell" else "bad"
    return f"Not verified: {entry.text('outcome').replace('_', ' ')}.", tone


def _failed_words(names: object) -> str:
    """Say that a verification failed, and on what; a fault that is gone does not outweigh it."""
    return f"Verification failed: {', '.join(map(str, names))} not met."  # type: ignore[call-overload]


def bench_sheet(view: CaseView) -> Sheet:
    """Return the sheet for the bench: everything, what to settle and the cautions first."""
    state = view.state
    answer, tone = answer_of(state)
    steps = steps_of(view) if state.last("conclusion") is None else ()
    ruled = tuple(f"{ref}: {reason}" for ref, reason in state.ruled_out)
    found = verification_of(view)
    blocks: list[Block | None] = [
        trouble_block(view),
        caution_block(view),
        intake_block(view),
        *_first_blocks(view),
        suspects_block(view),
        reasons_block(view),
        overlay_block(view),
        Block("Next", lines=steps) if steps else None,
        Block("Ruled out by hand", lines=ruled) if ruled else None,
        *history_blocks(view),
        readings_block(view),
        work_block(view),
        criteria_block(found[0]) if found else None,
        *decision_blocks(state),
        _answers_block(state),
        recordings_block(view),
        *picture_blocks(view),
        _notes_block(state),
    ]
    return _made("Bench sheet", view, answer, tone, blocks)


def _first_blocks(view: CaseView) -> list[Block]:
    """Return the first five minutes, as long as nothing was compared or decided."""
    if view.newest is not None or view.state.last("conclusion") is not None:
        return []
    return [Block(f"First: {title}", lines=lines) for title, lines in first_minutes(view.case.head, view.board)]


def _answers_block(state: CaseState) -> Block | None:
    facts = tuple((q.text, q.answer) for q in state.questions if q.answer)
    return Block("Safety questions", facts=facts) if facts else None


def _notes_block(state: CaseState) -> Block | None:
    lines = tuple(f"{e.time[:16].replace('T', ' ')}: {e.text('text')}" for e in state.of_kind("note"))
    return Block("Notes", lines=lines) if lines else None


def decision_blocks(state: CaseState) -> list[Block]:
    """Return the decision with its reasons, and repair against donor against scrap in the user's own numbers."""
    blocks = []
    amounts, hours = spent(state)
    facts = [(f"spent{f' ({c})' if c else ''}", f"{amount:g}") for c, amount in amounts.items()]
    facts += [("hours so far", f"{hours:g}")] if hours else []
    conclusion = state.last("conclusion")
    if conclusion is not None:
        facts = [("decision", conclusion.text("decision")), ("reason", conclusion.text("reason")), *facts]
    if facts:
        blocks.append(Block("Decision and cost", facts=tuple(facts)))
    stored = conclusion.data.get("money") if conclusion is not None else None
    money = money_of(stored) if isinstance(stored, dict) else None
    if money is not None and any(v is not None for v in (money.sale, money.donor_value, money.scrap_value)):
        unit = f" {money.currency}" if money.currency else ""
        rows = tuple(
            (way.name, "not known" if way.value is None else f"{way.value:.2f}{unit}", way.reckoning)
            for way in ways(state, money)
        )
        lines = ("Your own numbers, from here on; what is spent already is the same whatever is done.",)
        if money.bought_for is not None:
            lines += (f"Bought for {money.bought_for:g}{unit}: spent already.",)
        heads = ("way", "expected to bring", "reckoned as")
        blocks.append(Block("Repair, donor or scrap", lines=lines, heads=heads, rows=rows))
    return blocks


def customer_sheet(view: CaseView) -> Sheet:
    """Return the sheet for the customer: what was wrong, what was changed, before and after, what was not tested."""
    state = view.state
    found = verification_of(view)
    answer, tone = _customer_answer(state, found[0] if found else None)
    blocks: list[Block | None] = [intake_block(view), _cause_block(state), work_block(view)]
    if found is not None:
        document, entry = found
        if entry.text("picture"):
            picture = case_file(view.case, entry.text("picture"), wanted=entry.text("picture_sha256"))
            caption = "Before and after the repair at the same colour scale and the same second"
            blocks.append(Block("Before and after", picture=picture, caption=caption))
        blocks.append(criteria_block(document))
    blocks += [before_after_readings_block(view), _not_tested(view, found[0] if found else None)]
    questions = tuple((q.text, q.answer or "not answered") for q in state.questions)
    blocks += [Block("Safety", "caution", _deference(view), facts=questions)]
    return _made("Report", view, answer, tone, blocks)


def _deference(view: CaseView) -> tuple[str, ...]:
    return caution_block(view).lines[-1:]


def _cause_block(state: CaseState) -> Block | None:
    conclusion = state.last("conclusion")
    if conclusion is None:
        return None
    facts = [("what was decided", conclusion.text("decision")), ("why", conclusion.text("reason"))]
    if conclusion.text("cause"):
        words = [conclusion.text("cause"), conclusion.text("fault").replace("_", " ")]
        facts.insert(0, ("cause", ": ".join(word for word in words if word)))
    return Block("What was found", facts=tuple(facts))


def _customer_answer(state: CaseState, document: Mapping[str, object] | None) -> tuple[str, str]:
    """Say the outcome; a repair that was not verified is never called verified."""
    conclusion = state.last("conclusion")
    if conclusion is None:
        return "Work in progress: nothing is decided yet.", "open"
    if conclusion.text("decision") != "repair":
        return answer_of(state)
    if document is None:
        return "Repaired; not verified by a recording afterwards.", "open"
    if document["passed"]:
        return "Repaired and verified.", "good"
    if failed := [c["name"] for c in document["criteria"] if c["state"] == "not_met"]:  # type: ignore[attr-defined]
        return _failed_words(failed), "bad"
    if document["outcome"] in GOOD_WORDS:
        return f"Repaired. {GOOD_WORDS[str(document['outcome'])]}; the verification is not complete.", "open"
    return f"Not verified. {document['sentence']}", "open" if document["outcome"] == "cannot_tell" else "bad"


def _not_tested(view: CaseView, document: Mapping[str, object] | None) -> Block:
    """Return what was not tested; a thermal recording never tests function."""
    lines = []
    if document is None:
        lines.append(
            "No recording was made after the work: cold starts, thermal balance and restarts were not checked."
        )
    else:
        criteria: list[dict[str, str]] = document["criteria"]  # type: ignore[assignment]
        left = [c for c in criteria if c["state"] == "not_done"]
        lines += [f"{c['name']}: {_left_words(view, c['name'])} (wanted: {c['wanted']})" for c in left]
    measured = {r.net for r in view.state.readings if r.quantity == "voltage" and r.power == "on"}
    rails = [r.net for r in view.board.rails if r.net not in measured] if view.board is not None else []
    if rails and document is None:
        lines.append(f"Voltages not measured: {', '.join(rails)}.")
    lines.append("Function of the device, safety tests that rules prescribe, and anything that makes no heat.")
    return Block("What was not tested", "warning", tuple(lines))


def _left_words(view: CaseView, name: str) -> str:
    """Say that a criterion was not done, or that the case holds what the verification was not given."""
    last = view.state.last("swap")
    later = [r for r in view.state.readings if r.row > (last.number if last is not None else 0)]
    volts = [r for r in later if r.quantity == "voltage" and r.power == "on" and name == f"rail {r.net}"]
    if not volts:
        return "not done"
    return f"measured after the work, {meter(volts[-1].value, volts[-1].unit)}, yet not given to the verification"


def donor_sheet(view: CaseView) -> Sheet:
    """Return the sheet for a donor board: what was shown to be like the good board, and what was never powered."""
    newest = view.newest
    if newest is None:
        blocks: list[Block | None] = [_no_parts(), caution_block(view)]
        return _made("Donor sheet", view, "Nothing on this board was shown to work.", "bad", blocks)
    parts = [p for p in newest[1]["parts"] if isinstance(p, dict)]  # type: ignore[attr-defined]
    suspects = (
        {c.ref for c in view.state.standing.candidates if c.probability >= 0.05} if view.state.standing else set()
    )
    known = {p["ref"] for p in parts}
    never = [p.ref for p in view.board.parts if p.ref not in known] if view.board is not None else []
    # What the comparison said of a part that is no longer on the board says nothing of the board as it is now.
    removed = tuple(dict.fromkeys(s.ref for s in view.state.swaps if s.action in ("removed", "swapped")))
    good, quiet, unlike, colder, unseen = _sorted_parts([p for p in parts if p["ref"] not in removed], suspects)
    unseen += [ref for ref in never if ref not in removed]
    blocks = [
        caution_block(view),
        _list("Warmed as on the good boards", good),
        _list("Not like the good boards, or suspected: do not reuse without a test", unlike),
        _list("No heat of their own to judge by: not shown to work", quiet),
        _list("Stayed colder than on the good boards, perhaps never powered: not shown to work", colder),
        _list("Not readable or not seen: nothing is known", unseen),
        _list("Taken off or swapped already", list(removed)),
        *_rail_blocks(view),
        recordings_block(view),
    ]
    count = len(good)
    answer = f"{count} of {len(parts) + len(never)} parts warmed as on the good boards."
    return _made("Donor sheet", view, answer, "good" if count else "bad", blocks)


def _no_parts() -> Block:
    return Block("Parts", "warning", ("No comparison with good boards stands in this case.",))


def _list(title: str, refs: list[str]) -> Block | None:
    return Block(f"{title} ({len(refs)})", lines=(", ".join(refs),)) if refs else None


def _sorted_parts(
    parts: list[dict[str, object]], suspects: set[str | None]
) -> tuple[list[str], list[str], list[str], list[str], list[str]]:
    """Sort parts into shown good, too quiet to tell, unlike the good ones, colder than they, and unseen."""
    good, quiet, unlike, colder, unseen = [], [], [], [], []
    for part in parts:
        ref, rise = str(part["ref"]), part.get("rise_k_95")
        if part["ref"] in suspects or part["state"] in ("hot", "unclear"):
            unlike.append(ref)
        elif part["state"] == "cold":
            colder.append(ref)
        elif part["state"] != "like_good":
            unseen.append(ref)
        elif isinstance(rise, list) and rise[0] > WARMED_K:
            good.append(ref)
        else:
            quiet.append(ref)
    return good, quiet, unlike, colder, unseen


def _rail_blocks(view: CaseView) -> list[Block]:
    """Return what was measured of each rail, and which were never measured with power on."""
    if view.board is None or not view.board.rails:
        return []
    readings = {(r.net, r.quantity): r for r in latest_readings(view.state.readings)}
    rows = []
    for rail in view.board.rails:
        volts, ohm = readings.get((rail.net, "voltage")), readings.get((rail.net, "resistance_to_ground"))
        powered = any(r.net == rail.net and r.power == "on" for r in readings.values())
        rows.append((rail.net, _measured(volts), _measured(ohm), _rail_words(volts, powered=powered)))
    heads = ("rail", "voltage", "resistance to ground", "shown")
    return [Block("Rails", heads=heads, rows=tuple(rows))]


def _measured(reading: Reading | None) -> str:
    if reading is None:
        return "not measured"
    good = "" if reading.good_value is None else f" (good board {meter(reading.good_value, reading.unit)})"
    return meter(reading.value, reading.unit) + good


def _rail_words(volts: Reading | None, *, powered: bool) -> str:
    if volts is None or volts.power == "off":
        return "powered, its voltage not measured" if powered else "never measured with power on"
    if volts.good_value is None:
        return "powered; no good board's value"
    close = abs(volts.value - volts.good_value) <= LIKE_VOLTS * abs(volts.good_value)
    return "like the good board" if close else "not like the good board"
