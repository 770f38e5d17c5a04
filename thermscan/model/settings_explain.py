"""Defaults of reasoning from what is hot to what is at fault."""

from __future__ import annotations

from dataclasses import dataclass

from thermscan.model.knob import knob


@dataclass(frozen=True)
class ExplainSettings:
    """Weighing explanations. Values without a source are stated judgement, kept wide; none is fitted to a sample."""

    floor_k: float = knob(0.08, (0.001, 5.0), "harmless difference of any place between two good boards, K; judgement")
    repeat_share: float = knob(0.03, (0.0, 1.0), "change of own heat between two runs of the same board; judgement")
    share_many: float = knob(0.03, (0.0, 1.0), "added to the measured spread, share of own heat, 3 good boards or more")
    share_two: float = knob(0.06, (0.0, 1.0), "the same with two good boards: the measured spread is itself uncertain")
    share_one: float = knob(0.10, (0.0, 1.0), "the same with one good board: healthy chips differ by a tenth and more")
    share_none: float = knob(0.35, (0.0, 2.0), "the same with none: own heat is only expected from the kind of part")
    tail_many: float = knob(5.0, (1.0, 100.0), "degrees of freedom of the t distribution of differences, 3 or more")
    tail_two: float = knob(4.0, (1.0, 100.0), "the same with two good boards")
    tail_one: float = knob(3.0, (1.0, 100.0), "the same with one good board")
    tail_none: float = knob(2.0, (1.0, 100.0), "the same with none")
    common_share: float = knob(0.08, (0.0, 1.0), "all parts warmer or cooler together: supply and air; judgement")
    stray_share: float = knob(
        0.03, (0.0, 0.5), "of the largest difference: what it may do anywhere by paths not modelled; judgement"
    )
    stray_blocks: int = knob(8, (1, 1000), "blocks of bare board from which what reaches everywhere is bounded by them")
    stray_mm: float = knob(
        20.0, (1.0, 1000.0), "distance from it beyond which the pattern of its heat hardly counts, mm; judgement"
    )
    idle_share: float = knob(0.2, (0.0, 1.0), "how often a supply that does not come up still makes heat; judgement")
    warmer_share: float = knob(0.02, (0.0, 1.0), "of those, how often it makes more heat than a healthy one; judgement")
    noise_kept: float = knob(0.4, (0.0, 1.0), "share of the noise that averaging cannot remove: placing, cold frames")
    block_mm: float = knob(
        4.0, (0.5, 50.0), "edge of the blocks of bare board, mm; about the spread of heat in seconds"
    )
    most_blocks: int = knob(220, (4, 2000), "blocks on a board at the most: time")
    bare_margin_mm: float = knob(0.5, (0.0, 5.0), "left out around bodies: solder fillets and placing error")
    least_block_share: float = knob(0.2, (0.0, 1.0), "share of a block's cells that must be bare and readable")
    least_siblings: int = knob(3, (2, 50), "warm siblings from which their scatter tells how far equal parts differ")
    sibling_own_k: float = knob(1.0, (0.0, 50.0), "own heat from which a part takes part in that, K; judgement")
    sibling_noise: float = knob(0.1, (0.0, 1.0), "noise, share of the own heat, up to which it does; judgement")
    sibling_like: float = knob(1.6, (1.0, 10.0), "factor within which the own heat of siblings must lie; judgement")
    healthy_factor: float = knob(0.35, (0.0, 5.0), "logarithm of the factor by which a healthy part's heat may vary")
    healthy_width: float = knob(0.25, (0.01, 5.0), "standard deviation of that logarithm beyond; judgement")
    healthy_most_nats: float = knob(12.0, (0.0, 100.0), "what an impossible healthy difference costs at the most")
    most_power_share: float = knob(0.5, (0.01, 2.0), "spread of a part's power between good boards at the most")
    tail_at_fault: float = knob(15.0, (1.0, 200.0), "degrees of freedom at the part a fault sits at: it must fit")
    own_sigma: float = knob(2.5, (0.0, 10.0), "a good board's warmth below so many sigma of noise is not counted on")
    warm_own_k: float = knob(0.1, (0.0, 50.0), "own heat above which a part's spread may warm its surroundings, K")
    most_shared: int = knob(25, (0, 200), "warm parts whose harmless differences are followed into the board")
    drift_k: float = knob(0.3, (0.0, 5.0), "drift of the whole picture between recordings, K: uncooled cameras, room")
    shading_k: float = knob(
        0.15,
        (0.0, 5.0),
        "slope of that drift, K from the board's middle to its edge: shading, reflections; judgement",
    )
    timing_s: float = knob(0.15, (0.0, 5.0), "power-on of two recordings may be placed this far apart, s; judgement")
    late_share: float = knob(
        0.25, (0.0, 1.0), "of the delay of a load that starts late: standard deviation between two runs; judgement"
    )
    late_from_s: float = knob(0.3, (0.0, 10.0), "delay from which a load starts late; heat that lags feigns less")
    ahead_s: float = knob(
        1.0,
        (0.0, 10.0),
        "by that much, s, what does not hang on a dead supply may seem ahead: loads start later; made boards",
    )
    beneath_own: float = knob(
        1.0, (0.0, 2.0), "what the board beneath a healthy part may have of the part's own heat; judgement"
    )
    most_shared_sigma: float = knob(3.5, (1.0, 10.0), "how far a harmless difference of a part's power may go")
    slow_mm2_per_s: float = knob(0.4, (0.05, 10.0), "heat spreading in bare FR-4, in plane: 0.8 W/mK over 1.9 MJ/m3K")
    quick_mm2_per_s: float = knob(20.0, (0.1, 100.0), "the same with several copper planes")
    diffusivity_count: int = knob(6, (1, 50), "spreads of heat tried between these two")
    diffusivity_step: float = knob(2.0, (1.0, 20.0), "how far the spread at a fault may differ from the rest, factor")
    pattern_error: float = knob(
        0.35, (0.0, 2.0), "error of a predicted change at a place, share of it, all stages alike"
    )
    shape_error: float = knob(0.4, (0.0, 2.0), "share of that error that differs from stage to stage")
    dark_error: float = knob(0.1, (0.0, 2.0), "error of a predicted loss of heat: the good boards have shown it")
    part_power: float = knob(0.9, (0.05, 1.0), "exponent of the likelihood of a part: what is not modelled is shared")
    board_power: float = knob(0.3, (0.05, 1.0), "the same for a block of bare board: neighbours share heat and errors")
    decoy_k: float = knob(15.0, (0.0, 100.0), "what a part that feeds a fault may warm besides, K; judgement")
    decoy_of_seen: float = knob(
        0.5, (0.0, 2.0), "or this share of what a feeder is warmer by, where that is more; judgement"
    )
    most_decoy: float = knob(
        4.0,
        (0.1, 1000.0),
        "largest rise of what carries current to a seen fault, over the board's at it; judgement",
    )
    most_maker: float = knob(
        60.0,
        (0.1, 1000.0),
        "the same of what makes the supply: at its limit a linear one takes most of the heat",
    )
    feeder_sigma: float = knob(1.5, (0.0, 10.0), "excess over noise and spread from which a feeder may have warmed")
    collapse_share: float = knob(0.8, (0.0, 1.0), "how often a short takes its net down: what does not is a leak")
    own_pattern_share: float = knob(
        0.5, (0.0, 1.0), "how often an overloaded part warms the board in proportion to its healthy heat; judgement"
    )
    quiet_share: float = knob(
        0.25, (0.0, 1.0), "of shorts that take their net down, how often they make no heat to see: milliohms; judgement"
    )
    blackout_share: float = knob(0.35, (0.0, 1.0), "of those, how often the supply gives up for the whole board")
    feeder_share: float = knob(0.6, (0.0, 1.0), "how often the part that feeds a short warms; judgement")
    retry_duty: float = knob(0.2, (0.01, 1.0), "share of the seconds on of a supply that keeps retrying; judgement")
    doubt_share: float = knob(0.1, (0.0, 0.9), "how often the best explanation fails in a way that is not modelled")
    doubt_nats: float = knob(2.0, (0.1, 100.0), "gap in log likelihood from which a better fit then says little more")
    decoy_share: float = knob(
        0.5,
        (0.05, 1.0),
        "share that a part feeding a net keeps of faults that heat it until a meter has seen that net; judgement",
    )
    idle_alone_share: float = knob(
        0.85,
        (0.0, 1.0),
        "that of a hot part of a kind that is cold when healthy, without a good board; judgement",
    )
    alone_from_k: float = knob(5.0, (0.0, 100.0), "excess from which such a part is hot, K; judgement")
    alone_times_own: float = knob(
        4.0,
        (0.0, 100.0),
        "excess over the good board's own heat from which no other moment of its run can be why; judgement",
    )
    most_uncleared: float = knob(
        0.45, (0.0, 0.99), "no fault at the most where boards were too far apart to be compared; judgement"
    )
    quiet_sigmas: float = knob(
        2.0, (0.0, 10.0), "excess over noise and spread below which a part is not seen to be warm"
    )
    sure_source: float = knob(
        0.99, (0.5, 1.0), "needed probability from which heat at a part that makes none clears no board; judgement"
    )
    alone_share: float = knob(
        0.5,
        (0.05, 1.0),
        "share of their probability that suspects keep with no reading and no good board, or one and no cold frame;"
        " judgement",
    )
    elsewhere_ratio: float = knob(0.35, (0.0, 20.0), "how often another fault looks like a limited supply; judgement")
    elsewhere_bare: float = knob(0.2, (0.0, 20.0), "the same for a warm place that no part's pads reach; judgement")
    pads_mm: float = knob(1.2, (0.0, 10.0), "how far pads and solder reach beyond a body, mm; common practice")
    beneath_share: float = knob(
        0.8, (0.0, 1.0), "heat made through the board from a place that belongs to a part within reach there; judgement"
    )
    pads_share: float = knob(0.75, (0.0, 1.0), "heat within that reach that belongs to the part; judgement")
    silent_share: float = knob(
        0.15, (1e-6, 0.9), "how often a fault shows nothing, where watts are not known; judgement"
    )
    least_fault_w: float = knob(0.02, (1e-4, 10.0), "smallest ordinary fault, W: a few milliamperes at a few volts")
    most_fault_w: float = knob(3.0, (0.01, 1000.0), "largest ordinary fault, W: what a small supply gives; judgement")
    seen_sigma: float = knob(3.0, (1.0, 10.0), "noise and spread by which a change must stand out to be seen")
    least_silent: float = knob(0.06, (1e-6, 0.9), "the least that may pass unseen, whatever the limit; judgement")
    most_silent: float = knob(0.9, (0.01, 0.999), "the most that may pass unseen; judgement")
    least_growth: float = knob(0.15, (0.0, 2.0), "smallest growth of a part's own heat called an overload")
    least_change_k: float = knob(0.12, (0.0, 10.0), "smallest change that a fault is expected to make, K")
    body_steps: int = knob(8, (1, 30), "steps by which a surface may be warmer than the board beneath; each by q")
    body_quick_s: float = knob(0.7, (0.05, 100.0), "time constant of a small body over its board, s; judgement")
    body_slow_s: float = knob(4.0, (0.05, 100.0), "the same for a large body, s")
    lost_quick_s: float = knob(4.0, (0.05, 600.0), "the same for a body that lost its heat path, small, s")
    lost_slow_s: float = knob(30.0, (0.05, 600.0), "the same, large, s")
    hidden_wide_mm: float = knob(
        1.5, (0.0, 20.0), "how much wider a hidden source looks: heat passes the board's 1.6 mm"
    )
    hidden_lag_s: float = knob(3.0, (0.05, 100.0), "how much later it shows: thickness squared over diffusivity")
    strengths: int = knob(14, (3, 100), "steps of strength, logarithmic")
    other_places: float = knob(2.0, (0.1, 50.0), "places that a fault of no listed kind is expected to change")
    source_floor: float = knob(0.1, (0.001, 1.0), "what a place keeps where the fit of sources finds none; judgement")
    source_power: float = knob(0.7, (0.0, 1.0), "exponent of the fit of sources: it reads the same picture; judgement")
    supply_differs: float = knob(0.03, (0.0, 1.0), "share by which supply volts may differ before it is said")
    supply_refused: float = knob(
        0.2, (0.01, 5.0), "share of the volts from which two runs are not comparable; judgement"
    )
    ambient_differs_k: float = knob(5.0, (0.0, 100.0), "room temperatures further apart than this are said, K")
    ambient_share_per_k: float = knob(0.004, (0.0, 0.1), "change of all rises with a kelvin of room; judgement")
    scale_said: float = knob(0.1, (0.0, 1.0), "fitted common scale of all own heat from which it is said")
    beyond_scale: float = knob(
        3.0, (1.0, 100.0), "times its own heat on that scale from which a place is warm for another reason; judgement"
    )
    scale_refused: float = knob(
        0.5, (0.05, 5.0), "fitted common scale of all own heat from which two runs are not comparable; judgement"
    )
    finds_place: float = knob(
        0.8, (0.0, 1.0), "chance that a fed or uncovered place shows its heat; ranks what to do next; judgement"
    )
    odd_chance: float = knob(0.01, (1e-6, 0.5), "chance at which a good board is called odd, all its parts together")
    odd_ratio: float = knob(2.0, (1.0, 100.0), "and how many times the next board's largest difference")
    anyhow_share: float = knob(
        0.15, (1e-6, 0.9), "how often a fault of one part looks like nothing modelled; judgement"
    )
    odd_alone_share: float = knob(
        0.1,
        (0.0, 0.9),
        "how often a healthy place does as no place of its kind usually does, without a good board; judgement",
    )
    odd_idle_share: float = knob(
        0.005, (0.0, 0.9), "the same of a part through which no direct current passes; judgement"
    )
    other_widening: float = knob(8.0, (1.5, 100.0), "how far it changes them, in units of noise and spread")
    bare_places: int = knob(12, (0, 100), "bare places weighed as suspects at the most")
    most_starved: int = knob(6, (0, 100), "cooler parts that a dead supply of unknown nets may have fed; speed")
    cold_places: int = knob(4, (0, 100), "bare places that stay cold, weighed as suspects at the most")
    cold_sigma: float = knob(3.0, (1.0, 20.0), "noise and spread together from which a bare place counts as cold")
    swap_left: float = knob(0.1, (0.001, 1.0), "what a swap without change leaves of a suspect; judgement")
    swap_kind_left: float = knob(0.8, (0.001, 1.0), "what it leaves of the other parts of its kind; judgement")
    most_listed: int = knob(20, (1, 500), "suspects listed at the most; the others join 'other'")
    most_widening: float = knob(3.0, (1.0, 20.0), "how far good boards left out in turn may widen the spread")
    least_left_out: int = knob(10, (1, 1000), "parts of good boards left out in turn that are needed to widen at all")
    least_bits: float = knob(0.02, (0.0, 5.0), "expected information below which a measurement is not proposed, bits")
    short_run_s: float = knob(10.0, (0.5, 600.0), "seconds on below which a longer recording is proposed")
    one_good_odds: float = knob(0.37, (0.01, 1.0), "of the odds of a fault that one good board leaves; made boards")
    quiet_times: float = knob(
        1.5, (0.1, 10.0), "of its heat on the one good board up to which a part behind the board is taken to vary"
    )
    verdict_at: float = knob(0.5, (0.05, 0.99), "probability from which a verdict is given (design value)")
    always_listed: int = knob(3, (0, 20), "suspects listed however unlikely, where one is likelier than no fault")
    listed_from: float = knob(0.002, (0.0, 0.5), "probability below which a suspect joins 'other' in the list")

    def diffusivities(self) -> tuple[float, ...]:
        """Spreads of heat tried on the good boards' warmth, from bare FR-4 to copper planes, mm2/s."""
        ratio = self.quick_mm2_per_s / self.slow_mm2_per_s
        steps = max(int(self.diffusivity_count) - 1, 1)
        return tuple(self.slow_mm2_per_s * ratio ** (i / steps) for i in range(int(self.diffusivity_count)))
