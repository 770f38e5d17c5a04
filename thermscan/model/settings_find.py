"""Defaults of comparing and detecting, and of the heat physics behind it."""

from __future__ import annotations

from dataclasses import dataclass

from thermscan.model.knob import knob


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
    cooling_s: float = knob(
        16.0, (1.0, 600.0), "time constant of heat left from an earlier run, within a factor of two; common practice"
    )
    cooling_smooth_px: float = knob(2.0, (0.3, 20.0), "width over which the cooling before power-on is smoothed")
    cooling_apart_s: float = knob(0.4, (0.05, 60.0), "shortest time between halves of cold frames that shows cooling")
    cooling_sigmas: float = knob(4.0, (1.0, 100.0), "standard errors from which a place is seen to cool; judgement")
    cooling_share: float = knob(0.02, (0.0, 1.0), "share of the board's cells that must be seen to cool; judgement")
    cooling_felt_mm: float = knob(10.0, (0.0, 100.0), "width over which leaving heat makes places doubtful; judgement")
    cooling_common_error: float = knob(
        0.5,
        (0.0, 2.0),
        "error of the cooling that the whole board shares, share of it: cameras drift so too; judgement",
    )
    cooling_alike: float = knob(
        0.15,
        (-1.0, 1.0),
        "correlation of that cooling with the warming after it from which it is left heat; made boards",
    )
    cooling_and_warming: float = knob(
        0.5, (0.0, 100.0), "warming before power-on, over cooling, K/s each, from which it is no heat; judgement"
    )
    cooling_goes_on: float = knob(
        0.5, (0.0, 1.0), "the same with the cooling after it, where a place is not heated any more; judgement"
    )
    follow_tiles: int = knob(6, (2, 50), "tiles along each side by which it is told whether one map follows another")
    follow_sigmas: float = knob(2.0, (0.5, 20.0), "standard errors from which one map follows another; judgement")
    left_heat_k: float = knob(0.5, (0.0, 50.0), "left heat, or what it cools, from which it is taken off, K")
    left_heat_sigma: float = knob(6.0, (1.0, 100.0), "and in standard deviations of the camera's noise; judgement")
    left_heat_error: float = knob(0.6, (0.0, 2.0), "error of the cooling taken off, share of it; judgement")


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
    passing_sigma: float = knob(8.0, (3.0, 100.0), "noise multiples of what comes and goes before it is blanked")
    passing_k: float = knob(0.7, (0.05, 50.0), "kelvin of what comes and goes before it is blanked; judgement")
    passing_left: float = knob(0.3, (0.0, 0.9), "share of it that may stay behind: heat would leave most; judgement")
    passing_of_stay: float = knob(
        0.5, (0.0, 10.0), "what comes and goes over what stays at a place, from which something passed; judgement"
    )
    passing_s: float = knob(2.0, (0.1, 10.0), "longest stay of what passes, s: a hand reaching in; judgement")
    mirrored_k: float = knob(1.0, (0.05, 50.0), "kelvin below its start from which a place mirrors; judgement")
    mirrored_most: float = knob(0.3, (0.0, 1.0), "share of a board beyond which it cools as a whole; judgement")
    passing_reach_px: float = knob(2.0, (0.0, 20.0), "camera pixels around it that are blanked too: it is out of focus")
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
        55.0,
        (0.0, 1000.0),
        "copper of all layers: between two foils of 35 um half filled and four filled by two thirds; no source",
    )
    copper_ratio: float = knob(3.2, (1.0, 20.0), "95 % ratio either way for copper that is not known; judgement")
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
class OpticsSettings:
    """Blur of the optics from the sharpest edges of recordings, where no profile of the camera knows it."""

    frames: int = knob(8, (1, 1000), "frames averaged on either side of power-on: speed")
    single_frames: int = knob(3, (1, 100), "frames looked at one by one where the camera moves: speed")
    usual_px: float = knob(
        0.6, (0.1, 5.0), "usual blur of the optics in focus, standard deviation, px: common practice, no source"
    )
    usual_ratio: float = knob(0.4, (0.05, 2.0), "standard deviation of its logarithm between cameras; judgement")
    edge_error: float = knob(
        0.2,
        (0.02, 2.0),
        "standard deviation of the logarithm of a blur from edges: 0.19 over 22 pictures of known blur",
    )
    least_px: float = knob(0.2, (0.01, 1.0), "blur of edges below which a picture is as sharp as can be told")


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
    needed: float = knob(0.5, (0.0, 1.0), "probability above which a source is listed")
    most_limit_w: float = knob(
        100.0, (1.0, 1e5), "detection limit from which it is said that nothing would be seen: more than boards draw"
    )
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
    freed_share: float = knob(
        1.0, (0.1, 10.0), "spread of a part's own heat, over itself, where it plainly differs: dead or doubled"
    )
    freed_odds: float = knob(0.01, (1e-9, 1.0), "odds that a given part's own heat is so different; judgement")
    spread_freedom: float = knob(
        4.0, (1.0, 1000.0), "degrees of freedom of the spread between good boards, which few of them show; judgement"
    )
    plate_parts: int = knob(6, (1, 50), "warm parts of the good boards that show the plate: speed")
    plate_signal: float = knob(3.0, (0.5, 100.0), "own heat over its error from which it can show the plate")
    local_conductance: float = knob(
        0.4,
        (0.0, 2.0),
        "standard deviation of log conductance between places of one board: copper is uneven; judgement",
    )
    missing_ratio: float = knob(
        3.0,
        (1.0, 10.0),
        "heat missing at a part over what good boards make there, at the most: their own power is not exact",
    )
    evidence_share: float = knob(
        0.2,
        (0.01, 1.0),
        "share of the log evidence that counts for a source being needed: errors hang together; judgement",
    )
    unmodelled_spread: float = knob(
        0.35, (0.0, 2.0), "share of the spread between good boards that is no change of a part's own power; judgement"
    )
    free_area_mm2: float = knob(25.0, (0.1, 10000.0), "board area that counts as one free place; judgement")
    again_within_mm: float = knob(
        12.0, (0.0, 1000.0), "distance to a new source within which old ones are weighed again: speed"
    )
    most_hypotheses: int = knob(240, (5, 1000), "hypotheses kept for each source: memory")
    own_reach_share: float = knob(
        1.0,
        (0.0, 10.0),
        "distance around a found source, over how far heat spreads, within which no free source is added: "
        "it would be its own misfit",
    )
    hiding_mm: float = knob(
        3.0, (0.0, 50.0), "smaller side from which a part can hide a source under it that is not its own; judgement"
    )
    most_vias: float = knob(
        5.0, (1.0, 100.0), "vias' factor on conduction through the board, at the most, away from moulded power parts"
    )
    sign_sure: float = knob(
        0.95, (0.5, 1.0), "probability of a source's sign, over all hypotheses, for it to be listed; judgement"
    )
    least_lag_s: float = knob(0.2, (0.0, 10.0), "lag of the top below which a body counts as one temperature")
    alike_errors: float = knob(
        24.0,
        (1.0, 1000.0),
        "errors of a template that are independent of one another: some directions and distances, few times; judgement",
    )
    rival_reach_mm: float = knob(6.0, (0.0, 100.0), "distance within which parts are compared as the place of a source")
    power_model_error: float = knob(
        0.28,
        (0.0, 2.0),
        "standard error of log power that all hypotheses share: copper that differs from place to place; judgement",
    )
    power_unlisted_error: float = knob(
        0.55,
        (0.0, 2.0),
        "the same where no parts are listed: a body on top keeps heat and shows it late; judgement",
    )
    place_blur_share: float = knob(
        0.4,
        (0.0, 3.0),
        "error of a place over what optics and pixels smear: heat runs along copper that is not known; judgement",
    )
    surface_sure: float = knob(
        0.7, (0.5, 1.0), "probability from which a source is said to be at the surface; below it depth is unknown"
    )
    depth_evidence: float = knob(0.4, (0.05, 1.0), "power of the likelihood of a source's depth; from 56 made boards")
    hidden_sure: float = knob(
        0.9,
        (0.5, 1.0),
        "probability of not being made on the seen face from which a source is said to be hidden; judgement",
    )
    place_body_share: float = knob(
        0.3,
        (0.0, 3.0),
        "error of a place over the size of the body that is warmed, or over the way through the board: judgement",
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
    loss_at_k: float = knob(
        10.0, (0.1, 200.0), "rise at which the plate's loss holds: a board's mean at a first power-up; common practice"
    )
    loss_growth_error: float = knob(
        0.5, (0.0, 2.0), "standard error of what a warm place loses more, as a share of it; judgement"
    )
    most_loss_share: float = knob(
        0.5, (0.0, 5.0), "heat lost beyond the linear loss over the heat made, at the most: first order only; judgement"
    )
    body_height_share: float = knob(0.4, (0.05, 2.0), "body height over its smaller side where the height is not known")
    body_j_per_cm3_k: float = knob(2.1, (0.5, 5.0), "heat capacity of bodies: moulding compound 1.9, ceramics 2.5 to 3")
    finest_mm: float = knob(0.7, (0.1, 5.0), "half the shortest wave kept in the plate, at the least")


@dataclass(frozen=True)
class SourceMapSettings:
    """Source map."""

    most_cells: int = knob(6000, (100, 100000), "cells of the map: speed")
    most_bins: int = knob(5, (2, 100), "time bins of the map: speed")
    misfit: float = knob(
        1.02, (0.5, 10.0), "mean squared residual over its variance that counts as explained by the noise"
    )
    stages: int = knob(2, (1, 20), "stages of equal time with power on that have a map each")
    model_error: float = knob(0.05, (0.0, 1.0), "error of the plate as a share of the rise; judgement")
    penalties: int = knob(8, (1, 100), "amounts of regularisation tried, strongest first")
    penalty_ratio: float = knob(0.25, (0.05, 0.95), "each amount over the one before")
    gain_share: float = knob(0.9, (0.1, 1.0), "misfit over the one before, above which a weaker penalty gains nothing")
    last_steps: int = knob(2000, (0, 100000), "further steps at the chosen amount: sharpness against speed")
    steps: int = knob(350, (5, 5000), "steps at each amount")


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
    parts: int = knob(3, (0, 1000), "warmest parts whose warm-up is extrapolated: speed, and a short list")
    board_s: float = knob(
        200.0,
        (1.0, 1e5),
        "time constant of a board in still air: 3.4 kJ/(m2 K) of 1.6 mm laminate over 17 W/(m2 K) from both faces",
    )
    reading_error_k: float = knob(
        0.02, (0.0, 5.0), "error of a second's mean that averaging over the part does not lower; judgement"
    )


@dataclass(frozen=True)
class ForeseeSettings:
    """How small a source will show up, before filming."""

    false_alarms: float = knob(0.01, (1e-9, 0.5), "false places to expect in a recording of a board without fault")
    pixels_a_place: float = knob(9.0, (1.0, 1000.0), "pixels that count as one independent place: blur of about 3 x 3")
    times: int = knob(40, (16, 400), "steps of the inner clock")
    wander_share: float = knob(
        0.3, (0.0, 10.0), "what wanders in an uncooled pixel within a recording, over its noise; common practice"
    )
    board_floor_k: float = knob(
        0.03, (0.0, 5.0), "difference between good boards where nothing warms, as in the excess; common practice"
    )
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
    body_height_share: float = knob(0.4, (0.05, 2.0), "body height over its smaller side where the height is not known")
    body_j_per_cm3_k: float = knob(2.1, (0.5, 5.0), "heat capacity of bodies: moulding compound 1.9, ceramics 2.5 to 3")
    heat_sink_fill: float = knob(0.4, (0.05, 1.0), "share of a heat sink's volume that is metal; judgement")
    body_error: float = knob(0.35, (0.0, 2.0), "standard error of what bodies hold, a share of it; judgement")
    depth_s: float = knob(
        3.0,
        (0.0, 60.0),
        "seconds by which the seen face runs ahead of, or behind, the mean of 1.6 mm laminate: t^2 / (3 a)",
    )
    settle_s: float = knob(
        3.0, (0.0, 60.0), "seconds after power-off until heat has evened out through the board: t^2 / a for 1.6 mm"
    )
    least_cooling_s: float = knob(3.0, (0.5, 600.0), "seconds of cool-down below which no loss is read off; judgement")
    drift_k: float = knob(
        0.1, (0.0, 5.0), "what an uncooled camera's level may wander within a recording; common practice, no source"
    )
    cooling_error: float = knob(
        0.3,
        (0.0, 2.0),
        "standard error, as a share, of a loss from the cool-down: parts give their heat to the board late; judgement",
    )
