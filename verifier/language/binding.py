"""Joins a spec pack with a model: its properties with their guards written out.

A pack sees a model only through the terms it needs; its own terms and its observers get a prefix
in the checked model, so that two packs can't clash, and no machine of the model can name them.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping

from verifier.diagnostics import Spot, did_you_mean
from verifier.language.check import ModelCheck, declare_amounts
from verifier.language.drafts import MachineDraft
from verifier.language.model import Property, Role
from verifier.language.names import Broken, Closure, Definition, Scope
from verifier.language.packs import Need, Pack, PackProperty
from verifier.language.properties import FormKeys, guards_of
from verifier.language.resolve import names_in
from verifier.language.shape import fill, text_of
from verifier.language.tree import Entry, Items, Keys, Scalar


def bind_pack(pack: Pack, check: ModelCheck, prefix: str) -> tuple[Property, ...]:
    """The properties of ``pack`` for the model of ``check``.

    The pack's observers and terms that these properties use are added to the model, their names
    beginning with ``prefix`` and a dot. Errors go to the findings of ``check``.
    """
    return _Binding(pack, check, prefix).properties()


def _filled(text: str, members: Mapping[str, str]) -> str:
    """A guard for people, ``{track}`` filled in unless the guard quantifies over that group itself."""
    quantified = re.findall(r"\b(?:some|every|another)\s+(\w+)\s+has\b", text)
    return fill(text, {group: member for group, member in members.items() if group not in quantified})


class _Binding:
    def __init__(self, pack: Pack, check: ModelCheck, prefix: str):
        self._pack = pack
        self._check = check
        self._findings = check.findings
        self._prefix = prefix
        self._scope = Scope(f"the pack `{pack.name}`", self._groups(), is_pack=True)
        self._needs: dict[str, Need] = {}
        self._missing: set[str] = set()
        self._declare_needs()
        declare_amounts(pack.body.get("parameters"), self._scope, self._findings)
        self._terms: dict[str, Definition] = {}
        self._observers: dict[str, MachineDraft] = {}
        repeat, body = check.draft.repeat, pack.body
        for name, entry, members in repeat(body.get("terms"), self._scope, "a term", "`terms`"):
            outside = f"{prefix}.{name}"
            term = check.draft.term(name, outside, entry, self._scope, members)
            if term is not None:
                self._terms[name] = term
        for name, entry, members in repeat(
            body.get("observers"), self._scope, "an observer", "`observers`"
        ):
            self._declare_observer(name, entry, members)

    # -- what the pack may name

    def _groups(self) -> dict[str, tuple[str, ...]]:
        groups = {}
        for word in self._pack.groups:
            groups[word.text] = self._check.groups.get(word.text, ())
            # Over an empty group its properties would vanish without a word.
            if not groups[word.text]:
                lacks = "is empty" if word.text in self._check.groups else "is not defined"
                self._findings.add(
                    "LX413",
                    word.spot,
                    f"the pack `{self._pack.name}` needs the group `{word.text}`, which {lacks} in "
                    f"`{self._check.path}`",
                    mark=did_you_mean(word.text, self._check.groups),
                )
        return groups

    def _declare_needs(self) -> None:
        for need in self._pack.needs:
            value = need.entry.value
            each = value.get("for each") if isinstance(value, Keys) else None
            key = need.entry.key
            for members in self._check.draft.members(key, each, self._scope, "a need"):
                name = fill(need.name, members)
                thing = self._check.scope.look_up(name)
                is_term = isinstance(thing, Definition) and thing.kind == "term"
                if not is_term and not isinstance(thing, Broken):
                    self._missing.add(name)
                self._needs[name] = need
                known = thing if is_term else Broken(need.place)
                self._scope.declare(key, name, known, self._findings)

    def _declare_observer(self, name: str, entry: Entry, members: Mapping[str, str]) -> None:
        outside = f"{self._prefix}.{name}"
        draft = self._check.draft.machine(name, outside, entry, self._scope, members)
        if draft is None:
            return
        draft.is_observer = True
        self._observers[name] = draft
        if draft.name.role not in (Role.CONTROL, None):
            spot = draft.body.get("role").spot
            self._findings.add("LX412", spot, f"observer `{name}` must be of role control")

    # -- properties

    def properties(self) -> tuple[Property, ...]:
        bound: list[Property] = []
        used_at_all: set[str] = set()
        reached: set[str] = set()
        reported: set[str] = set()
        kind = self._check.header.kind
        for one in self._pack.properties:
            for members in self._repetitions(one):
                name = f"{one.id}[{next(iter(members.values()))}]" if members else one.id
                names = self._names_used(one, members)
                used_at_all |= names
                if kind and kind not in one.applies_to:
                    continue
                reached |= names
                self._check_needs(names - reported, name)
                reported |= names
                needs = tuple(need for need in self._needs if need in names)
                bound += [self._bind(one, form, name, members, needs) for form in one.forms]
        self._report_unused(used_at_all)
        for term in self._terms.values():
            self._check.meanings.of_definition(term)
        self._check.add_observers([d for name, d in self._observers.items() if name in reached])
        for name, term in self._terms.items():
            if name in reached:
                self._check.add_term(term)
        return tuple(bound)

    def _repetitions(self, one: PackProperty) -> list[Mapping[str, str]]:
        if not one.group:
            return [{}]
        spot = one.keys.get("for each").spot
        members = self._scope.groups.get(one.group)
        if members is None:
            mark = did_you_mean(one.group, self._scope.groups)
            message = f"the pack does not list the group `{one.group}` under `groups`"
            self._findings.add("LX211", spot, message, mark=mark)
        return [{one.group: member} for member in members or ()]

    def _bind(
        self,
        one: PackProperty,
        form: FormKeys,
        name: str,
        members: Mapping[str, str],
        needs: tuple[str, ...],
    ) -> Property:
        guards = {
            letter: self._check.meanings.of(Closure(text, self._scope, members)).guard
            for letter, _, text in guards_of(one.keys, form, self._findings)
        }
        bound = None
        text = text_of(one.keys.get(form.bound), self._findings, f"`{form.bound}`")
        if form.bound and text is not None:
            bound = self._check.amounts.time(Closure(text, self._scope, members))
        suffix = f"/{form.bound}" if len(one.forms) > 1 else ""
        return Property(
            name + suffix,
            form.form,
            fill(one.says, members),
            one.source,
            one.hazard,
            one.place,
            **guards,
            bound=bound,
            budget=one.under.faults,
            faults_of=one.under.of,
            applies_to=one.applies_to,
            pack=self._pack.name,
            texts={key: _filled(text, members) for key, text in one.texts.items()},
            needs=needs,
        )

    # -- needs

    def _names_used(self, one: PackProperty, members: Mapping[str, str]) -> set[str]:
        """All names of the pack's scope that a property reads, through terms and observers."""
        closures = [
            Closure(text, self._scope, members)
            for form in one.forms
            for _, _, text in guards_of(one.keys, form, self._findings)
        ]
        names: set[str] = set()
        while closures:
            closure = closures.pop()
            text = self._check.meanings.parsed(closure.scalar)
            if text is None:
                continue
            for _, name in names_in(text, closure):
                if name in names:
                    continue
                names.add(name)
                if name in self._terms:
                    closures.append(self._terms[name].closure)
                elif name in self._observers:
                    closures += _guards_inside(self._observers[name])
        return names

    def _check_needs(self, names: set[str], property_id: str) -> None:
        for name, need in self._needs.items():
            if name not in names:
                continue
            what = f"`{name}`, needed by property `{property_id}` of the pack `{self._pack.name}`"
            sees = [(need.place, need.says or f"`{name}` is needed here")]
            body = self._check.body
            if name in self._missing:
                spot = body.key("terms").spot if "terms" in body else body.spot
                thing = self._check.scope.names.get(name)
                known = [term for term in self._check.terms if term not in self._needs]
                mark = did_you_mean(name, known)
                if thing is not None:
                    mark = f"`{name}` is a machine or sensor; a term is due"
                message = f"the model lacks the term {what}"
                self._findings.add("LX403", spot, message, mark=mark, sees=sees, once_for=name)
                continue
            term = self._check.terms.get(name)
            if need.as_ == "truth" and term is not None and term.reads_sensor:
                spot = self._check.scope.names[name].closure.scalar.spot
                message = f"the term {what} as truth, reads a sensor"
                mark = "say it through the states of the world"
                self._findings.add("LX404", spot, message, mark=mark, sees=sees)

    def _report_unused(self, used: set[str]) -> None:
        if not all(one.forms for one in self._pack.properties):
            return  # a property that can't be read may be the one that uses it
        for need in self._pack.needs:
            if not any(self._needs[name] is need and name in used for name in self._needs):
                if any(known is need for known in self._needs.values()):
                    message = f"no property of the pack uses the need `{need.name}`"
                    self._findings.add("LX409", need.entry.key.spot, message)
        for name, draft in self._observers.items():
            if name not in used:
                message = f"no property of the pack uses the observer `{name}`"
                self._findings.add("LX409", Spot(draft.name.place, len(name)), message)


def _guards_inside(draft: MachineDraft) -> Iterator[Closure]:
    for section in ("transitions", "path", "overrides"):
        node = draft.body.get(section)
        for item in node.items if isinstance(node, Items) else ():
            when = item.get("when") if isinstance(item, Keys) else None
            if isinstance(when, Scalar):
                yield Closure(when, draft.scope, draft.members)
