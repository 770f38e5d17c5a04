"""A verification as a sheet: answer first, then what was checked, what was not, and where."""

from __future__ import annotations

from collections.abc import Iterable

from thermscan.model.case_record import Criterion, PlaceChange, Verification
from thermscan.model.caution import Caution
from thermscan.show.sheet import Block, Sheet

STATE_WORDS = {
    "gone": "gone",
    "still_there": "STILL THERE",
    "new": "NEW",
    "changed": "changed, like the good boards",
    "nearer": "nearer to the good boards",
    "unknown": "cannot be told",
    "met": "met",
    "not_met": "NOT MET",
    "not_done": "not done",
}
NO_VALUE = "not seen"


def answer_words(verification: Verification) -> str:
    """Say the outcome in a few words; what was not done keeps it from being called verified."""
    if verification.passed:
        return "Verified: " + verification.sentence
    left = [c.name for c in verification.criteria if c.state == "not_met"]
    if verification.outcome in ("gone", "like_good") and left:
        return f"Not verified: {', '.join(left)} not met. {verification.sentence}"
    if verification.outcome in ("gone", "like_good"):
        count = len(verification.not_done)
        return f"{verification.sentence} Not yet verified: {count} check{'' if count == 1 else 's'} not done."
    return verification.sentence


def _kelvin(triple: tuple[float, float, float] | None) -> str:
    return NO_VALUE if triple is None else f"{triple[0]:+.2f} K ({triple[1]:+.2f} to {triple[2]:+.2f})"


def _place_row(place: PlaceChange) -> tuple[str, ...]:
    return place.name, STATE_WORDS[place.state], _kelvin(place.before_k), _kelvin(place.after_k)


def _criterion_row(criterion: Criterion) -> tuple[str, ...]:
    return criterion.name, criterion.wanted, criterion.found, STATE_WORDS[criterion.state]


def verification_sheet(
    verification: Verification, *, picture: bytes | None = None, cautions: Iterable[Caution] = ()
) -> Sheet:
    """Return the sheet of a verification."""
    not_tested = [f"{c.name}: not done (wanted: {c.wanted})" for c in verification.criteria if c.state == "not_done"]
    not_tested.append("Function, safety tests that rules prescribe, and anything that makes no heat.")
    blocks = [
        Block(
            "Pass criteria",
            heads=("what", "wanted", "found", "state"),
            rows=tuple(_criterion_row(c) for c in verification.criteria),
        ),
        Block("What was not tested", "warning", tuple(not_tested)),
        Block(
            "Places",
            heads=("place", "state", "before, over the good boards", "after"),
            rows=tuple(_place_row(p) for p in verification.places[:20]),
            lines=() if verification.places else ("No place differs from the good boards.",),
        ),
        Block(
            "Before and after" if any(r == "before" for r, _, _ in verification.inputs) else "After",
            picture=picture,
            caption="Excess seen over the good boards, at one colour scale and one second",
        ),
        Block("What weakens this answer", "warning", verification.warnings) if verification.warnings else None,
        Block("Before further work", "caution", tuple(c.text for c in cautions)),
        Block("Recordings", heads=("role", "file", "SHA-256"), rows=verification.inputs),
    ]
    good = verification.outcome in ("gone", "like_good")
    tone = "good" if verification.passed else ("open" if good or verification.outcome == "cannot_tell" else "bad")
    return Sheet(
        "Verification",
        verification.board_name or "board without a name",
        answer_words(verification),
        f"{verification.side} side; {len(verification.inputs)} recordings",
        tone,
        tuple(b for b in blocks if b is not None and (b.title not in ("Before and after", "After") or picture)),
        verification.version,
    )
