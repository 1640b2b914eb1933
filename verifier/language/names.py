"""What the names in guards and quantities mean, and guards written out.

A name is looked up in the scope of the file in which it stands: the model, one use of a part, or a
spec pack. Guards come out with all terms, sensors, needs and group quantifiers replaced by what
they stand for (``specs/semantics.md`` 1.4 and section 2).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from verifier.diagnostics import Findings, Place, did_you_mean
from verifier.language.grammar import (
    Both,
    Compare,
    Either,
    GuardText,
    Name,
    Opposite,
    Over,
    Truth,
    Word,
    parse_guard,
)
from verifier.language.guard import FALSE, TRUE, And, Const, Guard, Is, Not, Or
from verifier.language.model import Role
from verifier.language.shape import fill, placeholders
from verifier.language.tree import Scalar

LARGEST_GUARD = 20_000
DEEPEST_GUARD = 100


@dataclass(frozen=True, eq=False)
class Closure:
    """Text, the scope in which its names mean something, and the members put for groups."""

    scalar: Scalar
    scope: "Scope"
    members: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, eq=False)
class MachineName:
    """A machine as guards see it; ``name`` is its name in the whole model."""

    name: str
    role: Role | None
    states: tuple[str, ...]
    place: Place


@dataclass(frozen=True, eq=False)
class Definition:
    """A guard with a name: ``kind`` is "term", "sensor" or "need"."""

    kind: str
    name: str
    closure: Closure
    place: Place
    says: str = ""


@dataclass(frozen=True, eq=False)
class Amount:
    """A quantity with a name: ``kind`` is "parameter" or "need", ``type`` "any", "time", "window"."""

    kind: str
    name: str
    closure: Closure
    place: Place
    type: str = "any"


@dataclass(frozen=True, eq=False)
class Broken:
    """A name whose definition has an error that has been reported."""

    place: Place


Thing = MachineName | Definition | Broken


class Scope:
    """The names that one file may use, in one of its uses. ``title`` is for messages."""

    def __init__(self, title: str, groups: Mapping[str, tuple[str, ...]], is_pack: bool = False):
        self.title = title
        self.groups = groups
        self.is_pack = is_pack
        self.names: dict[str, Thing] = {}
        self.amounts: dict[str, Amount | Broken] = {}

    def look_up(self, name: str) -> Thing | None:
        """What ``name`` means here; something broken when it belongs to a part that is broken."""
        known = self.names.get(name)
        whole = name
        while known is None and "." in whole:
            whole = whole.rpartition(".")[0]
            outer = self.names.get(whole)
            known = outer if isinstance(outer, Broken) else None
        return known

    def declare(self, key: Scalar, name: str, thing: Thing, findings: Findings) -> bool:
        """Give ``name`` a meaning; False after an LX205 when it has one already."""
        known = self.names.get(name)
        if known is None:
            self.names[name] = thing
            return True
        findings.add(
            "LX205",
            key.spot,
            f"the name `{name}` is taken",
            sees=[(known.place, f"`{name}` is declared here")],
        )
        return False


Use = tuple[Scalar, Word]


@dataclass(frozen=True, eq=False)
class Meaning:
    """A guard written out.

    ``direct`` holds, for each machine named other than through a sensor, the names by which it was
    reached, the outermost first. ``size`` and ``depth`` count the nodes of the guard.
    """

    guard: Guard
    direct: Mapping[str, tuple[Use, ...]] = field(default_factory=dict)
    reads_sensor: bool = False
    size: int = 1
    depth: int = 1


_BROKEN = Meaning(FALSE)


class _TooLarge(Exception):
    pass


class Meanings:
    """Writes guards out, each definition once."""

    def __init__(self, findings: Findings):
        self._findings = findings
        self._parsed: dict[Scalar, GuardText | None] = {}
        self._known: dict[Definition, Meaning] = {}
        self._chain: list[Definition] = []
        self._unknown: set[tuple[Scope, str]] = set()
        self._depth = 0
        self._level = 0

    def of(self, closure: Closure) -> Meaning:
        """The guard ``closure`` stands for; ``false`` after a diagnostic."""
        text = self.parsed(closure.scalar)
        if text is None:
            return _BROKEN
        depth = self._depth
        self._level += 1
        try:
            return self._build(text, closure)
        except _TooLarge:
            if self._level > 1:
                raise
            self._findings.add(
                "LX219",
                closure.scalar.spot,
                "this guard is too large or too deep when written out",
                mark=f"more than {LARGEST_GUARD} comparisons or {DEEPEST_GUARD} levels",
            )
            return _BROKEN
        finally:
            self._depth = depth
            self._level -= 1

    def of_definition(self, definition: Definition) -> Meaning:
        """The guard a term, sensor or need stands for; a circle is reported once (LX209)."""
        if definition in self._known:
            return self._known[definition]
        if definition in self._chain:
            self._report_circle(self._chain[self._chain.index(definition) :])
            return _BROKEN
        self._chain.append(definition)
        try:
            meaning = self.of(definition.closure)
        except _TooLarge:
            self._known[definition] = _BROKEN
            raise
        finally:
            self._chain.pop()
        return self._known.setdefault(definition, meaning)

    def parsed(self, scalar: Scalar) -> GuardText | None:
        """The parsed text of a guard, parsed once however often its part is used."""
        if scalar not in self._parsed:
            self._parsed[scalar] = parse_guard(scalar, self._findings)
        return self._parsed[scalar]

    def _report_circle(self, circle: list[Definition]) -> None:
        names = " -> ".join(f"`{d.name}`" for d in [*circle, circle[0]])
        first = min(circle, key=lambda d: d.place)
        self._findings.add(
            "LX209",
            first.closure.scalar.spot,
            f"`{first.name}` is defined by itself: {names}",
            sees=[(d.place, f"`{d.name}` is declared here") for d in circle if d is not first],
        )
        # Everything in the circle counts as reported.
        for definition in circle:
            self._known[definition] = _BROKEN

    def _build(self, text: GuardText, closure: Closure) -> Meaning:
        self._depth += 1
        if self._depth > DEEPEST_GUARD:
            raise _TooLarge
        match text:
            case Truth(value):
                built = Meaning(TRUE if value else FALSE)
            case Name():
                built = self._named(text, closure)
            case Compare():
                built = self._compared(text, closure)
            case Opposite(part):
                built = negation(self._build(part, closure))
            case Both(parts):
                built = conjunction([self._build(part, closure) for part in parts])
            case Either(parts):
                built = disjunction([self._build(part, closure) for part in parts])
            case Over():
                built = self._over(text, closure)
        if built.size > LARGEST_GUARD or built.depth > DEEPEST_GUARD:
            raise _TooLarge
        self._depth -= 1
        return built

    def _named(self, text: Name, closure: Closure) -> Meaning:
        thing = self._look_up(text.word, closure)
        if isinstance(thing, MachineName):
            self._add(
                "LX207",
                closure,
                text.word,
                f"`{thing.name}` is a machine, not a condition",
                mark=f"`{text.word.text} is STATE` is due",
                sees=[(thing.place, f"its states: {', '.join(thing.states)}")],
            )
            return _BROKEN
        if not isinstance(thing, Definition):
            return _BROKEN
        inner = self.of_definition(thing)
        if thing.kind == "sensor":
            return replace(inner, direct={}, reads_sensor=True)
        use = (closure.scalar, text.word)
        return replace(inner, direct={name: (use, *uses) for name, uses in inner.direct.items()})

    def _compared(self, text: Compare, closure: Closure) -> Meaning:
        thing = self._look_up(text.word, closure)
        if isinstance(thing, Definition):
            self._add(
                "LX208",
                closure,
                text.word,
                f"`{text.word.text}` is a {thing.kind}, so it has no states",
                sees=[(thing.place, f"`{thing.name}` is declared here")],
                try_next="the name alone, without `is`",
            )
            return _BROKEN
        if not isinstance(thing, MachineName):
            return _BROKEN
        states = [self._state(word, thing, closure) for word in text.states]
        known = frozenset(state for state in states if state)
        meaning = Meaning(Is(thing.name, known), {thing.name: ((closure.scalar, text.word),)})
        return negation(meaning) if text.negated else meaning

    def _state(self, word: Word, machine: MachineName, closure: Closure) -> str | None:
        state = self._filled(word, closure)
        if state is None or state in machine.states:
            return state
        self._add(
            "LX202",
            closure,
            word,
            f"machine `{machine.name}` has no state `{state}`",
            mark=did_you_mean(state, machine.states),
            sees=[(machine.place, f"its states: {', '.join(machine.states)}")],
        )
        return None

    def _over(self, text: Over, closure: Closure) -> Meaning:
        group = text.group.text
        members = closure.scope.groups.get(group)
        if members is None:
            hint = did_you_mean(group, closure.scope.groups)
            self._add("LX211", closure, text.group, f"there is no group `{group}`", mark=hint)
            return _BROKEN
        if text.kind == "another":
            own = closure.members.get(group)
            if own is None:
                self._add(
                    "LX213",
                    closure,
                    Word(text.kind, text.at),
                    f"`another {group}` stands where no {group} is at hand",
                    try_next=f"`some {group}`, or `for each: {group}` around it",
                )
                return _BROKEN
            members = tuple(member for member in members if member != own)
        parts = []
        for member in members:
            inner = Closure(closure.scalar, closure.scope, {**closure.members, group: member})
            parts.append(self._build(text.part, inner))
            if sum(part.size for part in parts) > LARGEST_GUARD:
                raise _TooLarge
        return conjunction(parts) if text.kind == "every" else disjunction(parts)

    def _look_up(self, word: Word, closure: Closure) -> Thing | None:
        name = self._filled(word, closure)
        if name is None:
            return None
        scope = closure.scope
        thing = scope.look_up(name)
        if thing is None and (scope, name) not in self._unknown:
            self._unknown.add((scope, name))
            amount = scope.amounts.get(name)
            mark = did_you_mean(name, scope.names)
            sees = []
            if amount is not None:
                mark = "this is a quantity, not a condition"
                sees = [(amount.place, f"`{name}` is declared here")]
            try_next = ""
            if scope.is_pack and not mark:
                try_next = f"listing `{name}` under `needs`"
            message = f"there is no machine, term or sensor `{name}` in {scope.title}"
            self._add("LX201", closure, word, message, mark=mark, sees=sees, try_next=try_next)
        return thing

    def _filled(self, word: Word, closure: Closure) -> str | None:
        name = fill(word.text, closure.members)
        for group in placeholders(name):
            known = group in closure.scope.groups
            self._add(
                "LX212" if known else "LX211",
                closure,
                word,
                f"`{{{group}}}` has no member to stand for" if known else f"there is no group `{group}`",
                mark="" if known else did_you_mean(group, closure.scope.groups),
                try_next=f"`for each: {group}`, or `some {group} has ...`" if known else "",
            )
            return None
        return name

    def _add(self, code: str, closure: Closure, word: Word, message: str, **more) -> None:
        spot = closure.scalar.spot_at(word.at, len(word.text))
        self._findings.add(code, spot, message, **more)


def names_in(text: GuardText, closure: Closure) -> list[tuple[Word, str]]:
    """Every name in ``text`` with its members put in, as far as they are known."""
    if isinstance(text, Name | Compare):
        return [(text.word, fill(text.word.text, closure.members))]
    if isinstance(text, Opposite):
        return names_in(text.part, closure)
    if isinstance(text, Both | Either):
        return [found for part in text.parts for found in names_in(part, closure)]
    if isinstance(text, Over):
        found = []
        for member in closure.scope.groups.get(text.group.text, ()):
            members = {**closure.members, text.group.text: member}
            if text.kind != "another" or member != closure.members.get(text.group.text):
                found += names_in(text.part, replace(closure, members=members))
        return found
    return []


def negation(meaning: Meaning) -> Meaning:
    guard = meaning.guard
    if isinstance(guard, Const):
        return replace(meaning, guard=FALSE if guard.value else TRUE)
    return replace(meaning, guard=Not(guard), size=meaning.size + 1, depth=meaning.depth + 1)


def conjunction(meanings: list[Meaning]) -> Meaning:
    return _joined(meanings, And, TRUE, FALSE)


def disjunction(meanings: list[Meaning]) -> Meaning:
    return _joined(meanings, Or, FALSE, TRUE)


def _joined(meanings: list[Meaning], kind: type, neutral: Const, decisive: Const) -> Meaning:
    """``And`` or ``Or`` over all parts, without constants and without the same kind inside."""
    direct: dict[str, tuple[Use, ...]] = {}
    parts: list[Guard] = []
    depth = 0
    for meaning in meanings:
        for name, uses in meaning.direct.items():
            direct.setdefault(name, uses)
        guard = meaning.guard
        nested = isinstance(guard, kind)
        parts += guard.parts if nested else [] if guard == neutral else [guard]
        depth = max(depth, meaning.depth - nested)
    if decisive in parts:
        guard, depth = decisive, 0
    elif not parts:
        guard, depth = neutral, 0
    elif len(parts) == 1:
        guard, depth = parts[0], depth - 1
    else:
        guard = kind(tuple(parts))
    return Meaning(
        guard,
        direct,
        any(meaning.reads_sensor for meaning in meanings),
        1 + sum(meaning.size for meaning in meanings),
        depth + 1,
    )
