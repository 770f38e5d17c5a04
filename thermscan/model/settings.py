"""Every default, with its unit, range and reason: the one place for thresholds.

A stage takes its own record. Fields carry their unit in the name; ``knob`` adds range, sentence and source.
"""

from __future__ import annotations

from dataclasses import dataclass, field, fields
from typing import Any


def knob(default: float, limits: tuple[float, float], about: str) -> Any:  # noqa: ANN401 - dataclass field
    """Declare a setting: its default, closed range, and one sentence with where the value comes from."""
    return field(default=default, metadata={"limits": limits, "about": about})


def changed(settings: object, *, prefix: str = "") -> dict[str, object]:
    """Return the fields of a settings record (nested ones flattened) that differ from their default."""
    out: dict[str, object] = {}
    for f in fields(settings):  # type: ignore[arg-type]
        value = getattr(settings, f.name)
        if hasattr(value, "__dataclass_fields__"):
            out |= changed(value, prefix=f"{prefix}{f.name}.")
        elif value != f.default:
            out[prefix + f.name] = value
    return out


@dataclass(frozen=True)
class FilmSettings:
    """Resampling to the board grid and to time bins."""

    cells_per_pixel: float = knob(0.75, (0.3, 2.0), "cell size over pixel size; below 1 keeps the peak of a small part")
    most_cells: int = knob(400, (20, 2000), "cells along the longer edge at the most: memory and time")
    most_bins: int = knob(40, (1, 400), "time bins from power-on to power-off at the most: memory and time")
    margin_cells: int = knob(6, (0, 50), "cells kept around the outline, to see the bench")
    guard_frames: float = knob(1.0, (0.0, 10.0), "frames before power-on that are not counted as cold")
    steady_share: float = knob(0.3, (0.01, 1.0), "end of a run that stands for it where boards share no clock")
    most_bad_share: float = knob(0.25, (0.0, 1.0), "weight of bad pixels above which a sample is left out")


@dataclass(frozen=True)
class ExcessSettings:
    """Rise, baseline and excess."""

    ring_gap_px: float = knob(2.5, (0.0, 20.0), "pixels between board and bench that the optics' blur mixes")
    fewest_ring_cells: int = knob(40, (5, 10000), "bench cells in view from which drift is taken off")
    unheated_share: float = knob(0.10, (0.01, 0.5), "coolest share of the board taken as not heated by anything")
    spread_floor_k: float = knob(0.03, (0.0, 5.0), "spread between good boards where nothing warms; common practice")
    spread_fraction: float = knob(
        0.12, (0.0, 1.0), "spread over own heat, two or more good boards; parts vary by 5 to 20 %, common practice"
    )
    spread_fraction_one: float = knob(0.20, (0.0, 1.0), "the same where one good board cannot show any spread: wider")
    spread_weight: float = knob(4.0, (0.0, 100.0), "good boards that the spread model weighs as much as")
    spread_reach_mm: float = knob(2.0, (0.0, 50.0), "distance over which a warm part's spread is felt")
    repeat_fraction: float = knob(0.03, (0.0, 1.0), "spread over own heat between two runs of the same board")


@dataclass(frozen=True)
class DetectionSettings:
    """Finding hot and cold places and judging parts."""

    false_discovery_rate: float = knob(
        0.05, (1e-6, 0.5), "share of false places accepted among those listed (Benjamini and Hochberg 1995)"
    )
    scales_px: tuple[float, ...] = (0.5, 1.2, 3.0)
    place_scale: int = knob(1, (0, 5), "which of the scales the place is measured on: about the optics' own blur")
    prominence_sigma: float = knob(4.0, (0.0, 20.0), "standard errors by which a peak stands out of its surroundings")
    prominence_share: float = knob(0.10, (0.0, 0.9), "share of its height by which a peak stands out")
    most_places: int = knob(30, (1, 1000), "places listed at the most")
    part_sigma: float = knob(4.0, (1.0, 20.0), "standard deviations at which a part counts as hot or cold")


@dataclass(frozen=True)
class RateSettings:
    """Rise rates."""

    window_s: float = knob(0.5, (0.01, 60.0), "window over which the steepest slope is taken")
    fewest_samples: int = knob(5, (5, 1000), "samples needed for a smoothing spline and a noise estimate")
    step_sigma: float = knob(8.0, (1.0, 100.0), "noise multiples from which a single jump may be a shutter step")
    step_ratio: float = knob(4.0, (1.0, 100.0), "times its neighbours that a jump must be to be a shutter step")


@dataclass(frozen=True)
class PlateSettings:
    """The board as a plate, before anything is measured."""

    thickness_mm: float = knob(
        1.6, (0.1, 10.0), "board thickness where the board file has none: common practice, no source"
    )
    copper_um: float = knob(
        45.0, (0.0, 1000.0), "mean copper over all layers: two to four foils of 35 um partly filled; no source"
    )
    copper_ratio: float = knob(3.5, (1.0, 20.0), "95 % ratio either way for copper that is not known; judgement")
    copper_given_ratio: float = knob(
        1.3, (1.0, 5.0), "95 % ratio for copper given as a mean, since places differ; judgement"
    )
    copper_w_per_m_k: float = knob(390.0, (100.0, 420.0), "conductivity of copper, frigprim.com board calculator")
    laminate_along_w_per_m_k: float = knob(
        0.8,
        (0.1, 5.0),
        "laminate along the board, about three times across (Graebner and Azar, J. Heat Transfer 119, 1997)",
    )
    laminate_through_w_per_m_k: float = knob(0.3, (0.05, 3.0), "laminate across the board: handbooks 0.23 to 0.35")
    laminate_j_per_cm3_k: float = knob(
        2.1, (0.5, 5.0), "heat capacity of the laminate: 1900 kg/m3 times 1100 J/(kg K); handbooks 1.8 to 2.3"
    )
    copper_j_per_cm3_k: float = knob(3.44, (3.0, 4.0), "copper: 8933 kg/m3 times 385 J/(kg K), heat-transfer textbooks")
    capacity_error: float = knob(
        0.15, (0.0, 1.0), "95 % share by which heat capacity may differ: spread of handbook values"
    )
    loss_w_per_m2_k: float = knob(
        20.0,
        (2.0, 200.0),
        "both faces, free convection 4 to 9 and radiation 5 to 6 a face at the rises of a first power-up",
    )
    loss_ratio: float = knob(1.6, (1.0, 10.0), "95 % ratio for the loss without a fan; judgement from the correlations")


@dataclass(frozen=True)
class SourceSettings:
    """Explaining the excess by sources of heat."""

    most_sources: int = knob(5, (1, 50), "sources listed at the most")
    most_cells: int = knob(2400, (100, 100000), "cells of the fitting grid: speed")
    optics_px: float = knob(
        0.6, (0.0, 5.0), "standard deviation of the optics' blur where it is not known: common practice, no source"
    )
    emissivity: float = knob(
        0.92, (0.3, 1.0), "solder mask, mould and ceramic where surfaces were not corrected: handbooks 0.85 to 0.96"
    )
    emissivity_error: float = knob(0.03, (0.0, 0.3), "standard error of that emissivity")
    most_bins: int = knob(9, (2, 100), "time bins of the fit: speed; early ones stay short")
    times: int = knob(28, (16, 400), "steps of the inner clock from power-on to the last bin")
    prior_odds: float = knob(0.02, (1e-9, 1.0), "odds that a given candidate place makes heat it should not; judgement")
    power_scale_w: float = knob(
        0.5, (1e-3, 100.0), "standard deviation of a source's power before looking; faults reach watts"
    )
    needed: float = knob(0.5, (0.0, 1.0), "probability above which a source is listed")
    model_error: float = knob(
        0.25,
        (0.0, 1.0),
        "smooth error of a template as a share of it: closed forms are 4 to 12 % off, uneven copper adds",
    )
    error_reach_mm: float = knob(4.0, (0.1, 100.0), "distance over which that error changes; judgement")
    loose_error: float = knob(
        0.2, (0.0, 1.0), "error of a template that has no smooth shape, as a share of it; judgement"
    )
    error_cells: float = knob(6.0, (1.0, 1000.0), "cells over which errors of the own heat hang together; judgement")
    healthy_share: float = knob(
        0.10, (0.0, 1.0), "spread of a part's own power between good boards where they cannot tell"
    )
    plate_parts: int = knob(6, (1, 50), "warm parts of the good boards that show the plate: speed")
    plate_signal: float = knob(3.0, (0.5, 100.0), "own heat over its error from which it can show the plate")
    local_conductance: float = knob(
        0.4,
        (0.0, 2.0),
        "standard deviation of log conductance between places of one board: copper is uneven; judgement",
    )
    missing_ratio: float = knob(
        1.5,
        (1.0, 10.0),
        "heat missing at a part over what good boards make there, at the most: their own power is not exact",
    )
    evidence_share: float = knob(
        0.2,
        (0.01, 1.0),
        "share of the log evidence that counts for a source being needed: errors hang together; judgement",
    )
    energy_conductance: float = knob(
        2.5,
        (1.0, 20.0),
        "conductance over the plate's with which heat is shared out among sources: none is left out; judgement",
    )
    energy_edge: float = knob(
        0.01, (1e-4, 0.5), "rise over the warmest in such a plate below which heat is not counted"
    )
    energy_error: float = knob(
        0.25,
        (0.0, 1.0),
        "standard error of power from the growth of heat: capacity of parts, heat beyond the region; judgement",
    )
    unmodelled_spread: float = knob(
        0.35, (0.0, 2.0), "share of the spread between good boards that is no change of a part's own power; judgement"
    )
    free_area_mm2: float = knob(25.0, (0.1, 10000.0), "board area that counts as one free place; judgement")
    again_within_mm: float = knob(
        12.0, (0.0, 1000.0), "distance to a new source within which old ones are weighed again: speed"
    )
    most_hypotheses: int = knob(60, (5, 1000), "hypotheses kept for each source: memory")
    own_reach_share: float = knob(
        0.7,
        (0.0, 10.0),
        "distance around a found source, over how far heat spreads, within which no free source is added: "
        "it would be its own misfit",
    )
    rival_reach_mm: float = knob(6.0, (0.0, 100.0), "distance within which parts are compared as the place of a source")
    power_model_error: float = knob(
        0.35,
        (0.0, 1.0),
        "standard error of power that the plate model leaves: uneven copper near the source; judgement",
    )
    place_floor_mm: float = knob(
        0.15, (0.0, 5.0), "error of a place from parts that sit off their drawn place; judgement"
    )
    contact_k_mm2_per_w: float = knob(
        200.0, (1.0, 1e5), "contact of a passive body with the board, times its footprint: 60 to 500, from memory"
    )
    parts_error: float = knob(
        0.4, (0.0, 1.0), "standard error of the heat capacity of parts as a share of it; judgement"
    )
    body_height_share: float = knob(0.4, (0.05, 2.0), "body height over its smaller side where the height is not known")
    body_j_per_cm3_k: float = knob(2.1, (0.5, 5.0), "heat capacity of bodies: moulding compound 1.9, ceramics 2.5 to 3")
    finest_mm: float = knob(0.7, (0.1, 5.0), "half the shortest wave kept in the plate, at the least")


@dataclass(frozen=True)
class PlacementSettings:
    """Placing the board in the reference picture, and faulty against good."""

    focal_widths: float = knob(
        1.3, (0.3, 10.0), "usual focal length in widths of the picture: lenses of 25 to 55 degrees (common practice)"
    )
    focal_sigma: float = knob(0.35, (0.01, 2.0), "spread of the natural logarithm of the focal length about that")
    aspect_sigma: float = knob(0.004, (1e-5, 0.2), "spread of the logarithm of the pixel aspect: pixels are square")
    click_sigma_px: float = knob(2.0, (0.1, 10.0), "standard error of a clicked mark a coordinate: one pixel or three")
    odd_click_sigmas: float = knob(
        4.0, (2.0, 20.0), "a mark this many sigmas from where five or more others put it is left out"
    )
    optics_blur_px: float = knob(0.6, (0.1, 5.0), "usual blur of optics and stabilising, standard deviation, px")
    tile_px: float = knob(36.0, (8.0, 128.0), "side of the tiles that have their own brightness and noise, px")
    block_px: float = knob(9.0, (2.0, 64.0), "side of the blocks taken as independent when errors are estimated, px")
    huber: float = knob(2.0, (0.5, 10.0), "residuals beyond this many robust sigmas count linearly (Huber 1964)")
    vuong_z: float = knob(3.0, (1.0, 10.0), "z value (Vuong 1989) by which the best start must beat any other")
    rim_px: float = knob(2.0, (0.0, 50.0), "width of bench around the board that takes part in the pattern match, px")
    pattern_blur_px: float = knob(0.7, (0.0, 5.0), "blur before two pictures are matched, against interpolation, px")
    floor_share: float = knob(0.01, (1e-5, 1.0), "noise floor of a picture as a share of its own spread")
    smallest_zoom: float = knob(0.6, (0.2, 0.95), "smallest scale of one picture against another that is searched")
    agree_sigmas: float = knob(4.0, (1.0, 20.0), "outline and pattern may differ by this many of their joint errors")
    agree_px: float = knob(
        0.5, (0.0, 10.0), "and by this much for what neither error knows (board against its file), px"
    )
    near_px: float = knob(0.5, (0.0, 10.0), "placements better than this start the pattern match on full pictures, px")
    search_px: float = knob(56.0, (24.0, 256.0), "longer side of the picture in which the outline is searched, px")
    smallest_share: float = knob(0.45, (0.1, 1.0), "smallest board searched: its longer side in shorter picture sides")
    largest_share: float = knob(
        1.25, (0.5, 4.0), "largest board searched, in picture sides: it may be cut by the frame"
    )
    scale_step: float = knob(0.06, (0.01, 0.3), "step of the natural logarithm of the scale in the search")
    turn_step_deg: float = knob(5.0, (1.0, 15.0), "step of the angle in the search, degrees")
    seen_share: float = knob(0.55, (0.2, 1.0), "share of the outline that must lie in the frame")
    search_starts: int = knob(24, (4, 500), "outline starts that are refined")
    search_kept: int = knob(8, (2, 100), "refined outlines whose layout is tried")
    weak_marks_px: float = knob(15.0, (1.0, 200.0), "error above which marks alone cannot start a fit, px")
    weak_marks_share: float = knob(0.05, (0.0, 0.5), "reach of the marks below which they are one spot, in board sizes")
    square_aspect: float = knob(1.25, (1.0, 3.0), "boards less oblong than this are also tried at quarter turns")
    same_place_px: float = knob(2.0, (0.2, 20.0), "starts that end closer than this over the board are one, px")
    layout_tolerance_mm: float = knob(
        0.1, (0.0, 2.0), "tolerance of part positions and outline against the board file (common practice)"
    )
    distrust_error_px: float = knob(2.5, (0.2, 50.0), "standard error above which a placement is not trusted, px")


@dataclass(frozen=True)
class TimingSettings:
    """Finding when the board was switched on and off."""

    cells_max: int = knob(3072, (64, 100000), "places followed in time at the most; bounds memory")
    cells_min: int = knob(4, (1, 1000), "places that must stay in view for times to be looked for")
    samples_max: int = knob(2048, (64, 100000), "samples kept of a recording; longer ones are averaged in runs first")
    samples_min: int = knob(12, (8, 1000), "fewest samples that can show a kink between two trends")
    gap_steps: float = knob(1.5, (1.1, 10.0), "time between samples, in medians, from which frames are missing")
    quiet_share: float = knob(
        0.3, (0.05, 1.0), "share of places, the quietest, that show what the picture has in common"
    )
    noise_floor_share: float = knob(0.1, (0.0, 1.0), "least noise of a place as a share of the median: stuck places")
    log_on_share: float = knob(0.2, (0.01, 0.9), "share of the upper power level of a supply log that counts as on")
    log_slack_frames: float = knob(1.0, (0.0, 10.0), "frames by which log and temperatures may differ beyond intervals")
    course_margin: float = knob(1.15, (1.0, 3.0), "size over that of noise alone from which a course counts")
    most_courses: int = knob(8, (1, 50), "courses kept at the most")
    wander_lags_s: tuple[float, ...] = (0.4, 0.8)
    edge_price: float = knob(1.0, (0.1, 20.0), "factor on the Bayesian information criterion for a further moment")
    least_share: float = knob(0.3, (0.0, 0.9), "share of what is unexplained that a moment must take off; judgement")
    smooth_share: float = knob(0.05, (0.0, 0.9), "the same over a polynomial of as many terms; judgement")
    model_error: float = knob(0.003, (0.0, 0.2), "share of its range that a course's model may be off; judgement")
    coarse_moments: int = knob(150, (20, 5000), "moments tried in the first search; speed")
    most_edges: int = knob(14, (2, 200), "moments at the most: seven tries of a supply")
    look_ahead: int = knob(4, (1, 20), "moments that may pay for themselves together: two tries of a supply")
    kept_share: float = knob(0.3, (0.0, 1.0), "of the largest rise, that a board still on must keep to the end")
    cooled_share: float = knob(0.15, (0.0, 1.0), "of the largest rise, that is left a second after power-off")
    fit_before_s: float = knob(2.0, (0.1, 60.0), "stretch before a moment that shows the trend")
    fit_after_s: float = knob(1.0, (0.1, 60.0), "stretch after a moment that shows the start of the answer")
    fine_reach: int = knob(12, (2, 100), "samples to each side that the fine search covers")
    grid_step: float = knob(0.2, (0.01, 1.0), "pitch of the fine search, samples")
    departure_error: float = knob(0.05, (0.0, 0.5), "share of the answer so far that its model may be off; judgement")
    moment_slack: float = knob(0.25, (0.0, 5.0), "samples added to each end of an interval: frames take time")
    moment_lag_s: float = knob(
        0.12, (0.0, 5.0), "added at the early end: 0.5 to 1 mm of moulding compound lag by L2 / (pi2 a), 0.1 to 0.3 s"
    )
    slope_s: float = knob(1.0, (0.05, 30.0), "stretch on each side over which slopes are compared")
    source_sigmas: float = knob(5.0, (2.0, 20.0), "change of slope over its error from which a cell counts")
    source_share: float = knob(0.3, (0.01, 0.9), "of the strongest cell's, from which a cell is a source")
    purity: float = knob(0.4, (0.0, 1.0), "balance of warming over cooling cells from which a switch has a direction")
    off_share: float = knob(0.4, (0.05, 0.95), "share of the heat made that must vanish for the power to be off")
    history_share: float = knob(0.02, (0.0, 1.0), "cooling before power-on over the change at it, for a warm start")
    before_share: float = knob(0.25, (0.0, 2.0), "warming before over the change, from which the board was on already")
    lone_sigmas: float = knob(10.0, (3.0, 100.0), "rise over its error from which steady warming counts")
    lone_purity: float = knob(0.8, (0.0, 1.0), "balance from which steady warming alone shows a board that is on")


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
    noise_kept: float = knob(0.4, (0.0, 1.0), "share of the noise that averaging cannot remove: placing, cold frames")
    block_mm: float = knob(
        4.0, (0.5, 50.0), "edge of the blocks of bare board, mm; about the spread of heat in seconds"
    )
    most_blocks: int = knob(220, (4, 2000), "blocks on a board at the most: time")
    bare_margin_mm: float = knob(0.5, (0.0, 5.0), "left out around bodies: solder fillets and placing error")
    least_block_share: float = knob(0.2, (0.0, 1.0), "share of a block's cells that must be bare and readable")
    most_power_share: float = knob(0.5, (0.01, 2.0), "spread of a part's power between good boards at the most")
    tail_at_fault: float = knob(15.0, (1.0, 200.0), "degrees of freedom at the part a fault sits at: it must fit")
    own_sigma: float = knob(2.5, (0.0, 10.0), "a good board's warmth below so many sigma of noise is not counted on")
    warm_own_k: float = knob(0.1, (0.0, 50.0), "own heat above which a part's spread may warm its surroundings, K")
    most_shared: int = knob(25, (0, 200), "warm parts whose harmless differences are followed into the board")
    drift_k: float = knob(0.3, (0.0, 5.0), "drift of the whole picture between recordings, K: uncooled cameras, room")
    timing_s: float = knob(0.15, (0.0, 5.0), "power-on of two recordings may be placed this far apart, s; judgement")
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
    collapse_share: float = knob(0.5, (0.0, 1.0), "how often a short takes its net down; judgement")
    blackout_share: float = knob(0.35, (0.0, 1.0), "of those, how often the supply gives up for the whole board")
    doubt_share: float = knob(0.2, (0.0, 0.9), "how often the best explanation fails in a way that is not modelled")
    doubt_nats: float = knob(2.0, (0.1, 100.0), "gap in log likelihood from which a better fit then says little more")
    silent_share: float = knob(0.08, (1e-6, 0.9), "how often a fault shows no heat in the seconds seen; judgement")
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
    other_widening: float = knob(8.0, (1.5, 100.0), "how far it changes them, in units of noise and spread")
    weighed_closely: int = knob(25, (1, 1000), "best hypotheses whose places are tried with several spreads of heat")
    bare_places: int = knob(12, (0, 100), "bare places weighed as suspects at the most")
    swap_left: float = knob(0.1, (0.001, 1.0), "what a swap without change leaves of a suspect; judgement")
    most_listed: int = knob(20, (1, 500), "suspects listed at the most; the others join 'other'")
    most_widening: float = knob(3.0, (1.0, 20.0), "how far good boards left out in turn may widen the spread")
    least_left_out: int = knob(10, (1, 1000), "parts of good boards left out in turn that are needed to widen at all")
    least_bits: float = knob(0.02, (0.0, 5.0), "expected information below which a measurement is not proposed, bits")
    short_run_s: float = knob(10.0, (0.5, 600.0), "seconds on below which a longer recording is proposed")
    verdict_at: float = knob(0.5, (0.05, 0.99), "probability from which a verdict is given (design value)")
    listed_from: float = knob(0.002, (0.0, 0.5), "probability below which a suspect joins 'other' in the list")

    def diffusivities(self) -> tuple[float, ...]:
        """Spreads of heat tried on the good boards' warmth, from bare FR-4 to copper planes, mm2/s."""
        ratio = self.quick_mm2_per_s / self.slow_mm2_per_s
        steps = max(int(self.diffusivity_count) - 1, 1)
        return tuple(self.slow_mm2_per_s * ratio ** (i / steps) for i in range(int(self.diffusivity_count)))


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
class ReadSettings:
    """Opening files: what is doubted, what is refused."""

    frames_looked_at: int = knob(5, (1, 1000), "frames spread over a recording that are looked at when it is opened")
    rate_disagreement: float = knob(
        0.05, (0.0, 1.0), "relative disagreement of times and frame rate from which on it is reported; common practice"
    )
    background_share: float = knob(
        0.2, (0.0, 1.0), "share of the coolest pixels whose upper end is taken as the background; common practice"
    )
    doubtful_low_c: float = knob(
        60.0, (-50.0, 300.0), "background from which on a grid without unit may be Fahrenheit: 60 F is 15.6 C"
    )
    doubtful_high_c: float = knob(
        95.0, (-50.0, 300.0), "background up to which a grid without unit may be Fahrenheit: 95 F is 35 C"
    )
    kelvin_low: float = knob(255.0, (0.0, 400.0), "background from which on a grid without unit may be kelvin: -18 C")
    kelvin_high: float = knob(345.0, (0.0, 500.0), "background up to which a grid without unit may be kelvin: 72 C")
    coldest_c: float = knob(-100.0, (-273.15, 50.0), "median below which unit or scale are taken as wrong, C")
    hottest_c: float = knob(1000.0, (50.0, 5000.0), "median above which unit or scale are taken as wrong, C")


@dataclass(frozen=True)
class WarmUpSettings:
    """Extrapolating a warm-up."""

    fewest_samples: int = knob(
        6, (4, 1000), "samples with power on below which nothing is said: two constants need more than four"
    )
    longest_ratio: float = knob(30.0, (2.0, 1000.0), "longest time constant thought of, over the seconds seen")
    rungs: int = knob(60, (10, 400), "time constants tried between the shortest and the longest")
    shape_error: float = knob(
        0.003, (0.0, 0.2), "share of the rise by which real curves differ from exponentials; judgement"
    )
    widest: float = knob(
        2.0, (0.1, 100.0), "width of the interval over the final rise above which no final rise is given"
    )


@dataclass(frozen=True)
class MotionSettings:
    """Following the motion of the picture."""

    longest_side: int = knob(220, (16, 5000), "pixels along the longer side of the pictures that motion is fitted on")
    smoothing_px: float = knob(1.2, (0.5, 5.0), "smoothing of working pictures, which takes fine sensor pattern down")
    local_px: float = knob(3.0, (2.0, 50.0), "details wider than this are left to heat and shading, working px")
    coarse_px: float = knob(1.7, (0.5, 10.0), "further smoothing for the coarse shifts, working px")
    reach_px: float = knob(
        12.0, (2.0, 100.0), "coarse shift between neighbouring frames that is looked for, working px"
    )
    memory_frames: int = knob(10, (1, 1000), "frames whose mean the coarse shift of the next is taken against")
    margin_px: float = knob(3.0, (1.0, 20.0), "rim of the working picture that is not used")
    slope_gate: float = knob(
        10.0, (0.0, 1000.0), "power of local slopes over that of sensor pattern from which they count; made scenes"
    )
    gate_px: float = knob(1.0, (0.5, 10.0), "radius over which that power is taken, working px")
    most_keys: int = knob(240, (10, 10000), "frames fitted together; the others follow from these; memory")
    stretch_frames: int = knob(8, (2, 1000), "frames of a stretch whose mean each of them is fitted to")
    most_stretches: int = knob(20, (1, 200), "stretches that are compared in pairs; time grows with the square")
    turns: int = knob(3, (1, 20), "rounds of fitting frames to stretches, and stretches to each other, a step each")
    doubt_sigmas: float = knob(
        4.0, (1.5, 20.0), "residuals beyond this many sigmas lose their weight (Geman and McClure)"
    )
    floor_px: float = knob(1e-4, (1e-9, 0.1), "wander left to a coefficient the data do not ask for, px")
    usual_shift_px: float = knob(3.0, (0.1, 100.0), "shift between neighbouring pictures that is expected, working px")
    usual_turn_px: float = knob(1.0, (0.01, 100.0), "displacement at the rim by turning and growth that is expected")
    usual_tilt_px: float = knob(
        0.2, (0.001, 100.0), "displacement at the rim by tilting: hands waver by a degree or so"
    )
    still_jitter_px: float = knob(0.06, (0.0, 1.0), "motion between frames below which a camera may stand still")
    still_drift_px: float = knob(
        0.6, (0.0, 5.0), "drift below which such a camera stands still; heating feigns up to 0.4"
    )
    heat_drag_px: float = knob(0.03, (0.0, 5.0), "motion that heat at edges feigns beyond a fit's error; made scenes")
    quiet_ratio: float = knob(4.0, (1.0, 100.0), "change since the start, over the least seen, that ends quiet time")
    fewest_cold: int = knob(12, (2, 1000), "first frames whose mean is the reference picture, at the least")
    most_cold: int = knob(60, (2, 1000), "frames before anything warms that are averaged for it, at the most; time")
    edge_share: float = knob(0.1, (0.0, 1.0), "share of a slope's step over a pixel that sampling may leave behind")
    pattern_px: float = knob(5.0, (1.0, 50.0), "details of sensor pattern wider than this are left to the scene, px")
    most_components: int = knob(3, (0, 10), "time courses of heating at the most")
    change_frames: int = knob(24, (2, 200), "frames that the change components are taken from; memory")
    change_sigmas: float = knob(3.0, (1.0, 100.0), "power of a change component over that of noise")

    def usual_motion_px(self) -> tuple[float, ...]:
        """Return the expected size of the eight coefficients between neighbouring pictures, px."""
        return (self.usual_shift_px,) * 2 + (self.usual_turn_px,) * 2 + (self.usual_tilt_px,) * 4

    def usual_spread_px(self) -> tuple[float, ...]:
        """Return the expected size of the eight coefficients over a recording, px; shifts are free."""
        return (1e3,) * 2 + (3 * self.usual_turn_px,) * 2 + (self.usual_tilt_px,) * 4


@dataclass(frozen=True)
class ForeseeSettings:
    """How small a source will show up, before filming."""

    false_alarms: float = knob(0.01, (1e-9, 0.5), "false places to expect in a recording of a board without fault")
    pixels_a_place: float = knob(9.0, (1.0, 1000.0), "pixels that count as one independent place: blur of about 3 x 3")
    times: int = knob(40, (16, 400), "steps of the inner clock")
    contact_k_mm2_per_w: float = knob(
        200.0, (1.0, 1e5), "contact of a body with the board, times its footprint: small parts 60 to 500, from memory"
    )
    height_share: float = knob(0.4, (0.05, 2.0), "body height over its smaller side")
    body_j_per_cm3_k: float = knob(2.1, (0.5, 5.0), "heat capacity of bodies: moulding compound 1.9, ceramics 2.5 to 3")


@dataclass(frozen=True)
class EnergySettings:
    """Energy books of the whole board."""

    parts_share: float = knob(
        0.15, (0.0, 2.0), "heat capacity of parts and copper over that of the bare board; judgement"
    )
    capacity_error: float = knob(0.1, (0.0, 1.0), "standard error of that as a share of the whole; judgement")
    depth_s: float = knob(
        3.0,
        (0.0, 60.0),
        "seconds by which the seen face runs ahead of, or behind, the mean of 1.6 mm laminate: t^2 / (3 a)",
    )


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
    emissivity_given: float = knob(0.02, (0.0, 0.3), "half of the 95 % range of an emissivity given by hand; judgement")


@dataclass(frozen=True)
class SourceMapSettings:
    """Source map."""

    most_cells: int = knob(6000, (100, 100000), "cells of the map: speed")
    most_bins: int = knob(5, (2, 100), "time bins of the map: speed")
    misfit: float = knob(
        1.02, (0.5, 10.0), "mean squared residual over its variance that counts as explained by the noise"
    )
    model_error: float = knob(0.05, (0.0, 1.0), "error of the plate as a share of the rise; judgement")
    penalties: int = knob(8, (1, 100), "amounts of regularisation tried, strongest first")
    penalty_ratio: float = knob(0.25, (0.05, 0.95), "each amount over the one before")
    last_steps: int = knob(2000, (0, 100000), "further steps at the chosen amount: sharpness against speed")
    steps: int = knob(350, (5, 5000), "steps at each amount")


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
class CalibrationSettings:
    """Calibrating a camera and surfaces."""

    least_span_k: float = knob(15.0, (1.0, 500.0), "span of the references that a scale needs; judgement")
    least_gap_k: float = knob(5.0, (0.1, 100.0), "distance from which two references count as two; judgement")
    bad_pixel_sigmas: float = knob(8.0, (3.0, 100.0), "offset of a pixel over the usual spread that makes it bad")
    least_contrast_k: float = knob(
        10.0,
        (0.5, 200.0),
        "distance of a surface from its surroundings for an emissivity; ASTM E1933 (from memory): 10 K",
    )


@dataclass(frozen=True)
class Settings:
    """All settings of a comparison."""

    reading: ReadSettings = field(default_factory=ReadSettings)
    camera: CameraSettings = field(default_factory=CameraSettings)
    motion: MotionSettings = field(default_factory=MotionSettings)
    film: FilmSettings = field(default_factory=FilmSettings)
    excess: ExcessSettings = field(default_factory=ExcessSettings)
    detection: DetectionSettings = field(default_factory=DetectionSettings)
    rate: RateSettings = field(default_factory=RateSettings)
    plate: PlateSettings = field(default_factory=PlateSettings)
    source: SourceSettings = field(default_factory=SourceSettings)
    placement: PlacementSettings = field(default_factory=PlacementSettings)
    timing: TimingSettings = field(default_factory=TimingSettings)
    explain: ExplainSettings = field(default_factory=ExplainSettings)
    warm_up: WarmUpSettings = field(default_factory=WarmUpSettings)
    foresee: ForeseeSettings = field(default_factory=ForeseeSettings)
    energy: EnergySettings = field(default_factory=EnergySettings)
    radiometry: RadiometrySettings = field(default_factory=RadiometrySettings)
    source_map: SourceMapSettings = field(default_factory=SourceMapSettings)
    picture: PictureSettings = field(default_factory=PictureSettings)
