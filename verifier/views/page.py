"""The reviewer's page: one HTML file that needs no network, made from the results that `check` makes.

Whatever comes from a model is text: the template escapes it, and the player sets it as text, never as markup.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from fractions import Fraction
from importlib import resources
from pathlib import Path
from typing import Any

from verifier.evidence.result import ModelResult, Result
from verifier.language.hazards import hazards
from verifier.language.load import own_packs_folder
from verifier.language.model import Model
from verifier.studies.cause import Cause, SafeRun
from verifier.views.amounts import allowed_text, count_text, seconds_text, short_seconds_text
from verifier.views.control_table import HEADS, rows
from verifier.views.document import Refused, library_versions, tool_version
from verifier.views.drawing import machines_drawing
from verifier.views.fault_tree import fault_tree
from verifier.views.lanes import Lane, machine_lanes, truth_lanes
from verifier.views.plan import keeps_left, plan_of, way_word
from verifier.views.render import render
from verifier.views.spoken import opening, readable, sentences
from verifier.views.story import endless_text, tell
from verifier.views.text import CAUTION, assumed, bound_text, confirmation, move_text, packs_of, parting_text
from verifier.views.truth import guard_text, names_of

VERDICTS = ("proved", "shown", "violated", "impossible", "undecided", "vacuous")
# A sign beside the word, so that neither colour nor reading is the only way to tell.
MARKS = {"proved": "✓", "shown": "✓", "violated": "✗", "impossible": "✗", "undecided": "?", "vacuous": "?"}
ATTENTION = ("violated", "impossible", "undecided", "vacuous")
LONG = 30
LANES_ACROSS = 10

@dataclass(frozen=True)
class FaultSets:
    """The smallest sets of at most ``order`` faults; ``classes`` names all faults of the model,
    ``found`` are those of `verifier.studies.faults`."""

    order: int
    classes: Mapping[str, str]
    found: Sequence[Any]


@dataclass(frozen=True)
class Aside:
    """What the page says beside the results, all by path of the model.

    ``causes`` and ``evidence`` are by id and budget of the property too, ``not_looked_for`` by hazard, with the reason.
    """

    causes: Mapping[tuple[str, str, int], Cause] = field(default_factory=dict)
    evidence: Mapping[tuple[str, str, int], str] = field(default_factory=dict)
    folders: Mapping[str, Path] = field(default_factory=dict)
    not_looked_for: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    sets: Mapping[str, FaultSets] = field(default_factory=dict)
    not_modelled: Mapping[str, str] = field(default_factory=dict)


def report_page(outcomes: Sequence[ModelResult], refused: Sequence[Refused], aside: Aside) -> str:
    """The whole page."""
    import jinja2
    from markupsafe import Markup

    def page_file(name: str) -> str:
        return resources.files("verifier.views").joinpath("page_files", name).read_text("utf-8")

    environment = jinja2.Environment(autoescape=True, trim_blocks=True, lstrip_blocks=True)
    template = environment.from_string(page_file("report.html.j2"))
    models = [_model(number, one, aside) for number, one in enumerate(outcomes, start=1)]
    return template.render(
        models=models, refused=refused, caution=CAUTION, verdicts=VERDICTS, tool=tool_version(),
        libraries=library_versions(), style=Markup(page_file("style.css")), script=Markup(page_file("player.js")),
    )


def _model(number: int, outcome: ModelResult, aside: Aside) -> dict[str, Any]:
    model = outcome.model
    ordered = sorted((*outcome.results, *outcome.foundations), key=lambda one: one.verdict not in ATTENTION)
    properties = [
        _property(f"m{number}-p{i}", model, result, aside.causes.get((model.path, result.property.id, result.budget)),
                  aside.evidence.get((model.path, result.property.id, result.budget)))
        for i, result in enumerate(ordered, start=1)
    ]
    known = _hazards(model, properties, aside.not_looked_for.get(model.path, {}))
    assumptions = sorted({name for result in outcome.results for name in result.assumptions})
    grounds = sorted({(result.budget, result.property.faults_of) for result in outcome.results})
    return {
        "anchor": f"m{number}",
        "crossing": model.crossing, "kind": model.kind, "jurisdiction": model.jurisdiction, "says": model.says,
        "path": model.path, "file": Path(model.path).name, "digest": model.digest, "packs": packs_of(outcome),
        "budgets": "; ".join(allowed_text(*ground) for ground in grounds),
        "assumptions": "; ".join(assumed(model, assumptions)),
        "counts": {v: sum(p["verdict"] == v for p in properties) for v in VERDICTS},
        "properties": properties,
        "attention": [p for p in properties if p["verdict"] in ATTENTION],
        "evidence": str(aside.folders.get(model.path, "")),
        "hazards": known,
        "not_looked_for": ", ".join(one["id"] for one in known if not one["properties"]),
        "not_modelled": aside.not_modelled.get(model.path, ""),
        "faults": _faults(model, aside.sets.get(model.path)),
        "drawing": _drawn(machines_drawing(model)),
        "table_heads": HEADS,
        "table": [
            (row.machine, row.state, row.target or "never left", row.when, _time(row.after_s), _time(row.held_s),
             row.place)
            for row in rows(model)
        ],
        "names": _names(model),
    }


def _time(seconds: Fraction | None) -> str:
    return "" if seconds is None else seconds_text(seconds)


def _property(
    anchor: str, model: Model, result: Result, cause: Cause | None, evidence: str | None
) -> dict[str, Any]:
    prop = result.property
    return {
        "anchor": anchor, "id": prop.id, "says": prop.says, "hazard": prop.hazard, "source": prop.source,
        "texts": list(prop.texts.items()), "verdict": result.verdict, "mark": MARKS[result.verdict],
        "method": result.method, "reason": result.reason, "try_next": result.try_next,
        "bound": bound_text(result.bound), "budget": allowed_text(result.budget, prop.faults_of),
        "bears": allowed_text(result.budget, prop.faults_of) if result.budget else "",
        "sure": confirmation(result), "evidence": evidence, "evidence_name": Path(evidence or "").name,
        "trace": None if result.trace is None else _trace(model, result),
        "cause": None if cause is None else _cause(model, result, cause),
    }


def _trace(model: Model, result: Result) -> dict[str, Any]:
    from markupsafe import Markup

    assert result.trace is not None
    story = tell(model, result.trace)
    last = len(story.moments)
    mark = "shown here" if result.verdict == "shown" else "violated here"
    spoken = sentences(model, result)
    start = opening(model, result)
    lanes = (*machine_lanes(model, result.property, story), *truth_lanes(model, result, story))
    times = [seconds_text(story.snapshot(i).time) for i in range(last + 1)]
    moved = {change.machine.name for moment in story.moments for change in moment.changes}
    quiet = {machine.name for machine in model.machines if machine.sensor} - moved
    data = {
        "plan": [asdict(piece) for piece in plan_of(model) if piece.name not in quiet],
        "keeps_left": keeps_left(model), "way": way_word(model),
        "states": [dict(story.snapshot(i).locations) for i in range(last + 1)],
        "times": [short_seconds_text(story.snapshot(i).time) for i in range(last + 1)],
        "sentences": [start, *(one.text for one in spoken)],
        "violating": story.violating,
        "mark": mark.upper(),
    }
    why = "; ".join(text for text in (story.why, endless_text(story)) if text)
    return {
        "title": f"The run, step by step: {count_text(last, 'step')}, {times[-1]}",
        "last": last, "is_long": last > LONG, "start": start, "why": why.rstrip("."),
        "sentences": [
            {"text": one.text, "places": one.places, "mark": mark if one.number == story.violating else ""}
            for one in spoken
        ],
        "charts": _charts(lanes, times, story.violating),
        "data": Markup(embedded(data)),
    }


def _charts(lanes: Sequence[Lane], times: Sequence[str], violating: int) -> list[dict[str, Any]]:
    """The lanes as tables no wider than a sheet of paper."""
    parts = [lanes[i : i + LANES_ACROSS] for i in range(0, len(lanes), LANES_ACROSS)]
    return [
        {
            "which": "" if len(parts) == 1 else f", part {number} of {len(parts)}",
            "lanes": part,
            "rows": [
                {
                    "time": time if i == 0 or time != times[i - 1] else "",
                    "mark": i == violating,
                    "cells": [
                        {"text": lane.values[i], "begins": lane.begins[i],
                         "tint": lane.tint if lane.values[i] != lane.values[0] and not lane.is_truth else ""}
                        for lane in part
                    ],
                }
                for i, time in enumerate(times)
            ],
        }
        for number, part in enumerate(parts, start=1)
    ]


def embedded(data: Any) -> str:
    """JSON that can stand in a script element: nothing in it ends the element or begins a comment."""
    text = json.dumps(data, ensure_ascii=True)
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")


def _cause(model: Model, result: Result, cause: Cause) -> dict[str, Any]:
    names = names_of(model)
    return {
        "needs": [
            {"number": one.number, "then": one.then, "what": move_text(one.transition), "onward": one.onward}
            for one in cause.needs
        ],
        "timings": [
            {"number": one.number, "delay": seconds_text(one.delay), "sooner": one.sooner, "later": one.later}
            for one in cause.timings
        ],
        "guards": [
            {"what": move_text(t), "when": t.when_text or guard_text(t.when, names),
             "place": f"{t.place.file}:{t.place.line}"}
            for t in cause.guards
        ],
        "nearest": None if cause.nearest is None else _nearest(model, result, cause.nearest),
    }


def _nearest(model: Model, result: Result, safe: SafeRun) -> dict[str, Any]:
    told = sentences(model, result, safe.run)
    goes_on = [one.text for one in told if one.number >= safe.number]
    return {"number": safe.number, "change": parting_text(safe), "goes_on": goes_on}


def _hazards(
    model: Model, properties: Sequence[Mapping[str, Any]], not_checked: Mapping[str, str]
) -> list[dict[str, Any]]:
    found = []
    for row in hazards(own_packs_folder() / "hazards.csv"):
        if model.kind in row.kinds:
            looking = [p for p in properties if row.id in str(p["hazard"]).replace(",", " ").split()]
            found.append({"id": row.id, "says": row.says, "source": f"{row.source} ({row.how})",
                          "properties": looking, "reason": not_checked.get(row.id, "")})
    return found


def _faults(model: Model, sets: FaultSets | None) -> dict[str, Any] | None:
    if sets is None:
        return None
    broken = [one for one in sets.found if not one.holds]
    return {
        "asked": len(sets.found),
        "order_text": f"at most {count_text(sets.order, 'fault')}",
        "all": ", ".join(readable(name) for name in sets.classes),
        "rows": [
            {"id": one.property.id, "sets": "; ".join(_set_text(each.faults) for each in one.sets),
             "undecided": "; ".join(_set_text(each.faults) for each in one.undecided)}
            for one in broken
        ],
        "withstanding": ", ".join(one.property.id for one in sets.found if one.holds and not one.untested),
        "untested": ", ".join(one.property.id for one in sets.found if one.holds and one.untested),
        "tree": _drawn(fault_tree(model, sets.classes, sets.found)) if broken else None,
    }


def _set_text(faults: Sequence[str]) -> str:
    return " and ".join(readable(name) for name in faults) or "no fault at all"


def _drawn(dot: str) -> Any:
    """Drawn by Graphviz, which escapes the words of the model itself."""
    from markupsafe import Markup

    svg = render(dot, "svg").decode("utf-8")
    return Markup(svg[svg.index("<svg") :])


def _names(model: Model) -> list[tuple[str, str, str]]:
    found = [(name, "parameter", f"{p.text} = {p.value}" if p.text != p.value else p.value)
             for name, p in model.parameters.items()]
    found += [(name, "term", term.text + (f" ({term.says})" if term.says else ""))
              for name, term in model.terms.items()]
    found += [(name, "sensor", sensor.text) for name, sensor in model.sensors.items()]
    return found
