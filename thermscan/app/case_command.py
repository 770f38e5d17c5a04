"""``thermscan case``: the memory of one job, from intake to export."""

from __future__ import annotations

import json
from dataclasses import fields
from pathlib import Path

import click

from thermscan.app.case_add_command import add_group
from thermscan.app.case_job import add_entry, board_of, check_ref, now, open_view, print_case, recompute, show_moved
from thermscan.model.case_record import DECISIONS, CaseHead, Money
from thermscan.model.errors import InputError
from thermscan.model.result import FAULTS


@click.group(epilog="Example: thermscan case new case-17 --board board.json --device 'fan control' --symptom 'dead'")
def command() -> None:
    """Keep a case: what was measured, tried, ruled out, found and decided about one faulty board, in one folder."""


command.add_command(add_group)


@command.command(
    epilog="Example: thermscan case new case-17 --board board.json --device 'fan control' --symptom 'dead'"
)
@click.argument("folder", type=click.Path())
@click.option("--board", "board_path", type=click.Path(), metavar="FILE", help="Board file, copied into the case.")
@click.option("--device", required=True, metavar="TEXT", help="What it is and how to tell it from others.")
@click.option("--symptom", required=True, metavar="TEXT", help="What is wrong, in the user's words.")
@click.option("--word", metavar="WORD", help="The symptom as a word that can be weighed (see case add symptom --help).")
@click.option("--history", default="", metavar="TEXT", help="When and how it failed, what was done since.")
@click.option("--mains", is_flag=True, help="It has a side at mains or another dangerous voltage.")
@click.option("--lithium", is_flag=True, help="It has a lithium cell.")
def new(
    folder: str,
    *,
    board_path: str | None,
    device: str,
    symptom: str,
    word: str | None,
    history: str,
    mains: bool,
    lithium: bool,
) -> None:
    """Open a case in FOLDER and print the first five minutes, before any power."""
    from thermscan.case.folder import new_case
    from thermscan.case.safety import first_minutes
    from thermscan.case.symptom import symptom_named
    from thermscan.read.board_file import open_board

    board = open_board(board_path) if board_path else None
    if word:
        symptom_named(word)
    head = CaseHead(device, board.name if board else "", now(), mains, lithium)
    content = Path(board_path).read_bytes() if board_path else None
    case = new_case(folder, head, board=content, opened={"device": device, "history": history})
    click.echo(f"Case opened in {folder}")
    add_entry(case, "symptom", {"text": symptom, "word": word or ""})
    click.echo("\nThe first five minutes, before any power:")
    for title, sentences in first_minutes(head, board):
        click.echo(f"\n{title}")
        for sentence in sentences:
            click.echo(f"- {sentence}")


@command.command("rule-out", epilog="Example: thermscan case rule-out case-17 C14 --reason 'lifted, reads 3k4'")
@click.argument("folder", type=click.Path())
@click.argument("ref")
@click.option("--reason", required=True, metavar="TEXT", help="Why it is not at fault.")
def rule_out(folder: str, ref: str, *, reason: str) -> None:
    """Rule out the part REF, with the reason; the sheets show it as your word."""
    from thermscan.case.folder import open_case

    case = open_case(folder)
    check_ref(case, ref)
    add_entry(case, "rule_out", {"ref": ref, "reason": reason})
    show_moved(folder)


def money_options(function: click.decorators.FC) -> click.decorators.FC:
    """Add one option for each number of the decision sheet."""
    helps = {
        "bought_for": "What the board was bought for (spent already).",
        "parts": "Cost of the parts still needed.",
        "hours": "Hours of work still needed.",
        "hour_rate": "What an hour costs.",
        "sale": "Expected sale, or worth to the owner, once repaired.",
        "donor_value": "Worth as a donor of parts.",
        "scrap_value": "Worth as scrap, disposal taken off.",
        "success": "Probability that the repair succeeds, 0 to 1; default: the first suspect's, as the upper end.",
    }
    for field in reversed(fields(Money)):
        if field.name in helps:
            name = "--" + field.name.replace("_", "-")
            function = click.option(name, type=float, metavar="NUMBER", help=helps[field.name])(function)
    return click.option("--currency", default="", metavar="WORD", help="Name of your currency.")(function)


@command.command(epilog="Example: thermscan case conclude case-17 --decision repair --reason 'C14 shorted' --cause C14")
@click.argument("folder", type=click.Path())
@click.option("--decision", required=True, type=click.Choice(DECISIONS), help="What is done with the board.")
@click.option("--reason", required=True, metavar="TEXT", help="Why.")
@click.option("--cause", default="", metavar="REF", help="The part that was at fault, where it was found.")
@click.option("--fault", type=click.Choice(FAULTS), help="What was wrong with it.")
@money_options
def conclude(folder: str, *, decision: str, reason: str, cause: str, fault: str | None, **money: object) -> None:
    """Decide: repair, donor or scrap, with reasons; refused while safety questions are open."""
    from thermscan.case.decision import check_conclusion, money_data, money_of, ways
    from thermscan.case.folder import open_case
    from thermscan.case.state import state_of

    case = open_case(folder)
    if cause:
        check_ref(case, cause)
    numbers = money_of(money)
    state = state_of(case, board_of(case))
    check_conclusion(state)
    data = {"decision": decision, "reason": reason, "cause": cause, "fault": fault or "", "money": money_data(numbers)}
    add_entry(case, "conclusion", data, as_opened=True)
    if any(v is not None for v in (numbers.sale, numbers.donor_value, numbers.scrap_value)):
        for way in ways(state, numbers):
            value = "not known" if way.value is None else f"{way.value:.2f} {numbers.currency}".rstrip()
            click.echo(f"{way.name}: {value} ({way.reckoning})")


@command.command(epilog="Example: thermscan case show case-17 --history")
@click.argument("folder", type=click.Path())
@click.option("--history", "with_history", is_flag=True, help="Also print what moved the suspects, and when.")
@click.option("--recompute", "again", is_flag=True, help="First compare again with everything known so far (a minute).")
@click.option("--json", "as_json", is_flag=True, help="Print where the suspects stand as JSON.")
def show(folder: str, *, with_history: bool, again: bool, as_json: bool) -> None:
    """Print where the case in FOLDER stands."""
    if again:
        recompute(folder)
    view = open_view(folder)
    if as_json:
        from thermscan.case.state import state_document

        click.echo(json.dumps(state_document(view.state), indent=2, ensure_ascii=False))
    else:
        print_case(view, with_history=with_history)


@command.command(epilog="Example: thermscan case export case-17 --out case-17-sheets")
@click.argument("folder", type=click.Path())
@click.option("--out", required=True, type=click.Path(), metavar="DIR", help="Folder for the files, made if missing.")
@click.option("--sheet", "sheets", multiple=True, type=click.Choice(["bench", "customer", "donor"]),
              help="Which sheets; default: all three.")  # fmt: skip
@click.option("--recordings", is_flag=True, help="Also put the recordings into the zip.")
@click.option("--recompute", "again", is_flag=True, help="First compare again with everything known so far (a minute).")
@click.option("--force", is_flag=True, help="Replace sheets and zip of an earlier export in that folder.")
def export(folder: str, *, out: str, sheets: tuple[str, ...], recordings: bool, again: bool, force: bool) -> None:
    """Write the sheets as HTML and PDF, and case.zip with everything and its SHA256SUMS."""
    from thermscan.case.export import SHEETS, ZIP_NAME, case_files, export_names, sheet_files, zip_bytes
    from thermscan.case.folder import open_case
    from thermscan.write.folder import check_output_folder, make_folder, write_whole

    if Path(out).resolve().is_relative_to(open_case(folder).path.resolve()):
        raise InputError("--out", "", "lies inside the case", "name a folder outside of it")
    check_output_folder(out, force=force, names=export_names(sheets or SHEETS), what="an earlier export")
    if again:
        recompute(folder)
    view = open_view(folder)
    files = sheet_files(view, sheets or SHEETS)
    archive = zip_bytes(
        {**case_files(view.case, recordings=recordings), **{f"sheets/{n}": c for n, c in files.items()}}
    )
    target = make_folder(out)
    for name, content in {**files, ZIP_NAME: archive}.items():
        write_whole(target / name, content)
    click.echo(f"Written to {out}: {', '.join([*files, ZIP_NAME])}")
    click.echo("To check the zip: unpack it and run sha256sum -c SHA256SUMS inside")
    for line in view.trouble:
        click.echo(f"warning: {line}", err=True)


@command.command("compare", epilog="Example: thermscan case compare case-17 case-12")
@click.argument("first", type=click.Path())
@click.argument("second", type=click.Path())
def compare_two(first: str, second: str) -> None:
    """Set two cases of the same board type side by side."""
    from thermscan.case.past import compare_cases, table_text

    rows = compare_cases(open_view(first).state, open_view(second).state)
    click.echo(table_text([("", Path(first).name, Path(second).name), *rows]))
