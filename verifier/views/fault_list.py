"""What can fail in a model, and in the parts that come with the program: as text and as documents."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from verifier.language.fallible import Fallible, Fault
from verifier.language.model import Model, Window
from verifier.views.amounts import count_text, window_text
from verifier.views.document import SCHEMA_VERSION
from verifier.views.text import paragraph


def fault_list_text(model: Model, faults: Sequence[Fault]) -> str:
    lines = [f"{model.crossing} ({model.kind}, {model.jurisdiction})  {model.path}"]
    lines += paragraph(
        f"{count_text(len(faults), 'fault')} that a budget may spend, by class. A property counts those of the "
        "classes that its `under` names."
    )
    for of in dict.fromkeys(one.of for one in faults):
        lines += ["", of]
        for one in (one for one in faults if one.of == of):
            where = f"{one.place.file}:{one.place.line}"
            lines += paragraph(f"{one.name}: {one.how}{_lasting(one)}  {where}", "  ", "      ")
    return "\n".join(lines) + "\n"


def _lasting(fault: Fault) -> str:
    if fault.of != "sensor":
        return ""
    if fault.lasts is None:
        return ", for good"
    again = f", comes again after {window_text(fault.again.lo, fault.again.hi)}" if fault.again else ""
    return f", for {window_text(fault.lasts.lo, fault.lasts.hi)}{again}"


def fault_list_document(model: Model, faults: Iterable[Fault]) -> dict[str, Any]:
    return {
        "schema_version": SCHEMA_VERSION,
        "model": {"path": model.path, "digest": model.digest, "crossing": model.crossing, "kind": model.kind},
        "faults": [
            {
                "name": one.name, "class": one.of, "how": one.how, "file": one.place.file, "line": one.place.line,
                "for_s": _window(one.lasts), "again_s": _window(one.again),
            }
            for one in faults
        ],
    }


def _window(window: Window | None) -> list[str | None] | None:
    return None if window is None else [str(window.lo), None if window.hi is None else str(window.hi)]


def parts_lines(parts: Iterable[Fallible]) -> list[str]:
    lines = ["Parts that come with strikein, with their faults by class"]
    for part in parts:
        lines += ["", *paragraph(f"{part.file}  {part.says}", "  ", "    ")]
        for name, of, how in part.faults:
            lines += paragraph(f"{name} ({of}): {how}", "      ", "          ")
    return lines


def parts_documents(parts: Iterable[Fallible]) -> list[dict[str, Any]]:
    return [
        {
            "part": part.name, "file": part.file, "says": part.says,
            "faults": [{"name": name, "class": of, "how": how} for name, of, how in part.faults],
        }
        for part in parts
    ]
