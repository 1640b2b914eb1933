"""The control table: for each control machine and state, where it goes, when, and where that is written.

It is read beside the drawing, and compared with the table an engineer keeps.
"""

from __future__ import annotations

import csv
import io
import json
import re
import textwrap
from collections.abc import Mapping, Set
from dataclasses import dataclass
from fractions import Fraction
from itertools import zip_longest
from typing import Any

from verifier.language.guard import TRUE, Guard, machines_read
from verifier.language.model import Machine, Model, Transition
from verifier.views.amounts import seconds_text
from verifier.views.truth import QUANTIFIER, guard_text, names_of

HEADS = ("machine", "state", "leaves to", "when", "after", "held", "written at")
WIDEST = 60
STATES = re.compile(r"\bis\s+(?:not\s+)?\w+(?:\s*\|\s*\w+)*")
GUARD_WORDS = frozenset("not and or true false".split())

Names = Mapping[Guard, str]
Reads = Mapping[str, Set[str]]


@dataclass(frozen=True)
class Row:
    """One transition; ``target`` is empty for a state that is never left. Times are exact seconds."""

    machine: str
    state: str
    target: str
    when: str
    after_s: Fraction | None
    held_s: Fraction | None
    place: str


def rows(model: Model) -> tuple[Row, ...]:
    """The rows of all control machines, observers left out: they belong to the specification."""
    reads: dict[str, Set[str]] = {machine.name: {machine.name} for machine in model.machines}
    reads |= {name: machines_read(term.guard) for name, term in model.terms.items()}
    reads |= {name: machines_read(sensor.guard) for name, sensor in model.sensors.items()}
    names = names_of(model)
    found = []
    for machine in model.machines:
        if machine.is_control and not machine.is_observer:
            for state in machine.states:
                found += _state_rows(machine, state, reads, names)
    return tuple(found)


def _state_rows(machine: Machine, state: str, reads: Reads, names: Names) -> list[Row]:
    leaving = [one for one in machine.transitions if one.source == state]
    if not leaving:
        where = f"{machine.place.file}:{machine.place.line}"
        return [Row(machine.name, state, "", "never left", None, None, where)]
    return [_row(machine, transition, reads, names) for transition in leaving]


def _row(machine: Machine, transition: Transition, reads: Reads, names: Names) -> Row:
    """The guard is shown as written, or written out where it uses names from inside a part."""
    when = transition.when_text
    if not when or not _names_resolve(when, transition.when, reads):
        when = guard_text(transition.when, names)
    return Row(
        machine.name,
        transition.source,
        transition.target,
        "always" if transition.when == TRUE else when,
        transition.after.lo if transition.after else None,
        transition.held.lo if transition.held else None,
        f"{transition.place.file}:{transition.place.line}",
    )


def _names_resolve(text: str, guard: Guard, reads: Reads) -> bool:
    """Whether the names in ``text`` are the model's own: known, and reading the machines ``guard`` reads.

    Inside a part a name may be a need that happens to be called like something of the model.
    """
    words = set(re.findall(r"[\w.{}]+", QUANTIFIER.sub(" ", STATES.sub(" ", text)))) - GUARD_WORDS
    patterns = [re.compile(re.sub(r"\\\{\w+\\\}", r"\\w+", re.escape(word))) for word in words]
    named = [[name for name in reads if pattern.fullmatch(name)] for pattern in patterns]
    machines = {machine for names in named for name in names for machine in reads[name]}
    return all(named) and machines == machines_read(guard)


def table_text(model: Model) -> str:
    """Aligned columns; a machine's and a state's name stand only in their first row."""
    cells = [list(HEADS)]
    before = ("", "")
    for row in rows(model):
        here = (row.machine, row.state)
        cells.append([
            row.machine if row.machine != before[0] else "",
            row.state if here != before else "",
            row.target or "-",
            row.when,
            "" if row.after_s is None else seconds_text(row.after_s),
            "" if row.held_s is None else seconds_text(row.held_s),
            row.place,
        ])
        before = here
    title = f"Control table of {model.crossing} ({model.kind}, {model.jurisdiction})  {model.path}"
    lines = [title, "", *aligned(cells)]
    named = [(name, term.text, term.place) for name, term in model.terms.items()]
    named += [(name, sensor.text, sensor.place) for name, sensor in model.sensors.items()]
    if named:
        lines += ["", "Terms and sensors named above or by the specification", ""]
        lines += aligned([["name", "stands for", "written at"], *(
            [name, text, f"{place.file}:{place.line}"] for name, text, place in named
        )])
    return "\n".join(lines) + "\n"


def aligned(cells: list[list[str]]) -> list[str]:
    """Rows of text in columns two spaces apart, with a rule under the first row.

    A cell longer than ``WIDEST`` goes on in further lines of its own column; a word is never cut.
    """
    folded = [[textwrap.wrap(cell, WIDEST, break_long_words=False, break_on_hyphens=False) or [""]
               for cell in row] for row in cells]
    widths = [max(len(line) for row in folded for line in row[i]) for i in range(len(cells[0]))]
    lines = []
    for row in folded:
        for parts in zip_longest(*row, fillvalue=""):
            pairs = zip(parts, widths, strict=True)
            lines.append("  ".join(part.ljust(width) for part, width in pairs).rstrip())
        if row is folded[0]:
            lines.append("  ".join("-" * width for width in widths))
    return lines


def table_csv(model: Model) -> str:
    """The rows as CSV (RFC 4180), times in seconds; every row complete."""
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow(["machine", "state", "leaves_to", "when", "after_s", "held_s", "written_at"])
    for row in rows(model):
        writer.writerow([row.machine, row.state, row.target, row.when, _exact(row.after_s) or "",
                         _exact(row.held_s) or "", row.place])
    return out.getvalue()


def table_json(model: Model) -> str:
    """The rows, terms and sensors as one JSON document."""
    document: dict[str, Any] = {
        "schema_version": 1,
        "path": model.path,
        "digest": model.digest,
        "rows": [
            {
                "machine": row.machine,
                "state": row.state,
                "leaves_to": row.target or None,
                "when": row.when,
                "after_s": _exact(row.after_s),
                "held_s": _exact(row.held_s),
                "written_at": row.place,
            }
            for row in rows(model)
        ],
        "terms": {name: term.text for name, term in model.terms.items()},
        "sensors": {name: sensor.text for name, sensor in model.sensors.items()},
    }
    return json.dumps(document, indent=2, ensure_ascii=False) + "\n"


def _exact(seconds: Fraction | None) -> str | None:
    return None if seconds is None else str(seconds)
