"""What a report says, in words and tables, before it becomes a page: the same content for HTML and PDF."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from thermscan.model.board import Board
from thermscan.model.flags import FLAGS
from thermscan.model.meaning import MEANINGS
from thermscan.model.quantity import shown, watts_words
from thermscan.model.result import Hotspot, PartReading, RegistrationReport, Result, Suspect
from thermscan.model.timing import reason_words
from thermscan.show.fahrenheit import with_fahrenheit
from thermscan.show.words import (
    UNKNOWN,
    answer,
    basis_words,
    board_words,
    called,
    depth_words,
    excess_label,
    fault_words,
    framed_suspects,
    is_of_surface,
    resampling_words,
    result_cautions,
    say,
    say_excess,
    say_place,
    say_rate,
    say_share,
    side_words,
    state_words,
    warm_up_words,
)

_EXPLAINED = (
    "verdict",
    "no_fault_probability",
    "probability",
    "excess_k",
    "power_w",
    "rise_rate_k_per_s",
    "x_mm",
    "temperature_c",
    "detection_limit_w",
    "pixels",
    "power_on_s",
)

_AS_SEEN = ", as seen"
_PART_NOTE = (
    "Excess and rise are corrected for the surface's emissivity, what it reflects and its size in pixels; as seen: not"
    " corrected."
)
_PLACE_NOTE = (
    "Excess is corrected for the surface's emissivity and what it reflects, not for what blur takes from small parts,"
    " as that of parts and suspects is; as seen: not corrected. Maps and curves show all as seen."
)
_NAMED = 5  # suspects named in the line of probabilities


@dataclass(frozen=True)
class Fact:
    """A label with its value in words."""

    label: str
    value: str


@dataclass(frozen=True)
class Table:
    """A table: name for links, title, column heads, rows of text; ``keys`` names the place that each row lights up."""

    name: str
    title: str
    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    keys: tuple[str, ...] = ()
    note: str = ""


@dataclass(frozen=True)
class Card:
    """One suspect in words; ``key`` names its place on the live map."""

    key: str
    number: int
    name: str
    share: str
    fault: str
    text: str
    facts: tuple[Fact, ...]
    reasons: tuple[str, ...]
    rivals: str
    notes: tuple[str, ...]


@dataclass(frozen=True)
class Content:
    """Everything a report says, answer first."""

    title: str
    verdict: str
    answer: str
    subline: str
    cards: tuple[Card, ...]
    open_cards: int  # of them, shown at once; the others are names behind a fold
    shares: tuple[Fact, ...]
    next_steps: tuple[str, ...]
    cautions: tuple[str, ...]
    warnings: tuple[str, ...]
    facts: tuple[Fact, ...]
    moved_by: tuple[str, ...]
    tables: tuple[Table, ...]
    meanings: tuple[Fact, ...]
    settings: tuple[Fact, ...]
    version: str

    def table(self, name: str) -> Table:
        """Return one table by its name."""
        return next(table for table in self.tables if table.name == name)


def flag_sentences(flags: Sequence[str]) -> tuple[str, ...]:
    """Return the sentence of each flag; an unknown one is shown with spaces."""
    return tuple(FLAGS.get(flag, flag.replace("_", " ")) for flag in flags)


def _card(number: int, suspect: Suspect, result: Result, *, fahrenheit: bool) -> Card:
    """Put one suspect into words."""
    why = result.why | suspect.why
    excess = say(suspect.excess_k, "k", fahrenheit=fahrenheit, why=why.get("excess_k", ""))
    if suspect.excess_k is not None and suspect.excess_at_s is not None:
        excess += f", at {suspect.excess_at_s:.1f} s"
    facts = (
        Fact("place", say_place(suspect, result)),
        Fact("net", suspect.net or "none named"),
        Fact("power over good boards", say(suspect.power_w, "w", why=why.get("power_w", ""))),
        Fact(excess_label(of_surface=is_of_surface(suspect, result)), excess),
        Fact("rise rate", say_rate(suspect.rise_rate, fahrenheit=fahrenheit, why=why.get("rise_rate", ""))),
    )
    others = [item for item in suspect.faults.items() if item[0] != suspect.fault]
    rivals = sorted(others, key=lambda item: (-item[1], item[0]))
    said = ", ".join(f"{fault_words(fault)} {say_share(share)}" for fault, share in rivals)
    return Card(
        key=f"suspect-{number}",
        number=number,
        name=called(suspect, result),
        share=say_share(suspect.probability),
        fault=fault_words(suspect.fault),
        text=suspect.fault_text,
        facts=facts,
        reasons=suspect.reasons,
        rivals=said,
        notes=flag_sentences(suspect.flags),
    )


def _hotspot_table(result: Result, *, fahrenheit: bool) -> Table:
    """Put the numbered places into a table."""
    rows, keys = [], []
    corrected = {spot.rank for spot in result.hotspots if is_of_surface(spot, result)}
    for spot in result.hotspots:
        rows.append(
            (
                str(spot.rank),
                "warmer" if spot.kind == "hot" else "colder",
                ", ".join(spot.parts) or "bare place",
                say_place(spot, result),
                say_excess(spot, result, fahrenheit=fahrenheit)
                + (_AS_SEEN if corrected and spot.rank not in corrected and spot.excess_k is not None else ""),
                say_rate(spot.rise_rate, fahrenheit=fahrenheit),
                _chance(spot),
            )
        )
        keys.append(f"spot-{spot.rank}")
    head = "excess of the surface, blurred" if corrected else excess_label(of_surface=False)
    heads = ("no.", "", "parts, nearest first", "place", head, "rise rate", "chance of a false alarm (q)")
    note = (_PLACE_NOTE if corrected else "") if rows else "No place stands out of noise and spread."
    return Table("hotspots", "Numbered places", heads, tuple(rows), tuple(keys), note)


def _chance(spot: Hotspot) -> str:
    return "under 1e-12" if spot.q_value < 1e-12 else f"{spot.q_value:.1g}"


def _part_order(part: PartReading) -> tuple[int, float, str]:
    """Sort parts that are unlike the good ones first, strongest first."""
    order = {"hot": 0, "cold": 0, "unclear": 1, "unknown": 2, "unreadable": 3, "like_good": 4}
    return order.get(part.state, 1), -abs(part.significance or 0.0), part.ref


def _part_table(result: Result, *, fahrenheit: bool) -> Table:
    """Put the parts into a table, those unlike the good boards first."""
    corrected = {part.ref for part in result.parts if is_of_surface(part, result)}
    rows = tuple(
        (
            part.ref,
            part.kind,
            state_words(part),
            say(part.excess_k, "k", fahrenheit=fahrenheit, why=part.why.get("excess_k", ""))
            + (_AS_SEEN if corrected and part.ref not in corrected and part.excess_k is not None else ""),
            say(part.rise_k, "k", fahrenheit=fahrenheit),
            say(part.temperature_c, "c", fahrenheit=fahrenheit),
            UNKNOWN if part.significance is None else f"{part.significance:.1f}",
            ", ".join(fault_words(flag) for flag in part.flags),
        )
        for part in sorted(result.parts, key=_part_order)
    )
    head = excess_label(of_surface=bool(corrected))
    heads = ("part", "kind", "state", head, "rise", "temperature", "deviations", "notes")
    met = sorted({flag for part in result.parts for flag in part.flags})
    said = "; ".join(
        f"{fault_words(flag)}: {sentence}" for flag, sentence in zip(met, flag_sentences(met), strict=True)
    )
    said = " ".join(text for text in (_PART_NOTE if corrected else "", said) if text)
    note = said if rows else "No parts are known: give a board file with parts."
    return Table("parts", "Parts", heads, rows, note=note)


def _budget_table(result: Result, *, fahrenheit: bool) -> Table:
    """Put the uncertainty budget of one part into a table: the first suspect's, else that of the warmest part."""
    known = {p.ref: p for p in result.parts if p.temperature_budget and p.temperature_c is not None}
    wanted = [s.ref for s in result.suspects if s.ref in known]
    wanted += sorted(known, key=lambda ref: -known[ref].temperature_c.value)  # type: ignore[union-attr]
    if not wanted:
        return Table("budget", "Uncertainty", (), (), note="")
    part = known[wanted[0]]  # type: ignore[index]
    rows = tuple(
        (
            term.name,
            f"{term.value:.4g} {term.unit}".strip(),
            f"{term.standard_uncertainty:.3g} {'K' if term.unit == 'C' else term.unit}".strip(),
            f"{abs(term.contribution_k):.3f} K",
            UNKNOWN if term.difference_k is None else f"{abs(term.difference_k):.3f} K",
            term.source,
        )
        for term in part.temperature_budget
    )
    heads = ("what", "value", "standard uncertainty", "brings into temperature", "brings into excess", "from")
    rows = (*rows, _budget_sum(part))
    note = (
        "One standard deviation each; squares add. What both boards share, like the camera's offset, nearly cancels in "
        "the excess. Every part's budget stands in result.json."
    )
    drawn = part.temperature_drawn_c
    if drawn is not None:
        by = [say(m, "c", fahrenheit=fahrenheit) for m in (part.temperature_c, drawn)]
        note = f"Temperature {by[0]} by propagation, {by[1]} by Monte Carlo. {note}"
    if part.excess_k is not None and part.excess_drawn_k is not None:
        by = [say(m, "k", fahrenheit=fahrenheit) for m in (part.excess_k, part.excess_drawn_k)]
        note = f"Excess of the surface {by[0]} by propagation, {by[1]} by Monte Carlo. {note}"
    return Table("budget", f"Uncertainty of {part.ref}", heads, rows, note=note)


def _budget_sum(part: PartReading) -> tuple[str, ...]:
    """Return the last line of a budget: the root of the sum of squares, one standard deviation."""
    differences = [t.difference_k for t in part.temperature_budget if t.difference_k is not None]
    absolute = math.hypot(*(t.contribution_k for t in part.temperature_budget))
    between = f"{math.hypot(*differences):.3f} K" if differences else UNKNOWN
    return ("together", "", "", f"{absolute:.3f} K", between, "root of the sum of squares")


def _source_table(result: Result) -> Table:
    """Put the heat sources into a table."""
    rows = tuple(
        (
            source.ref or "bare place",
            f"{source.x_mm:.1f}, {source.y_mm:.1f} mm" if result.picture_px is None else UNKNOWN,
            say(source.power_w, "w"),
            say_share(source.needed_probability),
            depth_words(source),
        )
        for source in result.sources
    )
    heads = ("part", "x, y", "power over good boards", "needed", "depth")
    note = "" if rows else "No power could be estimated: " + result.why.get("sources", "see the warnings") + "."
    return Table("sources", "Where heat is made", heads, rows, note=note)


def _placing(report: RegistrationReport) -> tuple[str, ...]:
    """Put the placing of one recording into a row."""
    lost = ", ".join(f"{count} {reason}" for reason, count in report.without_pose.items())
    held = {True: "still", False: "moving", None: UNKNOWN}[report.is_tripod]
    return (
        report.name,
        report.method,
        shown(report.error_px, "px"),
        shown(report.error_mm, "mm") if report.error_mm is None else f"{report.error_mm:.2f} mm",
        shown(report.pixel_mm, "mm") if report.pixel_mm is None else f"{report.pixel_mm:.2f} mm",
        held,
        f"{report.posed} of {report.frames}",
        f"{report.bridged} bridged" + (f", without: {lost}" if lost else ""),
        "yes" if report.trusted else f"no: {report.reason}",
    )


def _quality_tables(result: Result) -> tuple[Table, ...]:
    """Put placing, camera events and inputs into tables."""
    placing = tuple(_placing(report) for report in result.registration)
    events = tuple(
        (
            str(event.get("recording", "")),
            fault_words(str(event.get("kind", ""))),
            "" if event.get("frame") is None else str(event["frame"]),
            "" if event.get("time_s") is None else f"{float(str(event['time_s'])):.2f} s",
            str(event.get("text", "")),
        )
        for event in result.camera_events
    )
    inputs = tuple(
        (item.role, item.path, "" if item.frames is None else f"{item.frames} frames, {item.columns}x{item.rows}",
         item.sha256 or UNKNOWN)
        for item in result.inputs
    )  # fmt: skip
    heads = ("recording", "method", "error", "error", "pixel", "camera", "placed", "other frames", "trusted")
    return (
        Table("registration", "How the board was placed", heads, placing, note=resampling_words(result.resampling)),
        Table("events", "What the camera did", ("recording", "event", "frame", "time", "in words"), events,
              note="" if events else "No camera events were found."),
        Table("inputs", "Inputs", ("role", "file", "size", "SHA-256"), inputs),
    )  # fmt: skip


def _facts(result: Result, *, fahrenheit: bool) -> tuple[Fact, ...]:
    """Put the general facts into words."""
    limit = UNKNOWN if result.detection_limit_w is None else watts_words(result.detection_limit_w)
    facts = [
        Fact("board", board_words(result)),
        Fact("side", side_words(result.side)),
        Fact("compared with", basis_words(result)),
        Fact("power-on", say(result.power_on_s, "s", why=reason_words(result.why.get("power_on_s", "")))),
        Fact("power-off", say(result.power_off_s, "s", why=reason_words(result.why.get("power_off_s", "")))),
        Fact("restarts", UNKNOWN if result.restarts is None else str(result.restarts)),
        Fact("detection limit", result.detection_limit_text or limit),
    ]
    if result.energy is not None:
        facts.append(Fact("energy", result.energy.sentence))
    if result.plate_text is not None:
        facts.append(Fact("watts are from a", result.plate_text))
    facts += [Fact(f"warm-up of {w.ref}", warm_up_words(w, fahrenheit=fahrenheit)) for w in result.warm_ups]
    return tuple(facts)


def _meanings() -> tuple[Fact, ...]:
    """Return what each quantity means and when it is not valid."""
    return tuple(
        Fact(MEANINGS[key].label, f"{MEANINGS[key].about}. Not valid when {MEANINGS[key].not_valid_when}.")
        for key in _EXPLAINED
    )


def report_content(result: Result, board: Board | None = None, *, fahrenheit: bool = False) -> Content:
    """Put a result into words and tables.

    Parameters
    ----------
    result : Result
    board : Board or None
        For the cautions that its rails and names call for.
    fahrenheit : bool
        Show temperatures and differences in Fahrenheit.

    Returns
    -------
    Content
        Plain text throughout; escaping is the page's business.
    """
    cautions = result_cautions(result, board)
    against = f"compared with {basis_words(result)}, {side_words(result.side)}"
    named = framed_suspects(result, most=_NAMED)
    shares = [Fact(called(s, result), say_share(s.probability)) for s in named]
    others = result.suspects[len(named) :]
    further = f"{len(others)} further suspect{'s' if len(others) > 1 else ''}"
    shares += [Fact(further, say_share(sum(s.probability for s in others)))] if others else []
    shares += [Fact("no fault", say_share(result.no_fault_probability))]
    shares += [Fact("another fault", say_share(result.other_probability))]
    content = Content(
        title=board_words(result),
        verdict=result.verdict,
        answer=answer(result),
        subline=against,
        cards=tuple(_card(i, s, result, fahrenheit=fahrenheit) for i, s in enumerate(result.suspects, start=1)),
        open_cards=len(framed_suspects(result)),
        shares=tuple(shares),
        next_steps=result.next_steps,
        cautions=tuple(caution.text for caution in cautions),
        warnings=(*flag_sentences(result.flags), *result.warnings),
        facts=_facts(result, fahrenheit=fahrenheit),
        moved_by=result.moved_by,
        tables=(
            _hotspot_table(result, fahrenheit=fahrenheit),
            _part_table(result, fahrenheit=fahrenheit),
            _source_table(result),
            *(
                (_budget_table(result, fahrenheit=fahrenheit),)
                if any(p.temperature_budget for p in result.parts)
                else ()
            ),
            *_quality_tables(result),
        ),
        meanings=_meanings(),
        settings=tuple(Fact(str(key), str(value)) for key, value in result.settings.items()),
        version=result.version,
    )
    return _in_fahrenheit(content) if fahrenheit else content


def _in_fahrenheit(content: Content) -> Content:
    """Turn what was put into words before the unit was chosen: reasons, warnings, steps; names of files stay."""
    tables = tuple(t if t.name == "inputs" else with_fahrenheit(t, but=("keys",)) for t in content.tables)
    turned = with_fahrenheit(content, but=("title", "key", "tables", "settings", "version"))
    return replace(turned, tables=tables)
