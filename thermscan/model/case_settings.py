"""Defaults of the case and of the verification, in the manner of ``model.settings``."""

from __future__ import annotations

from dataclasses import dataclass

from thermscan.model.knob import knob


@dataclass(frozen=True)
class CaseSettings:
    """What entries of a case do to the suspects, beyond what a comparison weighs itself."""

    swap_left: float = knob(0.1, (0.001, 1.0), "what a swap without change leaves of a suspect; judgement")
    kind_left: float = knob(0.8, (0.001, 1.0), "what it leaves of the other parts of its kind; judgement")
    gone_left: float = knob(
        0.1, (0.001, 1.0), "what remains of everything else once a swap took the fault away; joints are reheated too"
    )
    rule_out_left: float = knob(0.02, (0.0, 1.0), "what the user's own ruling out leaves of a suspect; judgement")
    past_strength: float = knob(
        20.0, (1.0, 1000.0), "number of past cases that weigh as much as what is believed without any; judgement"
    )
    lines: int = knob(6, (1, 12), "suspects drawn in the picture of the probabilities")
    lock_wait_s: float = knob(10.0, (0.1, 600.0), "seconds to wait for another writer of the same case")


@dataclass(frozen=True)
class VerifySettings:
    """When a repair counts as verified."""

    cold_starts: int = knob(2, (1, 10), "cold starts to be seen: the first may succeed by chance; common practice")
    cold_share: float = knob(
        0.15, (0.0, 1.0), "share of a run's rise that may be left of an earlier run at a cold start; judgement"
    )
    cold_floor_k: float = knob(0.1, (0.0, 5.0), "the same in kelvin: less is not told from noise; judgement")
    sigma: float = knob(4.0, (1.0, 20.0), "standard deviations from which a part differs, as in the detection")
    bare_sigma: float = knob(8.0, (1.0, 50.0), "the same for places at no part: there are many of them; judgement")
    paired_sigma: float = knob(
        5.0, (1.0, 20.0), "the same for the board against itself before, over all parts at once; judgement"
    )
    left_share: float = knob(
        0.3,
        (0.01, 0.9),
        "share of the fault's excess under which it counts as gone, with its whole interval; judgement",
    )
    floor_k: float = knob(
        1.0, (0.0, 10.0), "differences under this are called like the good boards: reflections and draught; judgement"
    )
    main_share: float = knob(
        0.25, (0.0, 1.0), "share of the strongest difference from which a place belongs to the fault; judgement"
    )
    floor_share: float = knob(
        0.15, (0.0, 1.0), "the same as a share of the part's own rise: runs differ by supply and draught; judgement"
    )
    balance_share: float = knob(
        0.03, (0.001, 0.5), "change over the last fifth of a run, as a share of the rise: e^-2.8 - e^-3.5; balance"
    )
    balance_floor_k: float = knob(0.3, (0.0, 5.0), "change over the last fifth that is too little to matter; judgement")
    fewest_balance_s: float = knob(30.0, (1.0, 3600.0), "shortest run that can count as one to balance; judgement")
