"""Writes out parts, repetition and instances: one flat list of declarations with their scopes.

Nothing is checked here beyond names, needs and shapes; guards stay text together with the scope in
which they mean something (``specs/format.md`` sections 1 and 2).
"""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

from verifier.diagnostics import Findings, Place, Spot, did_you_mean
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
from verifier.language.yaml_reader import read_file

MOST_MACHINES = 1000
FAILURES = ("stuck true", "stuck false", "frozen")
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
    can_fail: tuple[str, ...]


class Draft:
    """All declarations of a model, in order; ``files`` are those that were read."""

    def __init__(self, findings: Findings):
        self.findings = findings
        self.machines: list[MachineDraft] = []
        self.terms: list[Definition] = []
        self.sensors: list[SensorDraft] = []
        self.needs: list[Definition | Amount] = []
        self.files: list[str] = []
        self._part_files: dict[str, Node | None] = {}
        self._uses = 0
        self._too_many = False

    # -- one body: a model, or one use of a part

    def enter(self, body: Keys, scope: Scope, prefix: str = "", files: tuple[str, ...] = ()) -> None:
        """Declare everything in ``body``; names in the whole model begin with ``prefix``."""
        repeated = list(self.repeat(body.get("machines"), scope, "a machine", "`machines`"))
        for name, entry, members in repeated:
            outside = _joined(prefix, "" if prefix and len(repeated) == 1 else name)
            self.machine(name, outside, entry, scope, members)
        for name, entry, members in self.repeat(body.get("sensors"), scope, "a sensor", "`sensors`"):
            self._sensor(name, _joined(prefix, name), entry, scope, members)
        for part_of_file in ("terms", "provides"):
            what = f"`{part_of_file}`"
            for name, entry, members in self.repeat(body.get(part_of_file), scope, "a term", what):
                self.term(name, _joined(prefix, name), entry, scope, members)
        for use in list_of(body.get("parts"), self.findings, "`parts`"):
            self._use_part(use, scope, prefix, files)

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
        if not self._room_for_more(len(self.machines), entry.key.spot):
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

    def _room_for_more(self, count: int, spot: Spot) -> bool:
        if count >= MOST_MACHINES and not self._too_many:
            message = f"more than {MOST_MACHINES} machines or uses of parts when written out"
            self.findings.add("LX313", spot, message)
            self._too_many = True
        return not self._too_many

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

    def _sensor(
        self, name: str, outside: str, entry: Entry, scope: Scope, members: Mapping[str, str]
    ) -> None:
        keys = keys_of(
            entry.value,
            self.findings,
            "a sensor",
            must=("reads",),
            may=("can_fail", "says", "for each"),
        )
        failures = []
        for item in list_of(keys.get("can_fail"), self.findings, "`can_fail`"):
            failure = text_of(item, self.findings, "a failure")
            if failure is not None and failure.text not in FAILURES:
                mark = did_you_mean(failure.text, FAILURES) or f"known: {', '.join(FAILURES)}"
                message = f"a sensor can't fail `{failure.text}`"
                self.findings.add("LX314", failure.spot, message, mark=mark)
            elif failure is not None:
                failures.append(failure.text)
        says = says_of(keys, self.findings)
        reads = keys.get("reads")
        definition = self._define("sensor", name, outside, entry.key, reads, scope, members, says)
        if definition is not None:
            self.sensors.append(SensorDraft(definition, tuple(failures)))

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
    ) -> Definition | None:
        text = text_of(guard, self.findings, f"the guard of `{name}`")
        if text is None:
            scope.declare(key, name, Broken(key.place), self.findings)
            return None
        definition = Definition(kind, outside, Closure(text, scope, members), key.place, says)
        return definition if scope.declare(key, name, definition, self.findings) else None

    # -- uses of parts

    def _use_part(self, node: Node, user: Scope, prefix: str, files: tuple[str, ...]) -> None:
        use = keys_of(
            node,
            self.findings,
            "the use of a part",
            must=("part", "as"),
            may=("for each", "set", "add", "says"),
        )
        path = text_of(use.get("part"), self.findings, "`part`")
        name = text_of(use.get("as"), self.findings, "`as`")
        if path is None or name is None or not good_name(name, self.findings, "a part"):
            return
        repetitions = self.members(name, use.get("for each"), user, "a part")
        file = beside(path.place.file, path.text)
        if os.path.realpath(file) in files:
            self.findings.add("LX306", path.spot, f"the part `{path.text}` uses itself")
            self._declare_broken(repetitions, name, user)
            return
        if len(files) > 20:
            self.findings.add("LX306", path.spot, "parts are nested deeper than 20 levels")
            return
        body = self._part_body(file, path)
        if body is None:
            self._declare_broken(repetitions, name, user)
            return
        for members in repetitions:
            self._uses += 1
            if self._room_for_more(self._uses, path.spot):
                inner = (*files, os.path.realpath(file))
                self._instance(fill(name.text, members), name, use, body, user, members, prefix, inner)

    def _declare_broken(
        self, repetitions: list[Mapping[str, str]], name: Scalar, user: Scope
    ) -> None:
        for members in repetitions:
            user.declare(name, fill(name.text, members), Broken(name.place), self.findings)

    def _part_body(self, file: str, cited: Scalar) -> Keys | None:
        if file not in self._part_files:
            node = read_file(file, self.findings, cited.spot)
            self._part_files[file] = node
            if node is not None:
                self.files.append(file)
                keys_of(
                    node,
                    self.findings,
                    "a part",
                    must=("part",),
                    may=(
                        "format says needs groups machines sensors terms provides parts".split()
                    ),
                )
        node = self._part_files[file]
        return node if isinstance(node, Keys) else None

    def _instance(
        self,
        name: str,
        key: Scalar,
        use: Keys,
        body: Keys,
        user: Scope,
        members: Mapping[str, str],
        prefix: str,
        files: tuple[str, ...],
    ) -> None:
        scope = Scope(f"part `{_joined(prefix, name)}`", user.groups)
        before = len(self.machines)
        self.enter(body, scope, _joined(prefix, name), files)
        self._export(scope, name, _joined(prefix, name), key, user)
        self._bind_needs(use, body, scope, user, members)
        self._add_transitions(use, scope, self.machines[before:], user, members)

    def _export(self, scope: Scope, name: str, outside: str, key: Scalar, user: Scope) -> None:
        """Let the user of a part name what is in it as ``AS`` and ``AS.name``."""
        for inner, thing in scope.names.items():
            is_alone = isinstance(thing, MachineName) and thing.name == outside
            user.declare(key, name if is_alone else f"{name}.{inner}", thing, self.findings)

    def _bind_needs(
        self, use: Keys, body: Keys, scope: Scope, user: Scope, members: Mapping[str, str]
    ) -> None:
        findings = self.findings
        given = mapping_of(use.get("set"), findings, "`set`")
        needs = mapping_of(body.get("needs"), findings, "`needs`")
        misspelt = set()
        for entry in given:
            if entry.key.text not in needs:
                hint = did_you_mean(entry.key.text, needs.entries)
                misspelt.add(hint)
                findings.add(
                    "LX308",
                    entry.key.spot,
                    f"the part has no need `{entry.key.text}`",
                    mark=hint or f"its needs: {', '.join(needs.entries) or 'none'}",
                    sees=[(body.place, "the part is declared here")],
                )
        for entry in needs:
            name, kind, default = self._need(entry)
            if name is None:
                scope.names.setdefault(entry.key.text, Broken(entry.key.place))
                scope.amounts[entry.key.text] = Broken(entry.key.place)
                continue
            closure = None
            if name in given:
                text = text_of(given.get(name), findings, f"`{name}` in `set`")
                closure = Closure(text, user, members) if text else None
            elif default is not None:
                closure = Closure(default, scope)
            elif did_you_mean(name, [name]) not in misspelt:
                spot = use.key("set").spot if "set" in use else use.key("part").spot
                findings.add(
                    "LX307",
                    spot,
                    f"the part needs `{name}`, which is not set",
                    sees=[(entry.key.place, f"`{name}` is a need ({kind})")],
                )
            self._bind(name, kind, closure, entry.key, scope)

    def _bind(
        self, name: str, kind: str, closure: Closure | None, key: Scalar, scope: Scope
    ) -> None:
        if kind == "guard":
            # What the part itself calls so comes first (specs/format.md section 2).
            if closure is None:
                scope.names.setdefault(name, Broken(key.place))
            elif name not in scope.names:
                need = Definition("need", name, closure, key.place)
                scope.names[name] = need
                self.needs.append(need)
            return
        if closure is None:
            scope.amounts[name] = Broken(key.place)
        else:
            amount = Amount("need", name, closure, key.place, kind)
            scope.amounts[name] = amount
            self.needs.append(amount)

    def _need(self, entry: Entry) -> tuple[str | None, str, Scalar | None]:
        """Name, kind and default of a need; name None after a diagnostic."""
        node, default = entry.value, None
        if isinstance(node, Keys):
            keys = keys_of(
                node, self.findings, "a need", must=("type",), may=("default", "says")
            )
            node = keys.get("type")
            default = text_of(keys.get("default"), self.findings, "`default`")
        kind = text_of(node, self.findings, f"the type of `{entry.key.text}`")
        if kind is None or not good_name(entry.key, self.findings, "a need"):
            return None, "", None
        if kind.text not in ("guard", "time", "window"):
            message = f"a need can't be of type `{kind.text}`"
            self.findings.add("LX222", kind.spot, message, mark="known: guard, time, window")
            return None, "", None
        return entry.key.text, kind.text, default

    def _add_transitions(
        self,
        use: Keys,
        scope: Scope,
        drafts: list[MachineDraft],
        user: Scope,
        members: Mapping[str, str],
    ) -> None:
        for entry in mapping_of(use.get("add"), self.findings, "`add`"):
            thing = scope.names.get(entry.key.text)
            if isinstance(thing, MachineName):
                for draft in drafts:
                    if draft.name is thing:
                        draft.added.append((entry.value, user, members))
                continue
            own = [name for name, known in scope.names.items() if isinstance(known, MachineName)]
            mark = did_you_mean(entry.key.text, own) or f"its machines: {', '.join(own)}"
            message = f"the part has no machine `{entry.key.text}`"
            self.findings.add("LX309", entry.key.spot, message, mark=mark)


def beside(file: str, path: str) -> str:
    """``path`` as seen from the folder of ``file``."""
    return os.path.normpath(os.path.join(os.path.dirname(file), path))


def _joined(prefix: str, name: str) -> str:
    return f"{prefix}.{name}" if prefix and name else prefix or name
