"""Results as plain text for a terminal: verdicts in sentences, counterexamples as numbered steps.

The text holds no running times, colours or dates: the same results give the same bytes.
"""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from shlex import quote
from typing import TYPE_CHECKING

from verifier.evidence.result import ModelResult, Result
from verifier.language.model import Model, Role, Transition
from verifier.views.amounts import allowed_text, count_text, seconds_text
from verifier.views.failing import sensor_failures, sound_sensors
from verifier.views.story import Change, Moment, Story, endless_text, machines_that_matter, tell
from verifier.views.truth import conditions, holds

if TYPE_CHECKING:
    from verifier.studies.cause import Cause, SafeRun

CAUTION = (
    "These verdicts hold for the model as written and the assumptions listed, and for nothing else. "
    "They are not a safety case, an approval or a design authority: the infrastructure manager's "
    "standards, local law and competent, where required licensed, people decide."
)

MEANINGS = {
    "proved": "no run of the model breaks it",
    "violated": "the run below breaks it",
    "undecided": "neither a proof nor a counterexample was found: this is not a pass",
    "vacuous": "what it speaks about never happens in this model: this is not a pass",
    "shown": "the run below shows that it can happen",
    "impossible": "no run of the model does this",
}

WIDTH = 100
INDENT = " " * 12


def paragraph(text: str, indent: str = "", hanging: str | None = None) -> list[str]:
    """``text`` wrapped to the page width; ``hanging`` indents every line after the first."""
    return textwrap.wrap(
        text,
        WIDTH,
        initial_indent=indent,
        subsequent_indent=indent if hanging is None else hanging,
        break_long_words=False,
        break_on_hyphens=False,
    )


def model_text(outcome: ModelResult, causes: Mapping[tuple[str, int], Cause] | None = None) -> str:
    """Everything about one model: a head, each property, its counterexample, a summary. ``causes`` tells by id
    and budget of a property what its counterexample hangs on."""
    model = outcome.model
    lines = [f"{model.crossing} ({model.kind}, {model.jurisdiction})  {model.path}"]
    lines += [f"model digest {model.digest}"]
    if packs_of(outcome):
        lines += paragraph("spec packs: " + ", ".join(packs_of(outcome)), hanging="    ")
    shared = shared_assumptions(outcome.results)
    confirmed = shared_confirmation(outcome.results)
    for result in outcome.results:
        lines.append("")
        lines += result_lines(model, result, shared, confirmed)
        if causes and (result.property.id, result.budget) in causes:
            lines += cause_lines(causes[result.property.id, result.budget])
            asked = f"{quote(model.path)} --property {quote(result.property.id)}"
            lines.append(f"{INDENT}see it played: strikein report {asked} -o page.html")
    if confirmed:
        lines += ["", *paragraph(f"Every proof was {confirmed}.")]
    if shared:
        lines += ["", "Every verdict on this model takes for granted:"]
        for assumption in assumed(model, shared):
            lines += paragraph(assumption, "  - ", "    ")
    lines += ["", *paragraph(summary(outcome.results))]
    return "\n".join(lines) + "\n"


def packs_of(outcome: ModelResult) -> tuple[str, ...]:
    """Names of the packs whose properties were judged."""
    named = [result.property.pack for result in outcome.results if result.property.pack]
    return outcome.packs or tuple(dict.fromkeys(named))


def shared_confirmation(results: Sequence[Result]) -> str:
    """How the proofs were confirmed, if there are several and all in the same way; else empty."""
    ways = [confirmation(result) for result in results if result.certificate is not None]
    return ways[0] if len(ways) > 1 and len(set(ways)) == 1 else ""


def confirmation(result: Result) -> str:
    """``confirmed by cvc5 1.4.2; 60 random concrete runs stayed inside it (...)``."""
    parts = []
    if result.certificate is not None:
        parts.append(f"confirmed by {result.certificate.solver}")
    if result.crosscheck is not None:
        check = result.crosscheck
        parts.append(
            f"{count_text(len(check.run_lengths), 'random concrete run')} stayed inside it (seed "
            f"{check.seed}, {check.covered} of {check.live} live transitions taken)"
        )
    return "; ".join(parts)


def shared_assumptions(results: Sequence[Result]) -> tuple[str, ...]:
    """Assumptions that all results have in common, said once instead of with each."""
    if len(results) < 2:
        return ()
    common = set(results[0].assumptions).intersection(*(one.assumptions for one in results[1:]))
    return tuple(text for text in results[0].assumptions if text in common)


def assumed(model: Model, assumptions: Sequence[str]) -> list[str]:
    """Assumptions as sentences; names of the model's faults are gathered into one, its sensors' in another."""
    faults = {one.fault for machine in model.machines for one in machine.transitions if one.fault}
    failing = sensor_failures(model)
    sentences = [text for text in assumptions if text not in faults]
    sensors = [text for text in assumptions if text in failing]
    if sensors:
        sentences.insert(0, sound_sensors(model, sensors))
    names = [text for text in assumptions if text in faults and text not in failing]
    if names:
        word = "this fault does" if len(names) == 1 else "these faults do"
        sentences.insert(0, f"{word} not happen: {', '.join(names)}")
    return sentences


def summary(results: Sequence[Result]) -> str:
    """``12 properties: 11 proved, 1 violated (exit-waits).`` Whatever is no pass is named."""
    counts = []
    for verdict in MEANINGS:
        of_it = [one.property.id for one in results if one.verdict == verdict]
        if of_it:
            names = "" if verdict in ("proved", "shown") else f" ({', '.join(of_it)})"
            counts.append(f"{len(of_it)} {verdict}{names}")
    head = count_text(len(results), "property", "properties")
    return f"{head}: {', '.join(counts)}." if counts else f"{head}."


def result_lines(
    model: Model, result: Result, shared: Sequence[str] = (), confirmed: str = ""
) -> list[str]:
    """The lines on one property; assumptions in ``shared`` and the way it was ``confirmed`` are left out."""
    prop = result.property
    mark = result.verdict if result.verdict in ("proved", "shown") else result.verdict.upper()
    lines = [f"{mark:<11} {prop.id}", *paragraph(prop.says, INDENT), *paragraph(meaning(result), INDENT)]
    hazard = f"hazard {prop.hazard}; " if prop.hazard else ""
    own = tuple(text for text in result.assumptions if text not in shared)
    notes = [
        ("why", result.reason),
        ("try", result.try_next),
        ("how", "" if result.verdict == "undecided" else result.method),
        ("sure", "" if confirmation(result) == confirmed else confirmation(result)),
        ("from", f"{hazard}{prop.source}" if prop.source else ""),
        *(("takes for granted", text) for text in assumed(model, own)),
    ]
    for label, text in notes:
        if text:
            lines += paragraph(f"{label}: {text}", INDENT, INDENT + "  ")
    if result.trace is not None:
        lines += ["", *story_lines(model, result)]
    return lines


def meaning(result: Result) -> str:
    """The verdict as a sentence, with how far it reaches and the faults allowed."""
    said = MEANINGS[result.verdict]
    open_verdict = result.verdict in ("undecided", "vacuous")
    if result.verdict == "violated" and result.trace is None:
        said = "it is broken, and no single run shows that: it is about what never happens"
    bound = "none" if open_verdict and result.bound == "complete" else result.bound
    reach = [bound_text(bound), allowed_text(result.budget, result.property.faults_of)]
    return f"{said} ({'; '.join(part for part in reach if part)})."


def bound_text(bound: str) -> str:
    """The bound for people; the pipeline's ``none`` (nothing was searched to its end) says nothing."""
    return {"complete": "runs of any length", "none": ""}.get(bound, bound)


def story_lines(model: Model, result: Result) -> list[str]:
    """A trace as numbered steps, with the onset and the violating moment marked."""
    assert result.trace is not None, "only a result with a trace has a story"
    story = tell(model, result.trace)
    shown = result.verdict == "shown"
    title = "The run that shows it" if shown else "Counterexample"
    steps = count_text(len(story.moments), "step")
    lasting = seconds_text(story.snapshot(len(story.moments)).time)
    lines = [f"{INDENT}{title}: {steps}, {lasting}; replayed step by step on the concrete machine."]
    lines += paragraph("at the start: " + start_text(model, result), INDENT, INDENT + "  ")
    lines += mark_lines(result, story, 0)
    for moment in story.moments:
        lines += moment_lines(moment)
        lines += mark_lines(result, story, moment.number)
    lines += paragraph(endless_text(story), INDENT)
    if story.why:
        lines += paragraph(f"why: {story.why}", INDENT, INDENT + "  ")
    return lines


def start_text(model: Model, result: Result) -> str:
    """The initial states of the machines that the trace and the property are about."""
    assert result.trace is not None, "only a result with a trace has a start"
    story = tell(model, result.trace)
    names = [machine.name for machine in machines_that_matter(model, result.property, story)]
    if not names:
        return "every machine in its first state"
    return ", ".join(f"{name} is {story.start.locations[name]}" for name in names)


def moment_lines(moment: Moment) -> list[str]:
    """One step: when, who acted and what changed, with the place of each transition."""
    time = seconds_text(moment.time)
    later = f", {seconds_text(moment.step.delay)} later" if moment.step.delay else ""
    head = f"{INDENT}{moment.number:>3}. at {time}{later}: "
    if not moment.changes:
        return [head + "time passes, nothing acts"]
    actor = "the logic acts" if moment.is_settle else "the world acts"
    lines = [head + actor]
    for change in moment.changes:
        place = f"{change.transition.place.file}:{change.transition.place.line}"
        text = f"{INDENT}     {change_text(change)}"
        lines.append(f"{text:<76}  {place}")
        if change.transition.says:
            lines += paragraph(f"({change.transition.says.rstrip('.')})", INDENT + "       ", INDENT + "        ")
    for truth in (True, False):
        names = [name for name, value in moment.turned.items() if value is truth]
        if names:
            label = "now true: " if truth else "now false: "
            lines += paragraph(label + ", ".join(names), INDENT + "       ", INDENT + "         ")
    return lines


def cause_lines(cause: Cause) -> list[str]:
    """The moves without which nothing breaks, and the nearest run that stays safe."""
    needed = [f"step {one.number}, {move_text(one.transition)}" for one in cause.needs if one.is_decisive]
    lines = []
    if needed:
        lines += paragraph(f"hangs on: {'; '.join(needed)}", INDENT, INDENT + "  ")
    if cause.nearest is not None:
        near = cause.nearest
        text = f"nearest run that breaks nothing: parts at step {near.number}, where {parting_text(near)}"
        lines += paragraph(text, INDENT, INDENT + "  ")
    return lines


def parting_text(safe: SafeRun) -> str:
    if safe.missing is not None:
        return f"`{move_text(safe.missing)}` does not happen"
    word = "later" if safe.later > 0 else "sooner"
    return f"the step comes {seconds_text(abs(safe.later))} {word}"


def move_text(transition: Transition) -> str:
    return f"{transition.machine}: {transition.source} -> {transition.target}"


def change_text(change: Change) -> str:
    """``entrance (equipment): raised -> above_45``; a fault is named, a restart said."""
    role = change.machine.role
    who = "observer" if change.machine.is_observer else role.value
    label = change.machine.name if role is Role.CONTROL and who == "control" else (
        f"{change.machine.name} ({who})"
    )
    transition = change.transition
    fault = f", by the fault {transition.fault}" if transition.fault else ""
    if transition.source == transition.target:
        return f"{label}: stays {transition.source}, its time starts again{fault}"
    return f"{label}: {transition.source} -> {transition.target}{fault}"


def mark_lines(result: Result, story: Story, index: int) -> list[str]:
    """The marks that belong after the state with this index."""
    lines = []
    if index == story.onset and story.onset != story.violating:
        lines.append(f"{INDENT}  >>  HERE THE DEMAND BEGINS: {truths_text(result, story, index)}")
    if index == story.violating:
        word = "SHOWN HERE" if result.verdict == "shown" else "VIOLATED HERE"
        lines.append(f"{INDENT}  **  {word}: {truths_text(result, story, index)}")
    return [line for text in lines for line in paragraph(text.strip(), INDENT, INDENT + "      ")]


def truths_text(result: Result, story: Story, index: int) -> str:
    """What the property's own conditions are in one state of the story."""
    locations = story.snapshot(index).locations
    parts = [
        f"`{part.key}: {part.text}` is {'true' if holds(part.guard, locations) else 'false'}"
        for part in conditions(result.property)
    ]
    return ", ".join(parts) if parts else result.property.says


