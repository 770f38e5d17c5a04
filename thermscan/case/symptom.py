"""Words for what is wrong with a device, and how likely each is under each fault."""

from __future__ import annotations

from dataclasses import dataclass

from thermscan.model.errors import InputError, nearest


@dataclass(frozen=True)
class Symptom:
    """A word, what it means, and its probability under each fault; ``none`` and ``other`` among them."""

    name: str
    about: str
    chances: dict[str, float]


_ORDER = (
    "short",
    "leak",
    "overload",
    "dead_supply",
    "open_or_missing",
    "joint",
    "heat_path",
    "bridge",
    "hidden_source",
    "supply_limit",
    "other",
    "none",
)


def _row(*values: float) -> dict[str, float]:
    return dict(zip(_ORDER, values, strict=True))


# Probabilities that a board with this fault shows the symptom, in the order above: judgement, no source. Wide on
# purpose: users describe the same board in different words.
SYMPTOMS = (
    Symptom("dead", "no sign of life", _row(0.60, 0.08, 0.20, 0.60, 0.35, 0.20, 0.05, 0.40, 0.20, 0.45, 0.35, 0.02)),
    Symptom(
        "restarts",
        "starts again and again",
        _row(0.35, 0.08, 0.18, 0.08, 0.06, 0.10, 0.08, 0.20, 0.15, 0.55, 0.12, 0.01),
    ),
    Symptom(
        "too_much_current",
        "draws more than it should",
        _row(0.60, 0.35, 0.50, 0.05, 0.03, 0.04, 0.04, 0.45, 0.40, 0.35, 0.15, 0.02),
    ),
    Symptom(
        "too_little_current",
        "draws less than it should",
        _row(0.05, 0.03, 0.04, 0.60, 0.45, 0.20, 0.03, 0.06, 0.06, 0.35, 0.20, 0.02),
    ),
    Symptom(
        "rail_missing",
        "a supply voltage is missing",
        _row(0.55, 0.06, 0.12, 0.70, 0.30, 0.12, 0.03, 0.30, 0.12, 0.40, 0.20, 0.02),
    ),
    Symptom(
        "gets_hot", "a place gets hot", _row(0.50, 0.40, 0.60, 0.08, 0.05, 0.30, 0.60, 0.40, 0.60, 0.25, 0.15, 0.04)
    ),
    Symptom(
        "works_partly",
        "some functions fail",
        _row(0.15, 0.30, 0.25, 0.45, 0.60, 0.40, 0.15, 0.30, 0.25, 0.15, 0.45, 0.05),
    ),
    Symptom(
        "comes_and_goes",
        "the fault comes and goes",
        _row(0.06, 0.15, 0.12, 0.08, 0.20, 0.65, 0.30, 0.12, 0.12, 0.15, 0.25, 0.05),
    ),
    Symptom(
        "after_warm_up",
        "fails once it is warm",
        _row(0.08, 0.30, 0.25, 0.06, 0.08, 0.35, 0.65, 0.08, 0.20, 0.25, 0.20, 0.03),
    ),
    Symptom(
        "after_liquid",
        "got wet before it failed",
        _row(0.15, 0.30, 0.08, 0.08, 0.12, 0.10, 0.02, 0.30, 0.12, 0.06, 0.15, 0.05),
    ),
    Symptom(
        "after_impact",
        "fell or was bent before it failed",
        _row(0.08, 0.03, 0.03, 0.06, 0.25, 0.30, 0.10, 0.06, 0.03, 0.03, 0.15, 0.05),
    ),
)


def symptom_named(name: str) -> Symptom:
    """Return a symptom by its word; raises InputError that lists the words."""
    for symptom in SYMPTOMS:
        if symptom.name == name:
            return symptom
    words = [s.name for s in SYMPTOMS]
    hint = nearest(name, words) or f"words are {', '.join(words)}"
    raise InputError("--word", "", f"no symptom {name!r}", f"{hint}; free text needs no word")
