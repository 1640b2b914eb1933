"""What the names in guards mean: guards with all abbreviations written out.

Guards come out with all terms, sensors, needs and group quantifiers replaced by what they stand for
(``specs/semantics.md`` 1.4 and section 2).
"""

from __future__ import annotations

from dataclasses import replace

from verifier.diagnostics import Findings, did_you_mean
from verifier.language.failures import as_control_has_it
from verifier.language.grammar import parse_guard
from verifier.language.guard import FALSE, TRUE, Is
from verifier.language.meaning import Meaning, conjunction, disjunction, negation
from verifier.language.names import Closure, Definition, MachineName, Scope, Thing
from verifier.language.shape import fill, placeholders
from verifier.language.syntax import (
    Both,
    Compare,
    Either,
    GuardText,
    Name,
    Opposite,
    Over,
    Truth,
    Word,
)
from verifier.language.tree import Scalar

LARGEST_GUARD = 20_000
DEEPEST_GUARD = 100

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
            said = inner if thing.failure is None else as_control_has_it(inner, thing.failure)
            return replace(said, direct={}, reads_sensor=True)
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
