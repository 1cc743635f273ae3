"""`report schema`: which keys the data of a report have, for programs that read them."""

from __future__ import annotations

import click

from trialog.cli.output import STDOUT, output_option, write_text
from trialog.reports.kinds import KINDS, json_text
from trialog.reports.schema import schema_of


@click.command("schema")
@click.argument("kind", type=click.Choice(tuple(KINDS)))
@output_option
def report_schema(*, kind: str, output: str | None) -> None:
    """Write the JSON Schema of a report's data.

    Example: trialog report schema trial -o trial.schema.json
    """
    write_text(output or STDOUT, [json_text(schema_of(KINDS[kind]))])
