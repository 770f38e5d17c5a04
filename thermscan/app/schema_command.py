"""``thermscan schema``: what result.json looks like."""

from __future__ import annotations

import click


@click.command(epilog="Example: thermscan schema > result.schema.json")
def command() -> None:
    """Print the JSON Schema of result.json."""
    from thermscan.write.schema import schema_text

    click.echo(schema_text(), nl=False)
