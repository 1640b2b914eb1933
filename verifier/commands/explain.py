"""``strikein explain``: what a diagnostic code means, with an input that triggers it."""

from __future__ import annotations

import click

from verifier.commands.outcome import GOOD
from verifier.commands.streams import BadInput, emit
from verifier.diagnostics import code_table, did_you_mean
from verifier.diagnostics import explain as explanation


@click.command()
@click.argument("code")
def explain(code: str) -> int:
    """Explain a diagnostic CODE such as LX214."""
    text = explanation(code)
    if text is None:
        known = code_table()
        near = did_you_mean(code.upper(), known) or f"codes run from {min(known)} to {max(known)}"
        raise BadInput(f"no diagnostic has the code `{code}`; {near}")
    emit(text + "\n")
    return GOOD
