"""``strikein table``: the control table of the logic."""

from __future__ import annotations

import click

from verifier.commands.options import chosen_format, shared
from verifier.commands.outcome import GOOD
from verifier.commands.streams import emit


@click.command()
@click.argument("model_file", metavar="MODEL", type=click.Path())
@shared("spec", "table-format", "json")
def table(model_file: str, specs: tuple[str, ...], output_format: str, as_json: bool) -> int:
    """Print the control table of MODEL: every state of the logic, what it waits for, where it goes.

    Terms and sensors stand below it with their meaning; each row names its line in the file.
    """
    from verifier.language.load import load
    from verifier.views import control_table

    chosen = chosen_format(output_format, as_json)
    model, _properties = load(model_file, specs)
    write = {"text": control_table.table_text, "csv": control_table.table_csv,
             "json": control_table.table_json}[chosen]
    emit(write(model))
    return GOOD
