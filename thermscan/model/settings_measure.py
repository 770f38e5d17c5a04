"""Defaults of the measuring stages: camera, motion, timing, resampling, radiometry."""

from __future__ import annotations

from dataclasses import dataclass

from thermscan.model.knob import knob


@dataclass(frozen=True)
class CameraSettings:
    """Noise, bad pixels and events of the camera."""

    kept_share: float = knob(
        0.8, (0.5, 1.0), "share of smallest differences that noise is taken from; the rest may be events"
    )
    noise_frames: int = knob(160, (8, 10000), "frames of a chunk that noise is taken from; speed")
    prior_samples: float = knob(10.0, (0.0, 1000.0), "samples that the picture's median noise counts as for one pixel")
    sampled_pixels: int = knob(
        20000, (100, 10000000), "pixels looked at in each frame for frozen frames and steps; speed"
    )
    stripe_share: float = knob(0.25, (0.0, 10.0), "row or column noise over pixel noise that is worth a word")
    frozen_share: float = knob(
        0.2, (0.0, 0.9), "change since the last frame over the usual one below which it is a repeat"
    )
    blank_share: float = knob(0.5, (0.0, 1.0), "share of pixels with a value below which a frame is blank")
    washed_out: float = knob(0.3, (0.0, 1.0), "contrast over that of the frames on both sides below which it is blank")
    blur_share: float = knob(0.5, (0.0, 1.0), "power of edges over that of the frames on both sides: called blurred")
    step_sigmas: float = knob(6.0, (3.0, 100.0), "size of an offset step over its error and the usual unrest")
    step_alike: float = knob(0.5, (0.05, 1.0), "a block takes part in a step if it moves by the step within this share")
    step_blocks: float = knob(0.85, (0.5, 1.0), "share of blocks that must take part in an offset step")
    step_trend: float = knob(
        0.3, (0.0, 1.0), "change of the neighbours in time over a step: more is a trend, not a step"
    )
    regular_share: float = knob(
        0.7, (0.0, 1.0), "share of frame gaps near the usual one without which nothing is dropped"
    )
    gap_factor: float = knob(1.6, (1.1, 10.0), "gap over the usual one from which frames are missing")
    drift_sigmas: float = knob(6.0, (3.0, 100.0), "drift of the calm parts over its error that is worth a word")
    lone_sigmas: float = knob(15.0, (4.0, 100.0), "deviation of a hot pixel from its neighbours over the usual one")
    lone_lift: float = knob(
        0.06, (0.0, 0.5), "lift of the four neighbours over a hot pixel's own; optics give parts more"
    )
    lone_steady: float = knob(
        0.1, (0.0, 1.0), "change of a hot pixel's deviation over itself; a heated part changes more"
    )
    flicker_ratio: float = knob(4.0, (2.0, 100.0), "noise of a flickering pixel over the usual noise")
    mostly: float = knob(
        0.5, (0.1, 1.0), "share of frames in which a pixel must be missing or saturated to be left out"
    )


@dataclass(frozen=True)
class PictureSettings:
    """Warnings of a first look; all limits are judgement, tried on made scenes for false alarms."""

    coarse_step_k: float = knob(0.25, (0.01, 10.0), "step between values above which small differences are lost")
    room_low_c: float = knob(-5.0, (-50.0, 20.0), "coolest part of a picture of a bench, at least")
    room_high_c: float = knob(50.0, (30.0, 150.0), "the same, at most")
    fewest_cold: int = knob(12, (3, 1000), "frames before power-on for drift and reflections")
    least_cold_s: float = knob(1.5, (0.2, 60.0), "seconds before power-on for drift and reflections")
    warming_k_per_s: float = knob(0.03, (0.001, 1.0), "drift of the whole picture that is worth waiting for")
    wobble_runs: float = knob(9.0, (1.0, 100.0), "frames over which a camera's own wobble hangs together")
    steps_per_s: float = knob(0.1, (0.001, 10.0), "shutter corrections a second of a camera that is not settled")
    reflection_k: float = knob(0.15, (0.01, 5.0), "swing of a block that is worth a word, beyond its noise")
    reflection_sigmas: float = knob(8.0, (2.0, 50.0), "the same in standard errors of the block's mean over the swing")
    edge_smoothing_px: float = knob(0.8, (0.3, 3.0), "smoothing before slopes are taken")
    edge_reach_px: int = knob(6, (2, 50), "distance over which an edge's step is taken")
    edge_sigmas: float = knob(12.0, (3.0, 100.0), "slope over its noise from which an edge counts as strong")
    edge_share: float = knob(0.1, (0.01, 1.0), "slope over the steepest of the picture from which an edge counts")
    fewest_edges: int = knob(30, (3, 1000), "points of strong edges that are needed to speak of focus")
    soft_px: float = knob(2.2, (0.5, 20.0), "blur of the sharpest edges above which the focus is soft")
    powered_w: float = knob(0.5, (0.01, 100.0), "watts in the supply log that must show in the picture")
    powered_s: float = knob(3.0, (0.5, 60.0), "seconds after power-on by which they must show")
    window_k: float = knob(0.05, (0.001, 5.0), "change of a block that counts as heat showing")
    board_emissivity: float = knob(0.7, (0.1, 0.95), "emissivity below which an applied one is no board's")
    off_air_k: float = knob(4.0, (0.5, 50.0), "distance of a cold board from the air: twice the usual camera error")


@dataclass(frozen=True)
class MotionSettings:
    """Following the motion of the picture."""

    longest_side: int = knob(400, (16, 5000), "pixels along the longer side of the pictures that motion is fitted on")
    smoothing_px: float = knob(1.2, (0.5, 5.0), "smoothing of working pictures, which takes fine sensor pattern down")
    local_px: float = knob(3.0, (2.0, 50.0), "details wider than this are left to heat and shading, working px")
    coarse_px: float = knob(1.7, (0.5, 10.0), "further smoothing for the coarse shifts, working px")
    reach_px: float = knob(
        12.0, (2.0, 100.0), "coarse shift between neighbouring frames that is looked for at the least, working px"
    )
    reach_share: float = knob(0.09, (0.0, 0.5), "and as a share of the picture's longer side: a hand that jumps")
    memory_frames: int = knob(10, (1, 1000), "frames whose mean the coarse shift of the next is taken against")
    memories: int = knob(12, (0, 1000), "such means that are kept, to find what was taken along from; memory")
    margin_px: float = knob(3.0, (1.0, 20.0), "rim of the working picture that is not used")
    slope_gate: float = knob(
        10.0, (0.0, 1000.0), "power of local slopes over that of sensor pattern from which they count; made scenes"
    )
    gate_px: float = knob(1.0, (0.5, 10.0), "radius over which that power is taken, working px")
    most_keys: int = knob(240, (10, 10000), "frames fitted together; the others follow from these; memory")
    stretch_frames: int = knob(8, (2, 1000), "frames of a stretch whose mean each of them is fitted to")
    most_stretches: int = knob(20, (1, 200), "stretches that are compared in pairs; time grows with the square")
    turns: int = knob(3, (1, 20), "steps of fitting a frame that is no key to its stretch")
    within_px: tuple[float, ...] = (1.0, 0.5, 0.25, 0.12, 0.12)  # how far off stretches may be, working px, by round
    near: int = knob(2, (1, 200), "stretches apart up to which they are compared first")
    tie_ratio: float = knob(
        4.0,
        (1.0, 1000.0),
        "mean square difference of two stretches, over the usual, that quarters a place's say",
    )
    far_from_px: float = knob(1.5, (0.1, 20.0), "moves of stretches below which those far apart are compared too")
    doubt_sigmas: float = knob(
        4.0, (1.5, 20.0), "residuals beyond this many sigmas lose their weight (Geman and McClure)"
    )
    floor_px: float = knob(1e-4, (1e-9, 0.1), "wander left to a coefficient the data do not ask for, px")
    usual_shift_px: float = knob(3.0, (0.1, 100.0), "shift between neighbouring pictures that is expected, working px")
    usual_turn: float = knob(
        0.01, (1e-4, 1.0), "turning (rad) and growth expected between neighbouring pictures: half a degree, a percent"
    )
    usual_tilt: float = knob(
        0.004,
        (1e-5, 1.0),
        "displacement at the rim by tilting, over half the longer side: hands waver by a degree or so",
    )
    still_least: float = knob(0.5, (0.01, 1.0), "of a frame's error that is left where many show no motion; judgement")
    still_jitter_px: float = knob(0.06, (0.0, 1.0), "motion between frames below which a camera may stand still")
    knock_px: float = knob(0.2, (0.02, 5.0), "jump from one frame to the next from which a camera was knocked")
    knock_frames: int = knob(5, (2, 100), "frames that show a level before a knock, and after it")
    knock_sigmas: float = knob(6.0, (2.0, 50.0), "errors of its own by which a knock stands out, for many frames")
    knock_beside: float = knob(5.0, (1.0, 50.0), "times the usual step beside it by which it does; judgement")
    knock_left: float = knob(0.7, (0.1, 1.0), "share of a knock that must be left after it; judgement")
    still_drift_px: float = knob(
        0.6, (0.0, 5.0), "drift below which such a camera stands still; heating feigns up to 0.4"
    )
    clear_ratio: float = knob(
        4.0, (1.0, 100.0), "error over that of the best frames, up to which a frame tells whether the camera stands"
    )
    local_doubt: float = knob(
        1.5, (1.0, 10.0), "times its stated error that a place of the picture may be off; made recordings"
    )
    heat_drag_px: float = knob(0.03, (0.0, 5.0), "motion that heat at edges feigns beyond a fit's error; made scenes")
    quiet_ratio: float = knob(4.0, (1.0, 100.0), "change since the start, over the least seen, that ends quiet time")
    fewest_cold: int = knob(12, (2, 1000), "first frames whose mean is the reference picture, at the least")
    most_cold: int = knob(60, (2, 1000), "frames before anything warms that are averaged for it, at the most; time")
    edge_share: float = knob(0.1, (0.0, 1.0), "share of a slope's step over a pixel that sampling may leave behind")
    pattern_px: float = knob(5.0, (1.0, 50.0), "details of sensor pattern wider than this are left to the scene, px")
    pattern_parts: int = knob(6, (1, 100), "parts of a recording of which the one that shows least tells the pattern")
    pattern_rounds: int = knob(4, (1, 50), "rounds of solving for pattern and scene in turn")
    pattern_frames: int = knob(24, (4, 1000), "pictures whose mean is the scene that pattern is told from")
    pattern_edge_px: float = knob(
        0.3, (0.0, 20.0), "error of the coarse motion, which leaves that much of the scene's slopes in it, working px"
    )
    pattern_moved_px: float = knob(
        0.7, (0.05, 20.0), "standard deviation of the motion from which it tells pattern from scene, working px"
    )
    most_components: int = knob(3, (0, 10), "time courses of heating at the most")
    change_frames: int = knob(24, (2, 200), "frames that the change components are taken from; memory")
    change_sigmas: float = knob(3.0, (1.0, 100.0), "power of a change component over that of noise")

    check_frames: int = knob(30, (2, 100), "frames over the recording that are checked against the reference picture")
    check_margin: float = knob(
        0.1, (0.0, 1.0), "correlation by which another place must fit better for a motion to be doubted; made scenes"
    )
    check_peak: float = knob(0.5, (0.0, 1.0), "correlation from which the reference alone shows a frame elsewhere")
    check_share: float = knob(0.3, (0.0, 1.0), "share of checked frames that must fit better elsewhere")

    def usual_motion_px(self, half_px: float) -> tuple[float, ...]:
        """Return the expected size of the eight coefficients between neighbouring pictures, px.

        ``half_px`` is half the longer side of the picture.
        """
        turn, tilt = self.usual_turn * half_px, self.usual_tilt * half_px
        return (self.usual_shift_px,) * 2 + (turn,) * 2 + (tilt,) * 4

    def usual_spread_px(self, half_px: float) -> tuple[float, ...]:
        """Return the expected size of the eight coefficients over a recording, px; shifts are free."""
        turn, tilt = self.usual_turn * half_px, self.usual_tilt * half_px
        return (1e3,) * 2 + (3 * turn,) * 2 + (tilt,) * 4


@dataclass(frozen=True)
class TimingSettings:
    """Finding when the board was switched on and off."""

    cells_max: int = knob(3072, (64, 100000), "places followed in time at the most; bounds memory")
    cells_min: int = knob(4, (1, 1000), "places that must stay in view for times to be looked for")
    cells_lost: float = knob(
        0.03, (0.0, 0.5), "share of the samples that may miss a place, one frame being misplaced; judgement"
    )
    board_cells_min: int = knob(
        24, (4, 1000), "places on the board from which times are read from them alone; judgement"
    )
    lone_cells: int = knob(3, (1, 51), "side of the places, in cells, that are read against what lies around them")
    lone_ring: int = knob(9, (3, 151), "side of what lies around them, in cells")
    lone_places: int = knob(12, (1, 1000), "places that change most against it, from which times are read as well")
    lone_from: float = knob(20.0, (5.0, 1000.0), "change of such a place over its noise, at the least; judgement")
    stagger_s: float = knob(1.0, (0.0, 30.0), "how long after its first parts the last of a board may start, s")
    samples_max: int = knob(2048, (64, 100000), "samples kept of a recording; longer ones are averaged in runs first")
    samples_min: int = knob(12, (8, 1000), "fewest samples that can show a kink between two trends")
    held_frames: int = knob(
        3, (2, 1000), "frames for which a camera holds its picture from which its offsets may have changed"
    )
    quiet_share: float = knob(
        0.3, (0.05, 1.0), "share of places, the quietest, that show what the picture has in common"
    )
    noise_floor_share: float = knob(0.1, (0.0, 1.0), "least noise of a place as a share of the median: stuck places")
    log_on_share: float = knob(0.2, (0.01, 0.9), "share of the upper power level of a supply log that counts as on")
    log_early_s: float = knob(
        0.5, (0.0, 10.0), "by which a log may switch on before heat is seen to begin: small loads first; judgement"
    )
    log_slack_frames: float = knob(1.0, (0.0, 10.0), "frames by which log and temperatures may differ beyond intervals")
    course_margin: float = knob(1.15, (1.0, 3.0), "size over that of noise alone from which a course counts")
    most_courses: int = knob(8, (1, 50), "courses kept at the most")
    wander_lags_s: tuple[float, ...] = (0.4, 0.8)
    edge_price: float = knob(1.0, (0.1, 20.0), "factor on the Bayesian information criterion for a further moment")
    least_share: float = knob(0.3, (0.0, 0.9), "share of what is unexplained that a moment must take off; judgement")
    smooth_degree: int = knob(4, (1, 12), "degree of the smooth course that may stand in for a moment; judgement")
    smooth_samples: int = knob(18, (8, 500), "samples from which that holds: three for a term of an answer; judgement")
    smooth_share: float = knob(0.05, (0.0, 0.9), "the same over a polynomial of that degree; judgement")
    sharp_price: float = knob(
        0.5, (0.0, 5.0), "of the price of a moment, that does too where the share below is reached; judgement"
    )
    sharp_share: float = knob(0.25, (0.0, 0.9), "share of what a smooth course leaves unexplained, for that; judgement")
    model_error: float = knob(0.003, (0.0, 0.2), "share of its range that a course's model may be off; judgement")
    coarse_moments: int = knob(150, (20, 5000), "moments tried in the first search; speed")
    most_edges: int = knob(14, (2, 200), "moments at the most: seven tries of a supply")
    look_ahead: int = knob(4, (1, 20), "moments that may pay for themselves together: two tries of a supply")
    kept_share: float = knob(0.3, (0.0, 1.0), "of the largest rise, that a board still on must keep to the end")
    cooled_share: float = knob(0.08, (0.0, 1.0), "of the largest rise, that is left a second after power-off")
    burst_s: float = knob(0.4, (0.05, 5.0), "stretch over which the slope of what warms is taken for bursts; judgement")
    least_bursts: int = knob(
        3, (2, 20), "bursts from which restarts are not counted; two may be a load that starts later"
    )
    burst_share: float = knob(
        0.3, (0.05, 0.9), "of the steepest slope, by which a burst stands out of what is beside it; judgement"
    )
    turn_sigmas: float = knob(
        8.0, (3.0, 50.0), "fall of what is heated, over its noise, from which the power went; thousands of samples"
    )
    turn_share: float = knob(0.03, (0.001, 0.9), "the same over its range: above what drift does; judgement")
    turn_lag_s: float = knob(0.6, (0.0, 5.0), "by which a body may turn late: 1.5 mm of moulding compound, L2/(pi2 a)")
    turn_steps: float = knob(3.0, (1.0, 20.0), "samples by which a known moment may lie beside a turn and explain it")
    fit_before_s: float = knob(2.0, (0.1, 60.0), "stretch before a moment that shows the trend")
    fit_after_s: float = knob(1.0, (0.1, 60.0), "stretch after a moment that shows the start of the answer")
    onset_samples: int = knob(12, (8, 1000), "samples before a moment from which an earlier onset is looked for")
    onset_chance: float = knob(1e-6, (1e-30, 0.1), "chance of an onset as clear as that where nothing begins")
    onset_share: float = knob(0.2, (0.0, 1.0), "of what a parabola leaves over before, that it must explain; judgement")
    onset_alike: float = knob(0.6, (0.0, 1.0), "cosine of what warms from it and what warms at the moment; judgement")
    fine_turns: int = knob(4, (1, 20), "times that a moment is looked for again where the best lies at the grid's end")
    fine_reach: int = knob(12, (2, 100), "samples to each side that the fine search covers")
    close_steps: float = knob(5.0, (0.0, 50.0), "samples within which a next moment is part of the same answer")
    grid_step: float = knob(0.2, (0.01, 1.0), "pitch of the fine search, samples")
    departure_error: float = knob(0.05, (0.0, 0.5), "share of the answer so far that its model may be off; judgement")
    moment_slack: float = knob(0.25, (0.0, 5.0), "samples added to each end of an interval: frames take time")
    moment_lags_s: tuple[float, ...] = (0.0, 0.05, 0.2)
    moment_lag_s: float = knob(
        0.08, (0.0, 5.0), "added at the early end: 0.5 to 1 mm of moulding compound lag by L2 / (pi2 a), 0.1 to 0.3 s"
    )
    moment_lead_s: float = knob(
        0.08, (0.0, 5.0), "added at the late end: what sways or glitters just before is read as a start; made boards"
    )
    moment_near_s: float = knob(
        0.5, (0.0, 5.0), "how near a gap or a step of the camera widens an interval: the answer's first half second"
    )
    slope_s: float = knob(1.0, (0.05, 30.0), "stretch on each side over which slopes are compared")
    source_sigmas: float = knob(5.0, (2.0, 20.0), "change of slope over its error from which a cell counts")
    source_share: float = knob(0.3, (0.01, 0.9), "of the strongest cell's, from which a cell is a source")
    purity: float = knob(0.4, (0.0, 1.0), "balance of warming over cooling cells from which a switch has a direction")
    off_share: float = knob(0.4, (0.05, 0.95), "share of the heat made that must vanish for the power to be off")
    fall_share: float = knob(
        0.03,
        (0.0, 1.0),
        "slope down after power-off over the slope up that was made: a part with a time of 10 s, 0.3 s on",
    )
    back_share: float = knob(
        0.5, (0.1, 2.0), "of a fall, that may come back by itself before it is no power-off but something that passed"
    )
    history_share: float = knob(
        0.1, (0.0, 1.0), "cooling of the sources before power-on over their warming at it, for a warm start; judgement"
    )
    warms_on_share: float = knob(
        0.5, (0.0, 5.0), "gain after a power-off over the loss, from which it is none; judgement"
    )
    same_places: float = knob(0.3, (0.0, 1.0), "cosine of what goes at an off and comes at the next on, on one board")
    before_share: float = knob(0.25, (0.0, 2.0), "warming before over the change, from which the board was on already")
    align_across: int = knob(14, (3, 100), "places along a board's longer side that boards' courses are compared at")
    align_least_s: float = knob(2.5, (0.5, 60.0), "seconds about power-on that two boards must share for it")
    align_sigmas: float = knob(
        10.0, (2.0, 100.0), "rise of a place over its noise, on both boards, from which it counts"
    )
    align_factor: float = knob(
        3.0, (1.2, 20.0), "of one board's rise over the other's, beyond which a place is no match"
    )
    align_places: int = knob(12, (4, 1000), "places that must count: with fewer, one fault decides; made boards")
    align_gain: float = knob(0.3, (0.01, 2.0), "spread of healthy power from place to place about what most share")
    align_model: float = knob(
        0.03, (0.0, 1.0), "share of a place's rise that boards of one type differ by in its course"
    )
    align_agree_s: float = knob(
        0.3, (0.0, 10.0), "by which a power-on may differ from the shared one before it is moved"
    )
    align_correlation_s: float = knob(0.5, (0.05, 10.0), "seconds over which a misfit of a place is one and the same")
    align_reach_s: float = knob(4.0, (0.5, 30.0), "farthest shift that is tried")
    align_seen: float = knob(0.6, (0.2, 1.0), "share of the seconds that both must show at a shift for it to be tried")
    align_floor_s: float = knob(0.05, (0.0, 5.0), "error of a shift at the least: the pitch of those tried")
    align_error_s: float = knob(
        0.35, (0.05, 5.0), "error from which a shift is not believed: it hangs on single places"
    )
    align_apart_s: float = knob(1.0, (0.0, 10.0), "lead from which the earliest power-on must be borne out by heat")
    missed_before_s: float = knob(
        0.3, (0.05, 10.0), "seconds before a power-on that only other boards tell, seen at the least; judgement"
    )
    missed_alike: float = knob(
        0.975, (0.5, 1.0), "share of the variance of another board's courses that must be explained there"
    )
    missed_gain: float = knob(1.6, (1.1, 10.0), "of one board's rises over the other's, at the most; judgement")
    missed_level: float = knob(0.3, (0.0, 1.0), "rise before it over the rise after it, at the most; judgement")
    missed_level_s: float = knob(2.0, (0.3, 30.0), "seconds on either side that are compared for that; judgement")
    missed_ratio: float = knob(1.5, (1.0, 10.0), "unexplained variance over the least, up to which moments are alike")
    missed_width_s: float = knob(2.0, (0.1, 20.0), "widest interval of such a power-on, s; judgement")
    warm_courses_s: tuple[float, ...] = (0.5, 3.0, 20.0)  # in which what warms with the power levels off, s
    warm_samples: int = knob(3, (2, 100), "samples after power-on, or before it, that tell")
    spread_share: float = knob(
        0.5, (0.0, 5.0), "of what places gain, that others lose where left heat spreads; judgement"
    )
    warm_share: float = knob(0.7, (0.0, 1.0), "of a place's variance that warming with the power is; judgement")
    warm_steady: float = knob(0.9, (0.0, 1.0), "the same for warming from the first frame on; judgement")
    warm_before: float = knob(
        0.5, (0.05, 10.0), "such warming before a power-on, of what comes after it, from which it is none; judgement"
    )
    warm_half: float = knob(0.3, (0.0, 1.0), "share of it that comes in the first half of the time before; judgement")
    warm_before_s: float = knob(1.0, (0.1, 60.0), "seconds before it that tell; judgement")
    warm_sigmas: float = knob(6.0, (2.0, 50.0), "rise of such a place over the spread of all places; judgement")
    warm_cells_min: int = knob(6, (1, 1000), "such places from which they tell where the board lies; judgement")
    lone_sigmas: float = knob(10.0, (3.0, 100.0), "rise over its error from which steady warming counts")
    lone_purity: float = knob(0.8, (0.0, 1.0), "balance from which steady warming alone shows a board that is on")
    joined_share: float = knob(
        0.3, (0.0, 1.0), "of a warm cell's rise, that its neighbours must show: heat spreads, noise does not; judgement"
    )
    at_once_share: float = knob(
        0.5,
        (0.0, 1.0),
        "of a steady rise, that the first quarter must show for a board on before; it slows if anything",
    )
    tries_samples: int = knob(
        24, (12, 1000), "samples from which tries of a supply are looked for: eight for each of three"
    )
    tries_frames: float = knob(6.0, (4.0, 50.0), "samples that a try and its pause must last together to be counted")
    tries_pause: float = knob(1.5, (1.0, 10.0), "samples that a pause must last to be told from a ripple")
    tries_slow: float = knob(0.5, (0.0, 1.0), "slope in a pause over that in the try before, at the most; judgement")
    tries_cut_gain: float = knob(25.0, (4.0, 1000.0), "chi-square by which a last try that is cut short must explain")
    tries_smooth: int = knob(8, (0, 20), "degree of the smooth course that may lie beneath tries or one run")
    tries_periods: int = knob(4, (1, 20), "likely periods that are tried; speed")
    tries_kept: int = knob(4, (1, 20), "starts kept for each of them, and refined of all; speed")
    tries_hopeless: float = knob(4.0, (1.0, 100.0), "misfit of the best start over one run's at the most; speed")
    tries_gain: float = knob(
        9.0, (4.0, 100.0), "chi-square by which each try must explain more than its absence: 3 sigma, for many trials"
    )
    tries_share: float = knob(0.15, (0.0, 0.9), "of what one run leaves, that tries must explain besides; judgement")
    tries_sigmas: float = knob(3.0, (2.0, 20.0), "size of each try, and of what a place follows, over its error")
    tries_alike: float = knob(0.4, (0.1, 0.9), "least size of a try over their common one; the most is one over it")
    tries_quiet: float = knob(0.25, (0.1, 2.0), "of a period, that must be seen before the first try")
    tries_still: float = knob(0.5, (0.05, 1.0), "of a try's rise, that a place may sway by before the first; judgement")
    tries_follow: float = knob(
        0.2, (0.0, 1.0), "how closely all that warms must follow the tries, over what does so most; judgement"
    )
    visit_s: float = knob(4.0, (0.2, 60.0), "longest stay of a hand or a tool at one place, s; judgement")
    visit_sigmas: float = knob(10.0, (4.0, 100.0), "sigmas by which it stands out of what was there before and after")
    visit_fall: float = knob(0.5, (0.1, 1.0), "share of its height that must go within two samples: heat fades slowly")
    visit_most: float = knob(2.0, (1.0, 100.0), "times its height that may go so: more is the fall of something else")
    visit_cells: int = knob(3, (1, 100), "cells that it must cover, one of them at the rim of the picture")
    visit_wave_s: float = knob(0.5, (0.0, 10.0), "for how long a part of it may be seen apart from it, s; judgement")
    visit_jumps: float = knob(
        10.0, (2.0, 1000.0), "times the median jump at a step of the camera, that are still its own"
    )
    visit_share: float = knob(0.01, (0.0, 0.5), "of the picture, that it must cover for the frame to count as visited")
    visit_left: int = knob(2, (2, 1000), "frames before power-on that must be left where those with a visitor go")


@dataclass(frozen=True)
class FilmSettings:
    """Resampling to the board grid and to time bins."""

    cells_per_pixel: float = knob(0.75, (0.3, 2.0), "cell size over pixel size; below 1 keeps the peak of a small part")
    most_cells: int = knob(400, (20, 2000), "cells along the longer edge at the most: memory and time")
    most_bins: int = knob(40, (1, 400), "time bins from power-on to power-off at the most: memory and time")
    margin_cells: int = knob(6, (0, 50), "cells kept around the outline, to see the bench")
    guard_frames: float = knob(1.0, (0.0, 10.0), "frames before power-on that are not counted as cold")
    cold_stretches: int = knob(12, (2, 100), "stretches the cold frames are cut into at the most: memory")
    steady_share: float = knob(0.3, (0.01, 1.0), "end of a run that stands for it where boards share no clock")
    most_bad_share: float = knob(0.25, (0.0, 1.0), "weight of bad pixels above which a sample is left out")
    average_run_s: float = knob(
        1.0, (0.1, 600.0), "shortest run that is averaged with others: shorter ones are tries of a supply; judgement"
    )
    average_cold_s: float = knob(1.0, (0.05, 60.0), "stretch before a later power-up whose frames are its cold ones")
    average_left_share: float = knob(
        0.1, (0.0, 1.0), "of a run's heat, that may be left where the next starts, to be averaged; 0 averages none"
    )
    average_heat_share: float = knob(
        0.15, (0.0, 1.0), "by which the heat of a run may differ from the first one's to be its repetition; judgement"
    )
    average_warm_share: float = knob(0.02, (0.001, 0.5), "share of the board's cells, the warmest, that are judged")


@dataclass(frozen=True)
class ReflectionSettings:
    """Reflections of somebody who comes or goes, taken off bare metal; all values are judgement."""

    most_people: int = knob(3, (0, 20), "reflections taken off one recording at the most; 0 takes none")
    smooth_s: float = knob(1.5, (0.2, 60.0), "time between the knots of the smooth curve that heat may take")
    smooth_steps: float = knob(4.0, (2.0, 50.0), "the same in stretches and bins, at the least")
    least_steps: int = knob(4, (2, 100), "stretches and bins needed beyond the terms that heat takes")
    least_seen: float = knob(0.8, (0.1, 1.0), "share of them in which a place must be seen")
    least_cells: int = knob(100, (10, 100000), "cells of the board needed")
    most_length: float = knob(3.0, (1.0, 100.0), "noises up to which a place counts for what all have in common")
    longest_s: float = knob(1.2, (0.1, 10.0), "time in which somebody comes or goes, at the most")
    switched_s: float = knob(0.4, (0.0, 10.0), "time about power-on in which no change is told from heat")
    most_ramps: int = knob(4, (1, 20), "times that somebody comes or goes, at the most")
    least_gain: float = knob(0.04, (0.001, 0.5), "of what places have in common, that a further one must explain")
    least_free: float = knob(0.1, (0.0, 1.0), "of a change, that heat does not explain, for it to be told")
    late_left: float = knob(0.15, (0.0, 1.0), "of what a load that starts late leaves unexplained, that may be left")
    least_of_warmth: float = knob(0.2, (0.0, 1.0), "of all that a place that takes part does, that the change must be")
    least_k: float = knob(0.15, (0.0, 10.0), "change of a place that counts, K")
    contrast: float = knob(2.0, (1.0, 100.0), "by which a place that mirrors must exceed the middle of the board")
    most_against: float = knob(0.5, (0.0, 1.0), "area that may go the other way, over that which takes part")
    least_places: int = knob(8, (2, 1000), "places apart from each other that must take part")
    least_in_places: float = knob(0.7, (0.0, 1.0), "of what takes part, that must lie in places of some size")
    least_place_px: float = knob(2.0, (0.0, 100.0), "size of such a place, camera pixels")
    most_in_one: float = knob(0.4, (0.05, 1.0), "of what takes part, that may lie in one place: a hand is one place")


@dataclass(frozen=True)
class RadiometrySettings:
    """Temperatures of surfaces."""

    camera_half_width_k: float = knob(2.0, (0.0, 20.0), "offset of an unknown camera: ±2 C; common practice, no source")
    camera_scale_half_width: float = knob(0.02, (0.0, 0.5), "its scale: ±2 %; common practice, no source")
    reflected_given_k: float = knob(1.0, (0.0, 20.0), "standard error of a reflected temperature that was stated")
    reflected_air_k: float = knob(
        2.0, (0.0, 20.0), "the same where the air's or the bench's stands in for it; judgement"
    )
    optics_px: float = knob(0.6, (0.0, 5.0), "blur of the optics where it is not known; common practice, no source")
    draws: int = knob(4000, (100, 1000000), "draws of a temperature by Monte Carlo: ends good to 6 % of a deviation")
    transmission_given: float = knob(
        0.03, (0.0, 0.3), "half of the 95 % range of a transmission given by hand; judgement"
    )
    emissivity_given: float = knob(0.02, (0.0, 0.3), "half of the 95 % range of an emissivity given by hand; judgement")
