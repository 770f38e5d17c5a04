"""The ``thermscan`` command: a table of commands, each loaded when it is asked for."""

from __future__ import annotations

import importlib
import sys

import click

from thermscan import __version__
from thermscan.model.errors import InputError

# command -> (module that defines a click command called ``command``, one line for the list)
COMMANDS: dict[str, tuple[str, str]] = {
    "demo": ("thermscan.app.demo_command", "Run the main job on the recordings that come with thermscan."),
    "compare": ("thermscan.app.compare_command", "Find what is at fault on a board, best against known-good ones."),
    "look": ("thermscan.app.look_command", "Say what is in a recording and whether it can be used."),
    "baseline": ("thermscan.app.baseline_command", "Combine known-good recordings into one file."),
    "foresee": (
        "thermscan.app.foresee_command",
        "Before filming: how small a source shows up, after how many seconds.",
    ),
    "board": ("thermscan.app.board_command", "Make and draw board files."),
    "verify": ("thermscan.app.verify_command", "After a repair: is the fault gone, did anything else change."),
    "case": ("thermscan.app.case_command", "Keep a case: from intake over measurements and swaps to the sheets."),
    "calibrate": ("thermscan.app.calibrate_command", "Measure a camera or a surface and write its profile."),
    "schema": ("thermscan.app.schema_command", "Print the JSON Schema of result.json."),
}


class CommandTable(click.Group):
    """A group whose commands are imported only when used, so that help is quick."""

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002 - click's signature
        """Return the names in the order of the table."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:  # noqa: ARG002
        """Import and return one command."""
        if cmd_name not in COMMANDS:
            return None
        return importlib.import_module(COMMANDS[cmd_name][0]).command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:  # noqa: ARG002
        """List the commands from the table, without importing them."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, about) for name, (_, about) in COMMANDS.items()])

    def main(self, *args: object, standalone_mode: bool = True, **kwargs: object) -> object:  # type: ignore[override]
        """Run a command; bad input, in a file or on the command line, becomes one line and exit code 2."""
        if not standalone_mode:
            return super().main(*args, standalone_mode=False, **kwargs)  # type: ignore[call-overload]
        try:
            code = super().main(*args, standalone_mode=False, **kwargs)  # type: ignore[call-overload]
        except InputError as error:
            click.echo(f"thermscan: {error}", err=True)
            sys.exit(2)
        except click.exceptions.NoArgsIsHelpError as error:  # asked for nothing: its help is the answer
            error.show()
            sys.exit(2)
        except click.UsageError as error:
            click.echo(f"thermscan: {usage_line(error)}", err=True)
            sys.exit(2)
        except click.ClickException as error:
            error.show()
            sys.exit(error.exit_code)
        except click.Abort:
            click.echo("thermscan: stopped", err=True)
            sys.exit(1)
        sys.exit(code if isinstance(code, int) else 0)


def usage_line(error: click.UsageError) -> str:
    """Say in one line what is wrong with a command line, and where its help is."""
    asked = "thermscan" if error.ctx is None else error.ctx.command_path
    said = " ".join(error.format_message().split()).rstrip(".")
    return f"{said[:1].lower()}{said[1:]}; see {asked} --help"


@click.command(
    "thermscan",
    cls=CommandTable,
    context_settings={"help_option_names": ["-h", "--help"]},
    epilog="Example: thermscan demo --out demo-result",
)
@click.version_option(__version__, package_name="thermscan", prog_name="thermscan")
def command() -> None:
    """Find the faulty part of a powered electronics board from thermal recordings, and say how sure that is."""
