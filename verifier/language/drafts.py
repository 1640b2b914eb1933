"""Declarations of machines, sensors and terms, written out for their groups.

Nothing is checked here beyond names and shapes; guards stay text together with the scope in which
they mean something (``specs/format.md`` section 1).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

from verifier.diagnostics import Findings, Spot, did_you_mean
from verifier.language.failures import Failure, failure_name, failures_in
from verifier.language.model import Role
from verifier.language.names import Amount, Broken, Closure, Definition, MachineName, Scope
from verifier.language.shape import (
    fill,
    good_name,
    keys_of,
    list_of,
    mapping_of,
    placeholders,
    says_of,
    text_of,
)
from verifier.language.tree import Entry, Items, Keys, Node, Scalar

MOST_MACHINES = 1000
MACHINE_KEYS = ("says", "states", "transitions", "path", "overrides", "sees", "for each")

_NO_MEMBERS: Mapping[str, str] = {}


@dataclass(eq=False)
class MachineDraft:
    """A machine still to be checked; ``added`` are lists of transitions with their own scopes."""

    name: MachineName
    body: Keys
    scope: Scope
    members: Mapping[str, str]
    added: list[tuple[Node, Scope, Mapping[str, str]]] = field(default_factory=list)
    is_observer: bool = False


@dataclass(frozen=True, eq=False)
class SensorDraft:
    definition: Definition
    can_fail: tuple[Failure, ...]


class Draft:
    """All declarations of a model, in order; ``files`` are those that were read."""

    def __init__(self, findings: Findings):
        self.findings = findings
        self.machines: list[MachineDraft] = []
        self.terms: list[Definition] = []
        self.sensors: list[SensorDraft] = []
        self.needs: list[Definition | Amount] = []
        self.files: list[str] = []
        self.is_full = False

    def repeat(
        self, node: Node | None, scope: Scope, what: str, section: str
    ) -> Iterator[tuple[str, Entry, Mapping[str, str]]]:
        """The entries of a section, written out for their groups, with the members put in."""
        for entry in mapping_of(node, self.findings, section):
            if not good_name(entry.key, self.findings, what):
                continue
            each = entry.value.get("for each") if isinstance(entry.value, Keys) else None
            for members in self.members(entry.key, each, scope, what):
                yield fill(entry.key.text, members), entry, members

    def members(
        self, name: Scalar, each: Node | None, scope: Scope, what: str
    ) -> list[Mapping[str, str]]:
        """One mapping of group to member for each repetition; none after a diagnostic."""
        findings = self.findings
        named = placeholders(name.text)
        group = text_of(each, findings, "`for each`")
        if each is not None and group is None:
            return []
        if group is None:
            if named:
                findings.add(
                    "LX212",
                    name.spot,
                    f"`{{{named[0]}}}` in the name of {what} without `for each`",
                    try_next=f"`for each: {named[0]}` below it",
                )
            return [] if named else [_NO_MEMBERS]
        if group.text not in scope.groups:
            hint = did_you_mean(group.text, scope.groups)
            findings.add("LX211", group.spot, f"there is no group `{group.text}`", mark=hint)
            return []
        if set(named) != {group.text}:
            message = f"the name of {what} for each {group.text} must hold `{{{group.text}}}` only"
            findings.add("LX212", name.spot, message)
            return []
        return [{group.text: member} for member in scope.groups[group.text]]

    # -- single declarations

    def machine(
        self, name: str, outside: str, entry: Entry, scope: Scope, members: Mapping[str, str]
    ) -> MachineDraft | None:
        """Declare one machine."""
        if not self.room_for_more(len(self.machines), entry.key.spot):
            return None
        if not isinstance(entry.value, Keys):
            mapping_of(entry.value, self.findings, f"machine `{name}`")
            scope.declare(entry.key, name, Broken(entry.key.place), self.findings)
            return None
        body = keys_of(
            entry.value, self.findings, "a machine", must=("role", "states"), may=MACHINE_KEYS
        )
        thing = MachineName(
            outside, self._role(body), self._states(body, members), entry.key.place
        )
        if not scope.declare(entry.key, name, thing, self.findings):
            return None
        draft = MachineDraft(thing, body, scope, members)
        self.machines.append(draft)
        return draft

    def room_for_more(self, count: int, spot: Spot) -> bool:
        """Whether ``count`` machines or uses of parts leave room; reports it once when not."""
        if count >= MOST_MACHINES and not self.is_full:
            message = f"more than {MOST_MACHINES} machines or uses of parts when written out"
            self.findings.add("LX313", spot, message)
            self.is_full = True
        return not self.is_full

    def _role(self, body: Keys) -> Role | None:
        role = text_of(body.get("role"), self.findings, "`role`")
        known = [one.value for one in Role]
        if role is None or role.text in known:
            return Role(role.text) if role else None
        mark = did_you_mean(role.text, known) or f"known: {', '.join(known)}"
        self.findings.add("LX220", role.spot, f"there is no role `{role.text}`", mark=mark)
        return None

    def _states(self, body: Keys, members: Mapping[str, str]) -> tuple[str, ...]:
        states: list[str] = []
        node = body.get("states")
        items = list_of(node, self.findings, "`states`")
        if isinstance(node, Items) and not items:
            self.findings.add("LX311", node.spot, "a machine needs at least one state")
        for item in items:
            state = text_of(item, self.findings, "a state")
            if state is None or not good_name(state, self.findings, "a state"):
                continue
            name = fill(state.text, members)
            if placeholders(name):
                message = f"`{name}` names a group that is not put in here"
                self.findings.add("LX212", state.spot, message)
            elif name in states:
                self.findings.add("LX310", state.spot, f"the state `{name}` is listed twice")
            else:
                states.append(name)
        return tuple(states)

    def term(
        self, name: str, outside: str, entry: Entry, scope: Scope, members: Mapping[str, str]
    ) -> Definition | None:
        """Declare one term, given as text or with ``is``."""
        guard, says = entry.value, ""
        if isinstance(guard, Keys):
            keys = keys_of(
                guard, self.findings, "a term", must=("is",), may=("says", "for each")
            )
            guard, says = keys.get("is"), says_of(keys, self.findings)
        definition = self._define("term", name, outside, entry.key, guard, scope, members, says)
        if definition is not None:
            self.terms.append(definition)
        return definition

    def sensor(
        self, name: str, outside: str, entry: Entry, scope: Scope, members: Mapping[str, str]
    ) -> None:
        """Declare one sensor."""
        keys = keys_of(
            entry.value,
            self.findings,
            "a sensor",
            must=("reads",),
            may=("can_fail", "says", "for each"),
        )
        failures = failures_in(keys.get("can_fail"), scope, members, self.findings)
        says = says_of(keys, self.findings)
        reads = keys.get("reads")
        failure = failure_name(outside, failures, entry.key.place) if failures else None
        definition = self._define(
            "sensor", name, outside, entry.key, reads, scope, members, says, failure
        )
        if failure is not None:
            scope.declare(entry.key, f"{name}_failure", failure, self.findings)
        if definition is not None:
            self.sensors.append(SensorDraft(definition, failures))

    def _define(
        self,
        kind: str,
        name: str,
        outside: str,
        key: Scalar,
        guard: Node | None,
        scope: Scope,
        members: Mapping[str, str],
        says: str,
        failure: MachineName | None = None,
    ) -> Definition | None:
        text = text_of(guard, self.findings, f"the guard of `{name}`")
        if text is None:
            scope.declare(key, name, Broken(key.place), self.findings)
            return None
        closure = Closure(text, scope, members)
        definition = Definition(kind, outside, closure, key.place, says, failure)
        return definition if scope.declare(key, name, definition, self.findings) else None
