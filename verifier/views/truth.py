"""Guards for people: their truth in a shown state, their text, and the parts of a property.

Verdicts never come from here. The readings of a model have their own evaluators; this one only fills
in what a picture or a step list says about a state that replay has already confirmed.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

from verifier.language.guard import And, Const, Guard, Is, Not, Or
from verifier.language.model import Form, Model, Property

# A quantifier of a guard as written; what follows is taken for each member of the group.
QUANTIFIER = re.compile(r"\b(?:some|every|another)\s+\w+\s+has\b")

# The keys of a property file that stand for P, Q and R of specs/semantics.md section 7.
KEYS = {
    Form.NEVER: ("never", "", ""),
    Form.ALWAYS: ("always", "", ""),
    Form.WHILE: ("while", "then", ""),
    Form.WITHIN: ("whenever", "then", "unless"),
    Form.KEEPS: ("whenever", "keeps", "unless"),
    Form.ONLY_AFTER: ("only_after", "can", "since"),
    Form.LASTS_AT_LEAST: ("lasts", "", ""),
    Form.LASTS_AT_MOST: ("lasts", "", ""),
    Form.HAS_HELD: ("has_held", "at", ""),
    Form.BETWEEN_AT_LEAST: ("from", "to", "unless"),
    Form.BETWEEN_AT_MOST: ("from", "to", "unless"),
    Form.POSSIBLE: ("possible", "", ""),
    Form.EVENTUALLY: ("whenever", "eventually", "unless"),
}


@dataclass(frozen=True)
class Condition:
    """One guard of a property: ``key`` as in its file (``from`` and ``to`` for ``between``)."""

    key: str
    text: str
    guard: Guard


def holds(guard: Guard, locations: Mapping[str, str]) -> bool:
    """Whether ``guard`` is true when each machine is in its state of ``locations``."""
    match guard:
        case Const(value):
            return value
        case Is(machine, states):
            return locations[machine] in states
        case Not(part):
            return not holds(part, locations)
        case And(parts):
            return all(holds(part, locations) for part in parts)
        case Or(parts):
            return any(holds(part, locations) for part in parts)


def guard_text(guard: Guard, names: Mapping[Guard, str] | None = None) -> str:
    """The guard in the language of ``specs/semantics.md`` section 2, states in alphabetical order.

    Pieces that are guards of ``names`` (as ``names_of`` makes it) are called by their name.
    """
    return _text(guard, names or {})


def _text(guard: Guard, names: Mapping[Guard, str]) -> str:
    if guard in names:
        return names[guard]
    match guard:
        case Const(value):
            return "true" if value else "false"
        case Is(machine, states):
            return f"{machine} is {' | '.join(sorted(states))}"
        case Not(part):
            return f"not {_inner(part, names)}"
        case And() | Or():
            word = " and " if isinstance(guard, And) else " or "
            return word.join(_pieces(guard, names))


def _pieces(guard: And | Or, names: Mapping[Guard, str]) -> list[str]:
    """The parts of a conjunction or disjunction, runs of parts that have a name together under it."""
    runs = [(known.parts, name) for known, name in names.items() if type(known) is type(guard)]
    runs.sort(key=lambda run: -len(run[0]))
    pieces, at = [], 0
    while at < len(guard.parts):
        for parts, name in runs:
            if guard.parts[at : at + len(parts)] == parts:
                pieces.append(name)
                at += len(parts)
                break
        else:
            pieces.append(_inner(guard.parts[at], names))
            at += 1
    return pieces


def _inner(guard: Guard, names: Mapping[Guard, str]) -> str:
    text = _text(guard, names)
    return f"({text})" if isinstance(guard, And | Or) and guard not in names else text


def names_of(model: Model) -> dict[Guard, str]:
    """Sensors and terms by their guard; of several with one guard the first declared."""
    found: dict[Guard, str] = {}
    for name, sensor in model.sensors.items():
        found.setdefault(sensor.guard, name)
    for name, term in model.terms.items():
        found.setdefault(term.guard, name)
    return found


def conditions(prop: Property) -> tuple[Condition, ...]:
    """The guards a property is made of, in the order of its file; () for built-in properties.

    ``unless`` and ``since`` are left out when they are not given.
    """
    if prop.form not in KEYS:
        return ()
    # `between` is a list of two guards in its file, joined by a comma in `texts`; guards hold none.
    first, _, second = prop.texts.get("between", "").partition(", ")
    texts = {"from": first, "to": second, **prop.texts}
    found = []
    for key, guard in zip(KEYS[prop.form], (prop.p, prop.q, prop.r), strict=True):
        absent = key in ("unless", "since") and guard == Const(False)
        if key and not absent:
            found.append(Condition(key, texts.get(key) or guard_text(guard), guard))
    if prop.form is Form.HAS_HELD:
        found.reverse()
    return tuple(found)


def terms_named(model: Model, prop: Property) -> tuple[str, ...]:
    """Terms of the model that the property names or judges through, in the order they are named."""
    words = [word for part in conditions(prop) for word in re.findall(r"[\w.]+", part.text)]
    return tuple(dict.fromkeys(word for word in (*words, *prop.needs) if word in model.terms))
