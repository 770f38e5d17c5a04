"""What probabilities are held back by: thin evidence, feeders that warm for others, differences left unexplained."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from thermscan.explain.bare_fault import BLOCKERS
from thermscan.explain.lineup import Lineup
from thermscan.explain.meter import POWER_UP
from thermscan.explain.power_tree import MAKER_KINDS, PowerTree
from thermscan.model.board import Board
from thermscan.model.evidence import Evidence
from thermscan.model.reading import Reading
from thermscan.model.result import Suspect
from thermscan.model.settings import ExplainSettings

SHOWS_HEAT = ("hidden_source", "overload", "leak", "joint")  # faults that do nothing else that a picture shows
SLOW_THROUGH = ("connector",)  # kinds whose body lets no heat through within seconds: tall, of plastic
WARM_AS_A_FEEDER = ("short", "leak", "overload", "hidden_source")  # what a part looks like that feeds an unseen short


def is_thin(evidence: Evidence) -> bool:
    """Tell whether heat alone is thin: no good board, clock or trusted placing, or one board and no cold frame.

    Without a common clock every part of a sound board is colder or warmer by as much as it was filmed earlier or later;
    where a placing is not trusted, heat may belong to the part beside.
    """
    if "placement_untrusted" in evidence.flags:
        return True
    if evidence.basis == "good_boards":
        is_cold_unknown = "no_cold_frames" in evidence.flags
        return not evidence.clock_is_power_on or (is_cold_unknown and evidence.good_boards <= 1)
    return evidence.basis == "itself_only"


def held_back(
    suspects: tuple[Suspect, ...],
    none: float,
    other: float,
    lineup: Lineup,
    evidence: Evidence,
    *,
    backed: frozenset[str] = frozenset(),
) -> tuple[tuple[Suspect, ...], float, float]:
    """Leave suspects only a share of their probability, the rest going to no fault and other alike.

    Without a good board and without a reading a warm place is as often healthy; those ``backed`` (refdes) are borne out
    by a reading and keep what they have. Nor is a board cleared that could not be compared: no fault keeps less
    than the probability from which a verdict is given.
    """
    shares = [1.0 if s.ref in backed else _share_alone(s, lineup, evidence) for s in suspects]
    held = tuple(replace(s, probability=share * s.probability) for s, share in zip(suspects, shares, strict=True))
    freed = sum(s.probability for s in suspects) - sum(s.probability for s in held)
    kept = min(none + freed / 2, lineup.settings.most_uncleared)
    return held, kept, other + freed + none - kept


def quiet_held_back(
    suspects: tuple[Suspect, ...], none: float, other: float, lineup: Lineup, evidence: Evidence
) -> tuple[tuple[Suspect, ...], float, float]:
    """Leave a part that should be warm and is not seen to be a share of its probability, as ``held_back`` does.

    What lies around it may be warmer for harmless reasons that no part shows by itself: a load that starts earlier, a
    draught. A part whose surface tells nothing, and one that takes its net down, need not be warm; but of a part that
    nobody sees, on good boards neither, nobody knows how much heat is too much. The doubt clears no board that was not
    cleared without it.
    """
    quiet = [_is_quiet(s, lineup, evidence) for s in suspects]
    share = lineup.settings.alone_share
    held = tuple(
        replace(s, probability=share * s.probability) if q else s for s, q in zip(suspects, quiet, strict=True)
    )
    freed = sum(s.probability for s in suspects) - sum(s.probability for s in held)
    kept = max(none, min(none + freed / 2, lineup.settings.most_uncleared))
    return tuple(sorted(held, key=lambda s: -s.probability)), kept, other + freed + none - kept


def _is_quiet(suspect: Suspect, lineup: Lineup, evidence: Evidence) -> bool:
    """Tell whether a suspect makes heat by its fault, and is no warmer than healthy parts differ by.

    Where it cannot be seen, only more heat than usual is doubted: what usual is, nobody saw. So is any heat of a part
    behind the board that one good board has as much of. Heat from under a connector is another matter: it shows beside
    the body before it comes through.
    """
    scene, row = lineup.scene, lineup.scene.index(suspect.ref) if suspect.ref else None
    if row is None or suspect.fault not in SHOWS_HEAT:
        return False
    if not scene.is_seen[row]:
        return suspect.fault == "overload" or (evidence.good_boards == 1 and _brings_as_much(row, lineup))
    is_found = any(s.ref == suspect.ref and s.power_w.low > 0 for s in evidence.sources)
    if is_found and suspect.fault == "hidden_source" and scene.kinds[row] in SLOW_THROUGH:
        return False
    return float(scene.significance()[row]) < lineup.settings.quiet_sigmas


def _brings_as_much(row: int, lineup: Lineup) -> bool:
    """Tell whether the heat that a part brings on a good board, where it brings most, is about what is more there."""
    scene = lineup.scene
    brings = np.where(scene.is_seen, lineup.shares[:, row] * scene.own_k[:, -1], 0.0)
    most = int(np.argmax(brings))
    return bool(brings[most] * lineup.settings.quiet_times >= scene.excess_k[most, -1] > 0.0)


def one_good_held_back(
    suspects: tuple[Suspect, ...],
    none: float,
    other: float,
    evidence: Evidence,
    settings: ExplainSettings,
    *,
    backed: frozenset[str] = frozenset(),
) -> tuple[tuple[Suspect, ...], float, float]:
    """Lower the odds of suspects where one good board alone says what is healthy, but of those ``backed`` by a reading.

    What differs then may be what is odd about the good one. Of simulated boards that a first reckoning called suspects
    with a probability of 0.5 to 0.9, 9 of 19 were, with more good boards 46 of 66. The doubt clears no board.
    """
    if evidence.basis != "good_boards" or evidence.is_injection or evidence.good_boards != 1:
        return suspects, none, other
    odds = [s.probability * (1.0 if s.ref in backed else settings.one_good_odds) for s in suspects]
    whole = sum(odds) + none + other
    held = [replace(s, probability=p / whole) for s, p in zip(suspects, odds, strict=True)]
    calm = max(none, min(none / whole, settings.most_uncleared))
    return tuple(sorted(held, key=lambda s: -s.probability)), calm, (none + other) / whole - calm


def _share_alone(suspect: Suspect, lineup: Lineup, evidence: Evidence) -> float:
    """Return the share of its probability that thin evidence leaves a suspect.

    A hot part of a kind through which no direct current passes needs no good board to compare with: no healthy one
    makes heat. It does need a placing that holds, and a clock or a good board that is nearly cold there: no other
    moment of its run makes that several times as warm.
    """
    settings, row = lineup.settings, lineup.scene.index(suspect.ref) if suspect.ref else None
    if row is None or "placement_untrusted" in evidence.flags or suspect.fault not in ("short", "leak"):
        return settings.alone_share
    scene = lineup.scene
    excess, own = float(scene.excess_k[row, -1]), float(scene.own_k[row, -1])
    is_only_alone = evidence.basis == "itself_only"
    is_told = evidence.clock_is_power_on if is_only_alone else excess > settings.alone_times_own * own
    is_idle = scene.kinds[row] in BLOCKERS and bool(scene.is_seen[row])
    is_hot = excess > settings.alone_from_k * scene.floor_scale
    return settings.idle_alone_share if is_idle and is_hot and is_told else settings.alone_share


def makers_of_unknown_nets(board: Board | None, tree: PowerTree) -> frozenset[str]:
    """Return the parts that make some net by their kind, where the board file names no nets."""
    if board is None or tree.supplies:
        return frozenset()
    return frozenset(p.ref for p in board.parts if p.kind in MAKER_KINDS)


def feeders_held_back(
    suspects: tuple[Suspect, ...],
    other: float,
    tree: PowerTree,
    readings: tuple[Reading, ...],
    settings: ExplainSettings,
    *,
    blind: frozenset[str] = frozenset(),
) -> tuple[tuple[Suspect, ...], float]:
    """Leave a part that feeds a net a share of what heat of its own got, until a meter has seen that net.

    A part that feeds a net warms for whatever draws on it, also where nothing of that is seen (a short under a cover,
    on the other side, or small beside it); common practice, no source. The rest goes to ``other``. Parts ``blind`` make
    some net that the board file does not name.

    Returns
    -------
    (tuple of Suspect, float)
        In order of their probability, and the new ``other``.
    """
    metered = {r.net for r in readings if r.quantity not in POWER_UP}
    out = []
    for suspect in suspects:
        nets = tree.made_by(suspect.ref) if suspect.ref is not None else ()
        whole = sum(suspect.faults.values())
        own = sum(suspect.faults.get(word, 0.0) for word in WARM_AS_A_FEEDER) / whole if whole > 0 else 0.0
        is_blind = suspect.ref in blind
        if not (nets or is_blind) or own <= 0.0 or metered & set(nets):
            out.append(suspect)
            continue
        kept = suspect.probability * (1.0 - (1.0 - settings.decoy_share) * own)
        other += suspect.probability - kept
        fed = nets[0] if nets else "what is not listed"
        which = "that net" if nets else "its output"
        reason = f"{suspect.ref} feeds {fed} and would warm with a short there that is not seen: measure {which}"
        reasons = (*suspect.reasons, reason) if suspect.fault in WARM_AS_A_FEEDER else suspect.reasons
        out.append(replace(suspect, probability=kept, reasons=reasons))
    return tuple(sorted(out, key=lambda s: -s.probability)), other


def not_cleared(
    none: float, other: float, evidence: Evidence, settings: ExplainSettings
) -> tuple[float, float, tuple[str, ...]]:
    """Return no fault and other, and a sentence, where a part that no suspect explains differs from the good boards.

    A part that is hot or cold by more than one of many is by chance is no clean bill, whatever fits it badly; nor is
    heat that a part seems to make through which no direct current passes, and which makes none on a good board.
    """
    odd = [p.ref for p in evidence.parts if p.state in ("hot", "cold")]
    idle = [ref for ref in _idle_sources(evidence, settings) if ref not in odd]
    if evidence.basis != "good_boards" or none <= settings.most_uncleared or not (odd or idle):
        return none, other, ()
    said = []
    if odd:
        named = ", ".join(odd[:4])
        verb = "differs" if len(odd) == 1 else "differ"
        said.append(f"{named} {verb} from the good boards, and no fault weighed explains it well")
    if idle:
        said.append(f"heat seems to be made at {', '.join(idle[:4])}, where none is on a good board: not cleared")
    return settings.most_uncleared, other + none - settings.most_uncleared, tuple(said)


def _idle_sources(evidence: Evidence, settings: ExplainSettings) -> list[str]:
    """Return the parts that pass no direct current and stand for a source of heat that is needed for sure."""
    kinds = {p.ref: p.kind for p in evidence.parts}
    sure = [s for s in evidence.sources if s.power_w.low > 0 and s.needed_probability >= settings.sure_source]
    refs = [max(s.rivals, key=s.rivals.__getitem__) if s.rivals else s.ref for s in sure]
    return [ref for ref in refs if ref and kinds.get(ref) in BLOCKERS]
