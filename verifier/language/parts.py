"""Uses of parts: instances with their own scope, their needs bound and their names given out.

``specs/format.md`` sections 1 and 2.
"""

from __future__ import annotations

import os
from collections.abc import Mapping

from verifier.diagnostics import did_you_mean
from verifier.language.drafts import Draft, MachineDraft
from verifier.language.names import Amount, Broken, Closure, Definition, MachineName, Scope
from verifier.language.shape import (
    check_format,
    fill,
    good_name,
    keys_of,
    list_of,
    mapping_of,
    text_of,
)
from verifier.language.tree import Entry, Keys, Node, Scalar
from verifier.language.yaml_reader import read_file

DEEPEST_PARTS = 20


class Parts:
    """Enters bodies of models and parts into a draft, each part file read once."""

    def __init__(self, draft: Draft):
        self._draft = draft
        self._findings = draft.findings
        self._bodies: dict[str, Node | None] = {}
        self._uses = 0

    def enter(self, body: Keys, scope: Scope, prefix: str = "", files: tuple[str, ...] = ()) -> None:
        """Declare everything in ``body``; names in the whole model begin with ``prefix``."""
        repeated = list(self._draft.repeat(body.get("machines"), scope, "a machine", "`machines`"))
        for name, entry, members in repeated:
            outside = _joined(prefix, "" if prefix and len(repeated) == 1 else name)
            self._draft.machine(name, outside, entry, scope, members)
        sensors = body.get("sensors")
        for name, entry, members in self._draft.repeat(sensors, scope, "a sensor", "`sensors`"):
            self._draft.sensor(name, _joined(prefix, name), entry, scope, members)
        for section in ("terms", "provides"):
            terms = body.get(section)
            for name, entry, members in self._draft.repeat(terms, scope, "a term", f"`{section}`"):
                self._draft.term(name, _joined(prefix, name), entry, scope, members)
        for use in list_of(body.get("parts"), self._findings, "`parts`"):
            self._use_part(use, scope, prefix, files)

    def _use_part(self, node: Node, user: Scope, prefix: str, files: tuple[str, ...]) -> None:
        use = keys_of(
            node,
            self._findings,
            "the use of a part",
            must=("part", "as"),
            may=("for each", "set", "add", "says"),
        )
        path = text_of(use.get("part"), self._findings, "`part`")
        name = text_of(use.get("as"), self._findings, "`as`")
        if path is None or name is None or not good_name(name, self._findings, "a part"):
            return
        repetitions = self._draft.members(name, use.get("for each"), user, "a part")
        file = beside(path.place.file, path.text)
        if os.path.realpath(file) in files:
            self._findings.add("LX306", path.spot, f"the part `{path.text}` uses itself")
            self._declare_broken(repetitions, name, user)
            return
        if len(files) > DEEPEST_PARTS:
            self._findings.add("LX306", path.spot, f"parts are nested deeper than {DEEPEST_PARTS} levels")
            return
        body = self._part_body(file, path)
        if body is None:
            self._declare_broken(repetitions, name, user)
            return
        for members in repetitions:
            self._uses += 1
            if self._draft.room_for_more(self._uses, path.spot):
                inside = (*files, os.path.realpath(file))
                here = fill(name.text, members)
                self._instance(here, name, use, body, user, members, prefix, inside)

    def _declare_broken(
        self, repetitions: list[Mapping[str, str]], name: Scalar, user: Scope
    ) -> None:
        for members in repetitions:
            user.declare(name, fill(name.text, members), Broken(name.place), self._findings)

    def _part_body(self, file: str, cited: Scalar) -> Keys | None:
        if file not in self._bodies:
            node = read_file(file, self._findings, cited.spot)
            self._bodies[file] = node
            if node is not None:
                self._draft.files.append(file)
                self._check_head(node)
        node = self._bodies[file]
        return node if isinstance(node, Keys) else None

    def _check_head(self, node: Node) -> None:
        may = "format says needs groups machines sensors terms provides parts".split()
        body = keys_of(node, self._findings, "a part", must=("part",), may=may)
        check_format(body, self._findings)
        groups = body.get("groups")
        if isinstance(groups, Keys) and groups.entries:
            message = "a part has no groups of its own; it uses those of its user"
            self._findings.add("LX115", body.key("groups").spot, message)

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
        before = len(self._draft.machines)
        self.enter(body, scope, _joined(prefix, name), files)
        self._export(scope, name, _joined(prefix, name), key, user)
        self._bind_needs(use, body, scope, user, members)
        self._add_transitions(use, scope, self._draft.machines[before:], user, members)

    def _export(self, scope: Scope, name: str, outside: str, key: Scalar, user: Scope) -> None:
        """Let the user of a part name what is in it as ``AS`` and ``AS.name``."""
        for inner, thing in scope.names.items():
            is_alone = isinstance(thing, MachineName) and thing.name == outside
            user.declare(key, name if is_alone else f"{name}.{inner}", thing, self._findings)

    def _bind_needs(
        self, use: Keys, body: Keys, scope: Scope, user: Scope, members: Mapping[str, str]
    ) -> None:
        findings = self._findings
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
                self._draft.needs.append(need)
            return
        if closure is None:
            scope.amounts[name] = Broken(key.place)
        else:
            amount = Amount("need", name, closure, key.place, kind)
            scope.amounts[name] = amount
            self._draft.needs.append(amount)

    def _need(self, entry: Entry) -> tuple[str | None, str, Scalar | None]:
        """Name, kind and default of a need; name None after a diagnostic."""
        node, default = entry.value, None
        if isinstance(node, Keys):
            keys = keys_of(
                node, self._findings, "a need", must=("type",), may=("default", "says")
            )
            node = keys.get("type")
            default = text_of(keys.get("default"), self._findings, "`default`")
        kind = text_of(node, self._findings, f"the type of `{entry.key.text}`")
        if kind is None or not good_name(entry.key, self._findings, "a need"):
            return None, "", None
        if kind.text not in ("guard", "time", "window"):
            message = f"a need can't be of type `{kind.text}`"
            self._findings.add("LX222", kind.spot, message, mark="known: guard, time, window")
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
        for entry in mapping_of(use.get("add"), self._findings, "`add`"):
            thing = scope.names.get(entry.key.text)
            if isinstance(thing, MachineName) and not thing.sensor:
                for draft in drafts:
                    if draft.name is thing:
                        draft.added.append((entry.value, user, members))
                continue
            own = [
                name
                for name, known in scope.names.items()
                if isinstance(known, MachineName) and not known.sensor
            ]
            mark = did_you_mean(entry.key.text, own) or f"its machines: {', '.join(own)}"
            message = f"the part has no machine `{entry.key.text}`"
            self._findings.add("LX309", entry.key.spot, message, mark=mark)


def beside(file: str, path: str) -> str:
    """``path`` as seen from the folder of ``file``."""
    return os.path.normpath(os.path.join(os.path.dirname(file), path))


def _joined(prefix: str, name: str) -> str:
    return f"{prefix}.{name}" if prefix and name else prefix or name
