"""``strikein list``: what there is to check with."""

from __future__ import annotations

import os

import click

from verifier.commands.options import shared
from verifier.commands.outcome import GOOD
from verifier.commands.streams import emit


@click.command("list")
@shared("spec", "json")
def list_(specs: tuple[str, ...], as_json: bool) -> int:
    """List the kinds of crossing, the spec packs, the terms each needs, its properties, and parts with their faults.

    Packs are those of the folder specs/ here, if there is one, and those that come with strikein; with
    --spec only the packs named, and no parts.
    """
    from verifier.diagnostics import Findings
    from verifier.language.fallible import fallible_parts
    from verifier.language.kinds import KINDS
    from verifier.language.load import own_packs_folder, packs_in
    from verifier.language.packs import read_pack
    from verifier.views import catalogue

    findings = Findings()
    if specs:
        read = [read_pack(path, findings) for path in specs]
        packs = [pack for pack in read if pack is not None]
    else:
        packs = list(packs_in("specs", findings))
        if not (os.path.isdir("specs") and os.path.samefile("specs", own_packs_folder())):
            packs += packs_in(own_packs_folder(), findings)
    findings.raise_if_any()
    write = catalogue.catalogue_json if as_json else catalogue.catalogue_text
    emit(write(KINDS, packs, [] if specs else list(fallible_parts())))
    return GOOD
