"""A run as sentences that can be read aloud in a review. Times that are no round numbers are rounded and said to
be; the exact ones stand in the time chart."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction

from verifier.evidence.result import Result
from verifier.language.model import Model
from verifier.semantics.run import Run
from verifier.views.amounts import short_seconds_text
from verifier.views.story import Change, Moment, machines_that_matter, moments_of, tell
from verifier.views.truth import terms_named

# Above this a sentence says only what has become true or false of what the property names.
MOST_TURNED = 3


@dataclass(frozen=True)
class Sentence:
    """What happens in step ``number``; ``places`` are the lines of the model that say so."""

    number: int
    text: str
    places: str


def opening(model: Model, result: Result) -> str:
    """How the machines stand that the run is about, before its first step."""
    assert result.trace is not None, "only a result with a run has a start"
    story = tell(model, result.trace)
    found = [
        f"{readable(machine.name)} {_verb(machine.name, 'is', 'are')} {readable(story.start.locations[machine.name])}"
        for machine in machines_that_matter(model, result.property, story)
    ]
    return f"At the start {_joined(found)}." if found else "At the start every machine is in its first state."


def sentences(model: Model, result: Result, run: Run | None = None) -> tuple[Sentence, ...]:
    """One for each step of the run of ``result``, or of ``run`` told as that one is."""
    assert result.trace is not None, "only a result with a run has something to tell"
    named = set(terms_named(model, result.property))
    return tuple(
        Sentence(moment.number, _text(moment, named), _places(moment.changes))
        for moment in moments_of(model, run or result.trace.run)
    )


def readable(name: str) -> str:
    """``train_up`` as ``train up``, ``train_line.driver`` as ``train line driver``."""
    return name.replace("_", " ").replace(".", " ")


def _text(moment: Moment, named: set[str]) -> str:
    when = f"At {short_seconds_text(moment.time)}{_later(moment)}"
    if not moment.changes:
        return f"{when}: nothing moves, but time has passed."
    acts = _joined([_act(change) for change in moment.changes])
    who = "the logic answers at once: " if moment.is_settle else ""
    # A term of a part repeats what its machine does.
    turned = {name: truth for name, truth in moment.turned.items() if "." not in name}
    if len(turned) > MOST_TURNED:
        turned = {name: truth for name, truth in turned.items() if name in named}
    said = [f"“{readable(name)}” is {'now true' if truth else 'no longer true'}" for name, truth in turned.items()]
    return f"{when}: {who}{acts}." + (f" So {_joined(said)}." if said else "")


def _later(moment: Moment) -> str:
    delay = moment.step.delay
    return f", {short_seconds_text(delay)} later" if Fraction(0) < delay < moment.time else ""


def _act(change: Change) -> str:
    t, machine = change.transition, change.machine.name
    fault = f", a fault: {readable(t.fault)}" if t.fault else ""
    fault += f" ({t.says.rstrip('.')})" if t.says else ""
    if t.source == t.target:
        stays = _verb(machine, "stays", "stay")
        return f"{readable(machine)} {stays} {readable(t.source)} and the time of that begins anew{fault}"
    goes = _verb(machine, "goes", "go")
    return f"{readable(machine)} {goes} from {readable(t.source)} to {readable(t.target)}{fault}"


def _verb(machine: str, one: str, many: str) -> str:
    """``many`` where a word of the name is a plural, as in ``road_lights`` or ``lamps_left``."""
    words = readable(machine).split()
    return many if any(word.endswith("s") and not word.endswith("ss") for word in words) else one


def _joined(parts: list[str]) -> str:
    return parts[0] if len(parts) == 1 else f"{', '.join(parts[:-1])} and {parts[-1]}"


def _places(changes: Iterable[Change]) -> str:
    found = dict.fromkeys(f"{c.transition.place.file}:{c.transition.place.line}" for c in changes)
    return ", ".join(found)
