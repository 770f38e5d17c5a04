"""Where heat is made and how much: the excess explained by a sparse set of sources."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from thermscan.find.source_candidate import (
    Candidate,
    free_options,
    free_place,
    make_candidate,
    part_options,
    plate_options,
    sources_of,
)
from thermscan.find.source_data import FitData, prepare
from thermscan.find.source_healthy import explain_own_heat, healthy_columns, learn_plate
from thermscan.find.source_report import describe, needed_probabilities
from thermscan.find.source_search import LinearFit
from thermscan.find.source_state import Found, Search
from thermscan.find.source_template import NO_MOULD_KINDS, Option, Place, TemplateMaker
from thermscan.model.board import Board
from thermscan.model.film import Excess
from thermscan.model.settings import SourceSettings
from thermscan.model.source_fit import SourceFit
from thermscan.model.surface import Surface
from thermscan.physics.plate import Plate

DEFAULTS = SourceSettings()
KEPT_PLACES = 8  # whose templates are kept: memory
QUICK_LAGS = (0.8,)  # of TOP_LAGS, where many parts are looked through


def find_sources(
    excess: Excess,
    board: Board,
    plate: Plate,
    *,
    side: str,
    runs_s: tuple[tuple[float, float | None], ...] | None = None,
    surfaces: tuple[Surface, ...] = (),
    settings: SourceSettings = DEFAULTS,
) -> SourceFit:
    """Explain an excess by sources of heat at parts and free places.

    Parameters
    ----------
    excess : Excess
        In kelvin, on the clock of power-on.
    board : Board
    plate : Plate
    side : {'top', 'bottom'}
        Side that was filmed.
    runs_s : tuple of (on, off), s, optional
        Stretches with power since power-on, retries included (off None: still on); default: one run from zero to the
        film's power-off. Power is the mean over these stretches.
    surfaces : tuple of Surface
        Table of surfaces: unreadable bodies are left out, the others show their heat by their emissivity.
    settings : SourceSettings

    Returns
    -------
    SourceFit
        Sources whose probability of being needed reaches ``settings.needed``, strongest evidence first.

    Notes
    -----
    Greedy search with marginal likelihood: the excess is the sum of templates (layered plate, package lag, blur)
    times powers, plus each part's own heat varying between good boards, plus noise; sources are added while the
    evidence pays for them. Powers are mixtures over plate conductance, copper depth, package and depth of the source.
    Not valid for metal-core boards, forced cooling, or before the power-on time is known.
    """
    reason = unusable(excess)
    if reason:
        return SourceFit((), None, plate_text=plate.sentence, why={"sources": reason})
    data = prepare(excess, board, side=side, runs_s=runs_s, surfaces=surfaces, settings=settings)
    if not data.known.any():
        why = "nothing of the board can be read: bodies that hide their heat, or readings that are missing, cover it"
        return SourceFit((), None, plate_text=plate.sentence, why={"sources": why})
    search = start_search(data, TemplateMaker(data, plate, board, side, settings, surfaces))
    widen_own_heat(search)
    while len(search.found) < settings.most_sources:
        new = next_source(search)
        if new is None:
            break
        search.found.append(new)
        settle_rivals(search, len(search.found) - 1)  # once its template's error is known: else its sort is misjudged
        if not np.isfinite(search.found[-1].gain):
            search.found.pop()
            break
        widen_own_heat(search)
        weigh_near(search, search.found[-1].place)
    for i in range(len(search.found) - 1):  # the last one was settled with all the others known
        settle_rivals(search, i)
    search.found = [f for f in search.found if np.isfinite(f.gain)]
    prune(search)
    return describe(search, excess)


def prune(search: Search) -> None:
    """Drop the sources that are not needed, the least needed first, and weigh those near them again."""
    while search.found:
        chances = needed_probabilities(search)
        worst = int(np.argmin(chances))
        if chances[worst] >= search.settings.needed:
            return
        gone = search.found.pop(worst)
        weigh_near(search, gone.place)


def weigh_near(search: Search, place: Place) -> None:
    """Weigh the found sources near a place again; their rivals stay."""
    for i, old in enumerate(search.found):
        if 0 < apart_mm(old.place, place) < search.settings.again_within_mm:
            search.found[i] = replace(weigh(search, old.place, search.fit_without(i)), rivals=old.rivals)


def widen_own_heat(search: Search) -> None:
    """Let the own heat of parts that plainly miss heat vary freely, one after another.

    A part that stays without power misses all of its heat, which is no chance difference between boards: left at the
    good boards' spread it would be charged to a source nearby. A part is freed where the evidence pays for the odds.
    More heat than on good boards is left to the search for sources.
    """
    settings = search.settings
    while True:
        fit = search.fit_with(search.found)
        own = np.array(
            [i for i, o in enumerate(search.owners) if o and search.nuisance.sigma[i] < settings.freed_share]
        )
        if not own.size:
            return
        gain = settings.evidence_share * freeing_gain(fit, own, settings.freed_share)
        gain[fit.mean[own] > 0] = -np.inf
        if gain.max() + np.log(settings.freed_odds) <= 0:
            return
        sigma = search.nuisance.sigma.copy()
        sigma[own[int(np.argmax(gain))]] = settings.freed_share
        search.nuisance = replace(search.nuisance, sigma=sigma)


def freeing_gain(fit: LinearFit, columns: np.ndarray, sigma: float) -> np.ndarray:
    """Return how much the log evidence grows when a column's amplitude may vary by ``sigma``, ndarray (columns,).

    The likelihood of one amplitude is what is left of its posterior once its prior is divided out.
    """
    before = fit.columns.sigma[columns]
    variance, mean = np.diag(fit.covariance)[columns], fit.mean[columns]
    precision = np.maximum(1 / variance - before**-2.0, 1e-12)
    seen = mean / variance / precision

    def evidence(prior: np.ndarray | float) -> np.ndarray:
        total = prior**2 + 1 / precision
        return -0.5 * (seen**2 / total + np.log(total))

    return evidence(sigma) - evidence(before)


def apart_mm(a: Place, b: Place) -> float:
    """Return the distance of two places, mm."""
    return float(np.hypot(a.x_mm - b.x_mm, a.y_mm - b.y_mm))


def unusable(excess: Excess) -> str:
    """Say why no sources can be found in this excess; empty where they can."""
    film = excess.film
    if film.unit != "celsius":
        return "counts without a scale: watts need kelvin"
    if film.clock != "power_on":
        return "power-on is not known, so that the seconds over which heat has spread are not known"
    on = film.edges_s[1:] > 0
    if not on.any() or not np.isfinite(excess.excess[on]).any():
        return "no readable place with power on"
    return ""


def start_search(data: FitData, maker: TemplateMaker) -> Search:
    """Prepare templates of all parts and the model of what varies between good boards."""
    settings, plate = maker.settings, maker.plate
    candidates = part_candidates(maker)
    heat = explain_own_heat(data, candidates, settings)
    learned = learn_plate(maker, heat, settings)
    if learned is not plate:
        maker = replace(maker, plate=learned)
        candidates = part_candidates(maker)
        heat = explain_own_heat(data, candidates, settings)
    base = data.samples(data.variance + settings.error_cells * (settings.unmodelled_spread * data.spread) ** 2)
    nuisance, owners = healthy_columns(data, heat)
    plates = plate_options(learned.conductance_w_per_k)
    own_w = dict(zip(heat.refs, map(float, heat.powers_w), strict=True))
    return Search(data, maker, nuisance, owners, plates, candidates, base, data.runs_s, own_w)


def part_candidates(maker: TemplateMaker) -> list[Candidate]:
    """Return every part as a candidate in the middle plate, at its own depth."""
    plate = Option(maker.plate.conductance_w_per_k.value, 0.0)
    return [
        make_candidate(maker, Place(part.x, part.y, part), part_options(maker, part, plate, lags=QUICK_LAGS)[0])
        for part in sources_of(maker.board)
    ]


def next_source(search: Search) -> Found | None:
    """Return the best further source, or None where none pays."""
    fit = search.fit_with(search.found)
    taken = search.refs()
    places = tuple(f.place for f in search.found)
    share = search.settings.evidence_share
    best, best_score = None, 0.0
    for c in search.candidates:
        if c.place.part.ref in taken:
            continue
        b, g = fit.project(c.templates)
        gain = float(np.logaddexp.reduce(search.scores(c.place, b, g) - np.log(len(b))))
        score = max(share * gain, search.own_evidence(fit, c.place)) + search.log_odds(c.place)
        if score > best_score:
            best, best_score = c.place, score
    for depth in ("surface", "far_side"):
        place, gain = free_place(search.maker, fit, search.middle, depth=depth, taken=places)
        if share * gain + search.log_odds(place) > best_score:
            best, best_score = place, share * gain + search.log_odds(place)
    return None if best is None else weigh(search, best, fit)


def weigh(search: Search, place: Place, fit: LinearFit) -> Found:
    """Weigh all hypotheses about a place against a fit that does not contain it."""
    options, templates = hypotheses(search, place)
    prior = np.array([o.log_prior for o in options])
    b, g = fit.project(templates)
    powers = b / g
    score = search.scores(place, b, g) + prior
    gain = float(np.logaddexp.reduce(score) - np.logaddexp.reduce(prior))
    own = search.own_evidence(fit, place)
    gain = max(gain, own / search.settings.evidence_share)
    if not np.isfinite(score).any():
        score, gain = prior, -np.inf
    keep = np.argsort(score)[::-1][: search.settings.most_hypotheses]
    stack, power = templates[keep], powers[keep]
    chosen = tuple(options[i] for i in keep)
    weights = search.weigh_alike(fit, stack, power, prior[keep])
    weights = np.where(search.is_possible(place, power), weights, 0.0) if np.isfinite(gain) else weights
    order = np.argsort(-weights, kind="stable")
    return Found(
        place,
        tuple(chosen[i] for i in order),
        stack[order],
        weights[order] / weights.sum(),
        float(power[order[0]]),
        gain,
        surely_warmer=own + search.log_odds(place) > 0,
    )


def hypotheses(search: Search, place: Place) -> tuple[tuple[Option, ...], np.ndarray]:
    """Return all ways in which a place may heat, in all plates, with their templates, ndarray (options, samples), K/W.

    They are kept for the places that were asked about last, which are asked about again.
    """
    if place not in search.made:
        options: list[Option] = []
        templates = []
        for plate in search.plates:
            if plate.through > search.settings.most_vias and (place.part is None or place.part.kind in NO_MOULD_KINDS):
                continue
            groups = part_options(search.maker, place.part, plate) if place.part else free_options(plate)
            for group in groups:
                options += group
                templates.append(make_candidate(search.maker, place, group).templates)
        while len(search.made) >= KEPT_PLACES:
            search.made.pop(next(iter(search.made)))
        search.made[place] = tuple(options), np.concatenate(templates)
    return search.made[place]


def settle_rivals(search: Search, index: int) -> None:
    """Compare a found source with the parts around it and with a free spot; the best takes its place."""
    found = search.found[index]
    fit = search.fit_without(index)
    plate = replace(found.options[0], package=None, depth="surface", log_prior=0.0)
    near = [p for p in _near(search, found.place) if p.part is None or p.part.ref not in search.refs(but=index)]
    places = [found.place, *near]
    chances = _place_chances(search, places, plate, fit)
    if chances is None:
        return
    best = places[int(np.argmax(chances))]
    rivals = {p.part.ref if p.part else "": float(c) for p, c in zip(places, chances, strict=True)}
    search.found[index] = replace(weigh(search, best, fit), rivals={k: v for k, v in rivals.items() if v > 1e-3})


def _place_chances(search: Search, places: list[Place], plate: Option, fit: LinearFit) -> np.ndarray | None:
    """Return the probability of each place as that of one source, in one plate; None where none is possible."""
    templates, powers, prior, owner = [], [], [], []
    for number, place in enumerate(places):
        groups = part_options(search.maker, place.part, plate, lags=QUICK_LAGS) if place.part else free_options(plate)
        for group in groups:
            made = make_candidate(search.maker, place, group).templates
            b, g = fit.project(made)
            fits = np.isfinite(search.scores(place, b, g))
            templates.append(made)
            powers.append(b / g)
            prior.append(np.where(fits, [o.log_prior for o in group], -np.inf) + search.log_odds(place))
            owner += [number] * len(group)
    log_prior = np.concatenate(prior)
    if not np.isfinite(log_prior).any():
        return None
    each = search.weigh_alike(fit, np.concatenate(templates), np.concatenate(powers), log_prior)
    return np.bincount(owner, each, minlength=len(places))


def _near(search: Search, place: Place) -> list[Place]:
    """Return the parts within reach of a place, and the place itself as a free spot."""
    reach = search.settings.rival_reach_mm + 2 * search.data.blur_mm
    near = []
    for c in search.candidates:
        if c.place.part is place.part:
            continue
        corners = c.place.part.corners_mm()
        low, high = corners.min(axis=0), corners.max(axis=0)
        gap = np.maximum(0, np.maximum(low - (place.x_mm, place.y_mm), (place.x_mm, place.y_mm) - high))
        if np.hypot(*gap) < reach:
            near.append(c.place)
    return near + ([] if place.part is None else [Place(place.x_mm, place.y_mm)])
