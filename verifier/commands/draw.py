"""``strikein draw``: the machines of a model, or a counterexample, as one picture."""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from verifier.commands.options import shared
from verifier.commands.outcome import GOOD
from verifier.commands.selecting import matches
from verifier.commands.streams import BadInput, emit, emit_bytes, read_text, write_file
from verifier.diagnostics import did_you_mean
from verifier.evidence.result import Disagreement, Result

if TYPE_CHECKING:
    from verifier.language.model import Model, Property


@click.command()
@click.argument("model_file", metavar="MODEL", type=click.Path())
@shared("trace", "property", "machine", "spec", "output")
def draw(
    model_file: str, trace_file: str | None, property_ids: tuple[str, ...], machines: tuple[str, ...],
    specs: tuple[str, ...], output: str | None,
) -> int:
    """Draw the machines of MODEL, or with --trace a counterexample as a chart with time running down.

    The failures of a sensor are drawn only when named: --machine SENSOR_failure.
    The trace is replayed before it is drawn. Without -o the picture is written to a file named after the
    model in the current folder, and its name printed.
    """
    from verifier.language.load import built_in_properties, load

    model, properties = load(model_file, specs)
    if trace_file is None:
        if property_ids:
            raise click.UsageError("--property chooses among traces; give --trace FILE too")
        dot, name = machines_dot(model, machines), "machines"
    else:
        if machines:
            raise click.UsageError("--machine is for drawings without --trace")
        entry = one_trace(trace_file, model, property_ids)
        result = replayed(model, (*built_in_properties(model), *properties), entry, trace_file)
        from verifier.views.chart import chart

        dot, name = chart(model, result), result.property.id
    name = re.sub(r"[^\w-]+", "-", name).strip("-")
    write_picture(dot, output, f"{Path(model_file).stem}-{name}.svg")
    return GOOD


def machines_dot(model: Model, names: tuple[str, ...]) -> str:
    from verifier.views.drawing import machines_drawing

    known = [machine.name for machine in model.machines]
    for name in names:
        if name not in known:
            near = did_you_mean(name, known) or f"it has {', '.join(known)}"
            raise BadInput(f"{model.path} has no machine `{name}`; {near}")
    return machines_drawing(model, names)


def one_trace(file: str, model: Model, property_ids: tuple[str, ...]) -> Mapping[str, Any]:
    """The entry of the one property with a trace that is meant; ``trace`` is the trace itself.

    ``file`` is a ``--json`` document, or a ``trace.json`` where an evidence folder has it.

    Raises
    ------
    BadInput
        Neither of them, not of this model, or not exactly one trace is meant.
    """
    from verifier.views.document import DocumentError, read_document

    try:
        digests, entries = evidence_entry(file) or document_entries(read_document(read_text(file)), model)
    except DocumentError as error:
        raise BadInput(f"{file}: {error}") from error
    if model.digest not in digests:
        raise BadInput(
            f"{file} speaks of no model with the digest of {model.path} ({model.digest[:16]}): "
            "the model, its packs or parts have changed since; run `strikein check` again"
        )
    wanted = [one for one in entries
              if not property_ids or any(matches(one["id"], name) for name in property_ids)]
    if len(wanted) == 1:
        return wanted[0]
    names = ", ".join(one["id"] for one in (wanted or entries)) or "none"
    if not wanted:
        raise BadInput(f"{file} has no such trace of {model.path}; with a trace: {names}")
    raise BadInput(f"{file} has several traces of {model.path}; choose by --property: {names}")


Entries = tuple[list[str], list[Mapping[str, Any]]]


def document_entries(document: Mapping[str, Any], model: Model) -> Entries:
    """Digests of the models in a document, and the entries with traces of ``model``."""
    return [one["digest"] for one in document["models"]], [
        entry
        for one in document["models"] if one["digest"] == model.digest
        for entry in one["properties"]
        if entry["trace"] is not None and entry["verdict"] in ("violated", "shown")
    ]


def evidence_entry(file: str) -> Entries | None:
    """The same of a trace in an evidence folder; None if ``file`` is not in one."""
    from verifier.evidence.store import BadEvidence
    from verifier.evidence.store_trace import kept_trace

    try:
        kept = kept_trace(file)
    except BadEvidence as error:
        raise BadInput(str(error)) from error
    return None if kept is None else ([kept["digest"]], [kept])


def replayed(
    model: Model, properties: tuple[Property, ...], entry: Mapping[str, Any], file: str
) -> Result:
    """The entry as a result, after its trace has been replayed on the concrete machine.

    Raises
    ------
    BadInput
        It is no run of the model or does not show what it says: the file was changed.
    """
    from verifier.evidence.judgement import Unjudged
    from verifier.evidence.replay import replay_trace
    from verifier.evidence.trace_json import NotATrace, from_json

    prop = next((one for one in properties if one.id == entry["id"]), None)
    if prop is None:
        raise BadInput(f"{file}: {model.path} is not judged by a property `{entry['id']}` here; give --spec")
    try:
        trace = replay_trace(model, prop, from_json(model, entry["trace"]), entry["budget"])
    except (Disagreement, NotATrace, Unjudged) as error:
        raise BadInput(f"{file}: the trace of {prop.id} is not a run of {model.path}: {error}") from error
    return Result(prop, entry["verdict"], entry["budget"], method=entry["method"], bound=entry["bound"],
                  trace=trace)


def write_picture(dot: str, output: str | None, default_name: str) -> None:
    """Render by the suffix of the file; ``-`` is SVG on standard output."""
    from verifier.views.render import FORMATS, RenderError, render

    target = output or default_name
    picture_format = "svg" if target == "-" else Path(target).suffix[1:].lower()
    if picture_format not in FORMATS:
        raise BadInput(f"{target}: a picture is written as .svg, .png or .dot")
    try:
        picture = render(dot, picture_format)
    except RenderError as error:
        raise BadInput(f"the picture could not be drawn: {error}") from error
    if target == "-":
        emit_bytes(picture)
        return
    write_file(target, picture)
    if output is None:
        emit(target + "\n")
