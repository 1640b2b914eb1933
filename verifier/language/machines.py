"""Writes one machine out into numbered transitions and checks what its role allows.

``specs/semantics.md`` 1.1, 1.3 and 1.5.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from verifier.diagnostics import Findings, Place, did_you_mean
from verifier.language.amounts import Amounts
from verifier.language.drafts import MachineDraft
from verifier.language.failures import FAILURES, fault_name
from verifier.language.guard import TRUE
from verifier.language.meaning import Meaning, conjunction, negation
from verifier.language.model import Machine, Role, Transition, Window
from verifier.language.names import Closure, MachineName, Scope, Thing
from verifier.language.resolve import Meanings
from verifier.language.shape import (
    fill,
    good_name,
    keys_of,
    list_of,
    placeholders,
    says_of,
    text_of,
    words_of,
)
from verifier.language.sight import Sight
from verifier.language.tree import Keys, Node, Scalar

_TIMES_AND_MORE = ("when", "after", "held", "fault", "says")
_ALWAYS = Meaning(TRUE)


@dataclass(frozen=True)
class _Arc:
    """A transition before overrides are written out and it gets its number."""

    source: str
    target: str
    when: Meaning
    after: Window | None
    held: Window | None
    fault: str | None
    place: Place
    when_text: str
    says: str


class MachineWriter:
    """Turns drafts into checked machines. Errors go to ``findings``."""

    def __init__(
        self,
        findings: Findings,
        meanings: Meanings,
        amounts: Amounts,
        machines: Mapping[str, MachineName],
    ):
        self._findings = findings
        self._meanings = meanings
        self._amounts = amounts
        self._sight = Sight(findings, machines)
        self._sensor_faults = {
            fault_name(machine.sensor, failure): machine
            for machine in machines.values()
            if machine.sensor
            for failure in FAILURES
        }

    def write(self, draft: MachineDraft) -> Machine:
        """The checked machine; after a diagnostic it lacks what was wrong."""
        body = draft.body
        seen = self._sight.seen_by(draft)
        arcs = self._arcs(draft, body.get("transitions"), draft.scope, draft.members, seen)
        arcs += self._path(draft, seen)
        for node, scope, members in draft.added:
            arcs += self._arcs(draft, node, scope, members, seen)
        arcs = self._overridden(draft, arcs, seen)
        name = draft.name.name
        transitions = tuple(
            Transition(
                name,
                index,
                arc.source,
                arc.target,
                arc.when.guard,
                arc.after,
                arc.held,
                arc.fault,
                arc.place,
                arc.when_text,
                arc.says,
            )
            for index, arc in enumerate(arcs)
        )
        says = fill(says_of(body, self._findings), draft.members)
        return Machine(
            name,
            draft.name.role or Role.EQUIPMENT,
            draft.name.states or ("nowhere",),
            transitions,
            draft.name.place,
            says,
            draft.is_observer,
        )

    # -- transitions, path, overrides

    def _arcs(
        self,
        draft: MachineDraft,
        node: Node | None,
        scope: Scope,
        members: Mapping[str, str],
        seen: frozenset[Thing] | None,
    ) -> list[_Arc]:
        arcs = []
        for item in list_of(node, self._findings, "`transitions`"):
            keys = keys_of(
                item, self._findings, "a transition", must=("from", "to"), may=_TIMES_AND_MORE
            )
            sources = [
                self._state(word, draft, members)
                for word in words_of(keys.get("from"), self._findings, "`from`")
            ]
            target = self._state(text_of(keys.get("to"), self._findings, "`to`"), draft, members)
            made = [
                self._arc(draft, keys, source, target, scope, members, seen)
                for source in sources
                if source
            ]
            arcs += [arc for arc in made if arc is not None]
        return arcs

    def _path(self, draft: MachineDraft, seen: frozenset[Thing] | None) -> list[_Arc]:
        node = draft.body.get("path")
        items = list_of(node, self._findings, "`path`")
        if node is not None and len(items) < 2:
            self._findings.add("LX312", node.spot, "a path needs at least two states")
            return []
        arcs: list[_Arc] = []
        source: str | None = None
        for number, item in enumerate(items):
            if isinstance(item, Scalar):
                keys, state = Keys(spot=item.spot), text_of(item, self._findings, "a state")
            else:
                may = _TIMES_AND_MORE
                keys = keys_of(item, self._findings, "a step of a path", must=("to",), may=may)
                state = text_of(keys.get("to"), self._findings, "`to`")
            target = self._state(state, draft, draft.members)
            if number == 0 and isinstance(item, Keys) and len(keys.entries) > 1:
                message = "a path begins with a state alone: nothing leads to it"
                self._findings.add("LX312", item.spot, message)
            elif number > 0 and source:
                arc = self._arc(draft, keys, source, target, draft.scope, draft.members, seen)
                arcs += [arc] if arc else []
            source = target
        return arcs

    def _overridden(
        self, draft: MachineDraft, arcs: list[_Arc], seen: frozenset[Thing] | None
    ) -> list[_Arc]:
        """1.5: an override bars all other transitions; an earlier one bars the later ones."""
        barred: list[Meaning] = []
        forced: list[_Arc] = []
        for item in list_of(draft.body.get("overrides"), self._findings, "`overrides`"):
            keys = keys_of(
                item, self._findings, "an override", must=("to", "when"), may=("says",)
            )
            to = text_of(keys.get("to"), self._findings, "`to`")
            target = self._state(to, draft, draft.members)
            when, text = self._guard(draft, keys, draft.scope, draft.members, seen)
            if target is None:
                continue
            guard = conjunction([when, *barred]) if barred else when
            says = says_of(keys, self._findings)
            forced += [
                _Arc(source, target, guard, None, None, None, item.place, text, says)
                for source in draft.name.states
                if source != target
            ]
            barred.append(negation(when))
        if not barred:
            return arcs
        kept = [
            _Arc(
                arc.source,
                arc.target,
                conjunction([arc.when, *barred]),
                arc.after,
                arc.held,
                arc.fault,
                arc.place,
                arc.when_text,
                arc.says,
            )
            for arc in arcs
        ]
        return kept + forced

    def _arc(
        self,
        draft: MachineDraft,
        keys: Keys,
        source: str,
        target: str | None,
        scope: Scope,
        members: Mapping[str, str],
        seen: frozenset[Thing] | None,
    ) -> _Arc | None:
        when, text = self._guard(draft, keys, scope, members, seen)
        after = self._window(draft, keys, "after", scope, members)
        held = self._window(draft, keys, "held", scope, members)
        fault = text_of(keys.get("fault"), self._findings, "`fault`")
        if fault is not None and good_name(fault, self._findings, "a fault"):
            if draft.name.role is Role.CONTROL:
                self._findings.add(
                    "LX303",
                    fault.spot,
                    f"control machine `{draft.name.name}` has the fault `{fault.text}`",
                    mark="faults stand in the world, not in the logic under test",
                )
        if target is None:
            return None
        name = fill(fault.text, members) if fault else None
        if name in self._sensor_faults:
            failing = self._sensor_faults[name]
            self._findings.add(
                "LX205",
                fault.spot,
                f"the name `{name}` is taken",
                mark=f"so a failure of the sensor `{failing.sensor}` is called",
                sees=[(failing.place, f"`{failing.sensor}` is declared here")],
            )
        if name and placeholders(name):
            message = f"`{name}` names a group that is not put in here"
            self._findings.add("LX212", fault.spot, message)
        says = fill(says_of(keys, self._findings), members)
        return _Arc(source, target, when, after, held, name, keys.place, text, says)

    # -- what stands in a transition

    def _state(
        self, word: Scalar | None, draft: MachineDraft, members: Mapping[str, str]
    ) -> str | None:
        if word is None:
            return None
        name = fill(word.text, members)
        if name in draft.name.states:
            return name
        if not draft.name.states:
            return None
        self._findings.add(
            "LX202",
            word.spot,
            f"machine `{draft.name.name}` has no state `{name}`",
            mark=did_you_mean(name, draft.name.states),
            sees=[(draft.name.place, f"its states: {', '.join(draft.name.states)}")],
        )
        return None

    def _window(
        self,
        draft: MachineDraft,
        keys: Keys,
        key: str,
        scope: Scope,
        members: Mapping[str, str],
    ) -> Window | None:
        text = text_of(keys.get(key), self._findings, f"`{key}`")
        if text is None:
            return None
        window = self._amounts.window(Closure(text, scope, members))
        if window is not None and draft.name.role is Role.CONTROL and window.lo != window.hi:
            self._findings.add(
                "LX302",
                text.spot,
                f"a time in control machine `{draft.name.name}` must be exact, not a window",
                try_next="one time, or an equipment machine for a timer with tolerance",
            )
        return window

    def _guard(
        self,
        draft: MachineDraft,
        keys: Keys,
        scope: Scope,
        members: Mapping[str, str],
        seen: frozenset[Thing] | None,
    ) -> tuple[Meaning, str]:
        text = text_of(keys.get("when"), self._findings, "`when`")
        if text is None:
            return _ALWAYS, ""
        closure = Closure(text, scope, members)
        meaning = self._meanings.of(closure)
        parsed = self._meanings.parsed(text)
        if draft.name.role is Role.CONTROL and not draft.is_observer:
            self._sight.check_control(draft, meaning)
        elif draft.name.role is Role.OPERATOR and seen is not None and parsed is not None:
            self._sight.check_operator(draft, parsed, closure, seen)
        return meaning, text.text
