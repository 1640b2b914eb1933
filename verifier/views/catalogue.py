"""What there is to check with: kinds of crossing, spec packs, the terms they need, their properties, parts."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence

from verifier.language.fallible import Fallible
from verifier.language.packs import Pack, PackProperty
from verifier.views.fault_list import parts_documents, parts_lines
from verifier.views.text import paragraph


def catalogue_text(kinds: Mapping[str, str], packs: Sequence[Pack], parts: Sequence[Fallible]) -> str:
    """Everything as plain text, packs and parts in the order given."""
    width = max(len(code) for code in kinds)
    lines = ["Kinds of crossing", ""]
    for code, meaning in kinds.items():
        judged = [pack.name for pack in packs if code in pack.kinds]
        by = f" [{', '.join(judged)}]" if judged else ""
        lines += paragraph(f"{code:<{width}}  {meaning}{by}", "  ", " " * (width + 4))
    for pack in packs:
        lines += ["", *pack_lines(pack)]
    if not packs:
        lines += ["", "No spec packs were found."]
    if parts:
        lines += ["", *parts_lines(parts)]
    return "\n".join(lines) + "\n"


def pack_lines(pack: Pack) -> list[str]:
    """One pack: what it is for, what a model must define, what must hold."""
    lines = [f"Spec pack: {pack.name}  {pack.path}"]
    lines += paragraph(f"for {', '.join(pack.kinds)} in {pack.jurisdiction}. {pack.says}".strip(), "  ")
    lines += ["", "  terms a model must define:"]
    for need in pack.needs:
        each = f", for each {need.group}" if need.group else ""
        lines += paragraph(f"{need.name} ({need.as_}{each}): {need.says}", "    ", "        ")
    lines += ["", "  properties:"]
    for prop in pack.properties:
        lines += property_lines(prop)
    if pack.not_checked:
        lines += ["", "  hazards that no property of this pack looks for:"]
    for one in pack.not_checked:
        at = "" if one.kinds == pack.kinds else f" ({', '.join(one.kinds)})"
        lines += paragraph(f"{one.hazard}{at}: {one.says}", "    ", "        ")
    return lines


def property_lines(prop: PackProperty) -> list[str]:
    each = f", for each {prop.group}" if prop.group else ""
    hazard = f"hazard {prop.hazard}; " if prop.hazard else ""
    return [
        f"    {prop.id}{each}",
        *paragraph(prop.says, "        "),
        *paragraph(", ".join(f"{key}: {text}" for key, text in prop.texts.items()), "        ", "          "),
        *paragraph(f"{hazard}source: {prop.source}", "        ", "          "),
    ]


def catalogue_json(kinds: Mapping[str, str], packs: Sequence[Pack], parts: Sequence[Fallible]) -> str:
    """The same as one JSON document."""
    document = {
        "schema_version": 1,
        "kinds": dict(kinds),
        "packs": [
            {
                "pack": pack.name,
                "path": pack.path,
                "says": pack.says,
                "kinds": list(pack.kinds),
                "jurisdiction": pack.jurisdiction,
                "needs": [
                    {"name": need.name, "as": need.as_, "says": need.says, "for_each": need.group or None}
                    for need in pack.needs
                ],
                "properties": [
                    {
                        "id": prop.id,
                        "says": prop.says,
                        "source": prop.source,
                        "hazard": prop.hazard,
                        "written": dict(prop.texts),
                        "for_each": prop.group or None,
                        "forms": [form.form.value for form in prop.forms],
                        "budget": prop.under.faults,
                        "faults_of": list(prop.under.of),
                    }
                    for prop in pack.properties
                ],
                "not_checked": [
                    {"hazard": one.hazard, "kinds": list(one.kinds), "says": one.says}
                    for one in pack.not_checked
                ],
            }
            for pack in packs
        ],
        "parts": parts_documents(parts),
    }
    return json.dumps(document, indent=2, ensure_ascii=False) + "\n"
