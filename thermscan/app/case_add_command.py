"""``thermscan case add``: one more thing that is known about the board."""

from __future__ import annotations

from pathlib import Path

import click

from thermscan.app.case_job import (
    add_entry,
    change_by,
    check_ref,
    reading_weight,
    recompute,
    recording_data,
    show_moved,
    store_result,
    verification_data,
    warn_of_unknown_nets,
)
from thermscan.app.opening import open_one
from thermscan.app.options import Reading as How
from thermscan.app.options import recording_options
from thermscan.case.folder import keep_file, open_case
from thermscan.case.safety import MAY_BE_HOT
from thermscan.case.symptom import SYMPTOMS, symptom_named
from thermscan.model.case_record import ACTIONS, CHANGES, ROLES
from thermscan.model.caution import RESISTANCE
from thermscan.model.errors import InputError
from thermscan.model.reading import POWER_STATES, QUANTITIES

NEEDS_OFF = ("resistance_to_ground", "diode_drop")
again_option = click.option(
    "--recompute", "again", is_flag=True, help="Then compare again with everything known so far (a minute)."
)
folder_argument = click.argument("folder", type=click.Path())


@click.group("add", epilog="Example: thermscan case add swap case-17 C14 --change none")
def add_group() -> None:
    """Add something to a case; entries are only ever added, and each says what it moved."""


def _done(folder: str, *, again: bool) -> None:
    """Compare again where that was asked for, and say what moved."""
    if again:
        recompute(folder)
    show_moved(folder)


@add_group.command(epilog="Example: thermscan case add recording case-17 faulty.tiff --role faulty")
@folder_argument
@click.argument("path", type=click.Path())
@click.option("--role", required=True, type=click.Choice(ROLES), help="What it shows.")
@click.option("--note", default="", metavar="TEXT")
@recording_options
@again_option
def recording(folder: str, path: str, *, role: str, note: str, how: How, again: bool) -> None:
    """Add a recording; it stays where it is, and its hash is kept."""
    case = open_case(folder)
    add_entry(case, "recording", recording_data(case, path, role, how, note=note))
    _done(folder, again=again)


@add_group.command(epilog="Example: thermscan case add reading case-17 voltage 1.41 --net +3V3 --good-value 3.31")
@folder_argument
@click.argument("quantity", type=click.Choice(QUANTITIES))
@click.argument("value")
@click.option("--net", default="", metavar="NET", help="Net that was measured.")
@click.option("--where", default="", metavar="REF", help="Part at which it was measured.")
@click.option("--unit", default="", metavar="UNIT", help="Unit, where the value does not say it.")
@click.option("--good-value", default="", metavar="VALUE", help="The same reading on a known-good board.")
@click.option("--power", type=click.Choice(POWER_STATES), help="Default: off for resistance and diode drop, else on.")
@click.option("--note", default="", metavar="TEXT")
@again_option
def reading(
    folder: str,
    quantity: str,
    value: str,
    *,
    net: str,
    where: str,
    unit: str,
    good_value: str,
    power: str | None,
    note: str,
    again: bool,
) -> None:
    """Add what the meter showed, as it showed it: 4k7, 0R3, 3.31, OL.

    Before resistance or diode readings: power off, unplugged, battery out, large capacitors discharged and checked.
    """
    from thermscan.case.state import reading_data
    from thermscan.model.reading import Reading
    from thermscan.read.reading_file import BASE_UNIT, DISCHARGE, parse_value

    case = open_case(folder)
    if not net and not where:
        raise InputError(
            "--net", "", "neither a net nor a part is named", "name what was measured with --net or --where"
        )
    power = power or ("off" if quantity in NEEDS_OFF else "on")
    if quantity in NEEDS_OFF and power != "off":
        raise InputError(
            "--power", "", f"a {quantity} with power {power} means nothing and can harm the meter", DISCHARGE
        )
    number = parse_value(value, unit, quantity, path="VALUE")
    good = parse_value(good_value, unit, quantity, path="--good-value") if good_value else None
    row = Reading("", where, net, quantity, number, BASE_UNIT[quantity], good, power, note)
    typed, good_typed = f"{value} {unit}".strip(), f"{good_value} {unit}".strip() if good_value else ""
    data = reading_data(row, typed=typed, good_typed=good_typed)
    add_entry(case, "reading", {**data, "weight": reading_weight(case, row)})
    warn_of_unknown_nets(case, (row,))
    if quantity in NEEDS_OFF:
        click.echo(f"caution: {RESISTANCE.text}")
    _done(folder, again=again)


@add_group.command(epilog="Example: thermscan case add readings case-17 readings.csv")
@folder_argument
@click.argument("path", type=click.Path())
@again_option
def readings(folder: str, path: str, *, again: bool) -> None:
    """Add every reading of a file (readings.csv); none is added where one is refused."""
    from thermscan.case.past import meter
    from thermscan.case.state import reading_data
    from thermscan.read.reading_file import open_readings

    case, rows = open_case(folder), open_readings(path)
    for row in rows:
        good = "" if row.good_value is None else meter(row.good_value, row.unit)
        data = reading_data(row, typed=meter(row.value, row.unit), good_typed=good)
        add_entry(case, "reading", {**data, "weight": reading_weight(open_case(folder), row)})
        show_moved(folder)
    warn_of_unknown_nets(case, rows)
    if again:
        _done(folder, again=True)


@add_group.command(
    epilog="Example: thermscan case add symptom case-17 'does not start' --word dead",
    help="Add a symptom; with a word it moves the suspects. Words: "
    + "; ".join(f"{s.name} ({s.about})" for s in SYMPTOMS) + ".",
)  # fmt: skip
@folder_argument
@click.argument("text")
@click.option("--word", metavar="WORD", help="One of the words above.")
def symptom(folder: str, text: str, *, word: str | None) -> None:
    """Add a symptom."""
    case = open_case(folder)
    if word:
        symptom_named(word)
    add_entry(case, "symptom", {"text": text, "word": word or ""})
    show_moved(folder)


@add_group.command(epilog="Example: thermscan case add finding case-17 'brown spot' --where C14")
@folder_argument
@click.argument("text")
@click.option("--where", default="", metavar="REF", help="Part or place.")
def finding(folder: str, text: str, *, where: str) -> None:
    """Add what was seen, smelt or heard."""
    add_entry(open_case(folder), "finding", {"text": text, "where": where})


@add_group.command(epilog="Example: thermscan case add note case-17 'owner needs it by Friday'")
@folder_argument
@click.argument("text")
def note(folder: str, text: str) -> None:
    """Add a note."""
    add_entry(open_case(folder), "note", {"text": text})


@add_group.command(epilog="Example: thermscan case add swap case-17 C14 --action removed --change none")
@folder_argument
@click.argument("ref")
@click.option("--action", default="swapped", type=click.Choice(ACTIONS), help="What was done.")
@click.option("--change", type=click.Choice(CHANGES),
              help="none: as before; changed: different, still faulty; gone: the fault is gone.")  # fmt: skip
@click.option("--result", type=click.Path(), metavar="DIR",
              help="Instead of --change: what compare --before found on this board.")  # fmt: skip
@click.option("--note", default="", metavar="TEXT")
@again_option
def swap(folder: str, ref: str, *, action: str, change: str | None, result: str | None, note: str, again: bool) -> None:
    """Add a part that was swapped, removed or resoldered, and what changed.

    Let hot parts cool before work. No change lowers the part and its kind; to see whether anything changed, film
    again, use compare --before and name its folder with --result.
    """
    case = open_case(folder)
    check_ref(case, ref)
    if (change is None) == (result is None):
        raise InputError("--change", "", "what changed is not said, or twice", "give --change or --result, not both")
    said = {"ref": ref, "action": action, "note": note}
    if result is not None:
        said |= {"change": change_by(result), "seen_by": "compare --before"}
    add_entry(case, "swap", {"change": change, **said})
    click.echo(f"caution: {MAY_BE_HOT}")
    _done(folder, again=again)


@add_group.command(epilog="Example: thermscan case add picture case-17 corner.jpg --caption 'corner as it came'")
@folder_argument
@click.argument("path", type=click.Path())
@click.option("--caption", required=True, metavar="TEXT", help="What it shows.")
def picture(folder: str, path: str, *, caption: str) -> None:
    """Add a picture with a caption; it is copied into the case."""
    case = open_case(folder)
    try:
        content = Path(path).read_bytes()
    except OSError as error:
        raise InputError(
            path, "", f"cannot be read: {(error.strerror or str(error)).lower()}", "check the path"
        ) from error
    name, digest = keep_file(case, content, Path(path).name, under="pictures")
    add_entry(case, "picture", {"path": name, "sha256": digest, "caption": caption})


@add_group.command(
    epilog="Example: thermscan case add heatmap case-17 faulty.tiff --second 9.5 --caption 'end of the run'"
)
@folder_argument
@click.argument("path", type=click.Path())
@click.option("--caption", required=True, metavar="TEXT", help="What it shows.")
@click.option("--second", type=float, metavar="S", help="Second on the recording's clock; default: the last frame.")
@click.option(
    "--ends", nargs=2, type=float, metavar="LOW HIGH", help="Ends of the colour scale, in the recording's unit."
)
@recording_options
def heatmap(
    folder: str, path: str, *, caption: str, second: float | None, ends: tuple[float, float] | None, how: How
) -> None:
    """Add one frame of a recording as a picture with its own scale, side, second and hash."""
    from thermscan import __version__
    from thermscan.show.heat_picture import HeatFacts, draw_heat

    case = open_case(folder)
    frames = open_one(path, how)
    number = frames.frames - 1
    if second is not None:
        if frames.times_s is None:
            raise InputError("--second", "", "the recording has no times", "give --frame-rate HZ or --times FILE")
        number = int(abs(frames.times_s - second).argmin())
    at = None if frames.times_s is None else float(frames.times_s[number])
    digest = digest_or_own(path, frames.sha256)
    facts = HeatFacts(caption, frames.name, number, at, frames.facts.side, frames.unit, digest, ends, __version__)
    png = draw_heat(frames.store.read(number, number + 1)[0], facts)
    name, kept = keep_file(case, png, f"{frames.name}_{number}.png", under="pictures")
    second_s = None if at is None else round(at, 4)
    data = {"path": name, "sha256": kept, "caption": caption, "side": frames.facts.side, "second_s": second_s}
    add_entry(case, "picture", {**data, "frame": number, "recording_sha256": digest})


def digest_or_own(path: str, own: str) -> str:
    """Return the hash of a recording as the case keeps it; the reader's own for a glob."""
    from thermscan.case.folder import digest_of

    return digest_of(path) if Path(path).exists() else own


@add_group.command(epilog="Example: thermscan case add cost case-17 4.20 'capacitors' --currency EUR")
@folder_argument
@click.argument("amount", type=click.FloatRange(min=0))
@click.argument("what")
@click.option("--currency", default="", metavar="WORD")
def cost(folder: str, amount: float, what: str, *, currency: str) -> None:
    """Add money that was spent."""
    add_entry(open_case(folder), "cost", {"amount": amount, "what": what, "currency": currency})


@add_group.command(epilog="Example: thermscan case add time case-17 0.5 'first look'")
@folder_argument
@click.argument("hours", type=click.FloatRange(min=0, max=1000))
@click.argument("what")
def time(folder: str, hours: float, what: str) -> None:
    """Add hours that were spent."""
    add_entry(open_case(folder), "time", {"hours": hours, "what": what})


@add_group.command(epilog="Example: thermscan case add answer case-17 damage 'looked at both sides: none'")
@folder_argument
@click.argument("question")
@click.argument("text")
def answer(folder: str, question: str, text: str) -> None:
    """Answer the safety question QUESTION (case show lists the open ones)."""
    from thermscan.app.case_job import open_view
    from thermscan.model.errors import check_choice

    view = open_view(folder)
    check_choice(question, [q.name for q in view.state.questions], path="QUESTION", place="")
    if not text.strip():
        raise InputError("TEXT", "", "is empty", "say what was checked, how and by whom")
    add_entry(view.case, "answer", {"question": question, "text": text})


@add_group.command(epilog="Example: thermscan case add comparison case-17 result")
@folder_argument
@click.argument("result", type=click.Path())
@click.option("--with-readings", is_flag=True, help="It was given all readings that the case holds so far.")
def comparison(folder: str, result: str, *, with_readings: bool) -> None:
    """Add the result of a compare that was run by hand."""
    case = open_case(folder)
    store_result(case, Path(result), weighed_to=case.entries[-1].number if with_readings else 0)
    show_moved(folder)


@add_group.command(epilog="Example: thermscan case add verification case-17 verified")
@folder_argument
@click.argument("result", type=click.Path())
def verification(folder: str, result: str) -> None:
    """Add the result of a verify."""
    case = open_case(folder)
    add_entry(case, "verification", verification_data(case, result))


@add_group.command(epilog="Example: thermscan case add past case-17 old-cases")
@folder_argument
@click.argument("past", type=click.Path())
def past(folder: str, past: str) -> None:
    """Let earlier concluded cases of this board type, in the folder PAST, inform the suspects; the sheets say so."""
    from thermscan.case.past import gather_past

    case = open_case(folder)
    found = gather_past(past, case)
    for line in found.left_out:
        click.echo(f"not used: {line}")
    if not found.causes:
        raise InputError(past, "", "no past case of this board type names a cause", "nothing was added")
    add_entry(case, "past", {"causes": found.causes, "cases": [list(pair) for pair in found.cases]})
    show_moved(folder)
