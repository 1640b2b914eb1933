"""A model file's tree to a checked ``Model``, reporting every error on the way."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass

from verifier.diagnostics import Findings, did_you_mean
from verifier.language.amounts import Amounts
from verifier.language.drafts import Draft, MachineDraft, SensorDraft
from verifier.language.failures import as_control_has_it, failure_machine
from verifier.language.guard import And, Const, Guard, Is, Not
from verifier.language.kinds import JURISDICTIONS, KINDS, WITHOUT_LOGIC
from verifier.language.machines import MachineWriter
from verifier.language.model import Machine, Model, Parameter, Property, Sensor, Term, Window
from verifier.language.names import Amount, Broken, Closure, Definition, Scope
from verifier.language.parts import Parts
from verifier.language.resolve import Meanings
from verifier.language.shape import (
    check_format,
    good_name,
    keys_of,
    list_of,
    mapping_of,
    placeholders,
    says_of,
    text_of,
)
from verifier.language.starting import left_open
from verifier.language.tree import Node, Scalar
from verifier.language.units import AlreadyReported, show

MODEL_KEYS = ("says", "specs", "groups", "parameters", "parts", "terms", "sensors", "machines")


@dataclass(frozen=True)
class Header:
    """The few lines at the head of a model that say what it is; "" after a diagnostic."""

    crossing: str
    kind: str
    jurisdiction: str
    says: str


class ModelCheck:
    """One model being checked. ``packs`` adds its observers before ``model`` is asked for."""

    def __init__(self, root: Node, path: str, findings: Findings):
        self.findings = findings
        self.path = path
        self.meanings = Meanings(findings)
        self.amounts = Amounts(findings)
        self.body = keys_of(
            root,
            findings,
            "a model",
            must=("format", "crossing", "kind", "jurisdiction"),
            may=MODEL_KEYS,
        )
        check_format(self.body, findings)
        self.header = self._header()
        self.groups = self._groups()
        self.scope = Scope("the model", self.groups)
        self.draft = Draft(findings)
        self._declare_parameters()
        Parts(self.draft).enter(self.body, self.scope)
        self.draft.files.insert(0, path)
        self.terms = {d.name: self._term(d) for d in self.draft.terms}
        self.sensors: dict[str, Sensor] = {}
        failures: list[Machine] = []
        for sensor in self.draft.sensors:
            self._sensor(sensor, failures)
        self._check_needs()
        self.parameters = self._parameters()
        self._machines = self._write(self.draft.machines) + failures

    def _header(self) -> Header:
        findings, body = self.findings, self.body
        crossing = text_of(body.get("crossing"), findings, "`crossing`")
        if crossing is not None and left_open(crossing.text) is not None:
            message = "the name of the crossing is to be filled in"
            findings.add("LX224", crossing.spot, message, mark="any name is due here")
        kind = one_of(body.get("kind"), findings, "kind", KINDS)
        if kind in WITHOUT_LOGIC:
            findings.add(
                "LX315",
                body.get("kind").spot,
                "a bridge or underpass has no control logic, so there is nothing to check",
                mark="road and railway do not meet here",
                try_next="giving the kind of a crossing at one level; "
                "`strikein list` shows the kinds and what is checked of each",
            )
            kind = ""
        jurisdiction = one_of(body.get("jurisdiction"), findings, "jurisdiction", JURISDICTIONS)
        return Header(crossing.text if crossing else "", kind, jurisdiction, says_of(body, findings))

    def _groups(self) -> dict[str, tuple[str, ...]]:
        groups: dict[str, tuple[str, ...]] = {}
        for entry in mapping_of(self.body.get("groups"), self.findings, "`groups`"):
            if not plain_name(entry.key, self.findings, "a group"):
                continue
            members: list[str] = []
            for item in list_of(entry.value, self.findings, f"group `{entry.key.text}`"):
                member = text_of(item, self.findings, "a member of a group")
                if member is None or not _is_member(member, self.findings):
                    continue
                if member.text in members:
                    message = f"`{member.text}` stands twice in group `{entry.key.text}`"
                    self.findings.add("LX310", member.spot, message)
                else:
                    members.append(member.text)
            groups[entry.key.text] = tuple(members)
        return groups

    def _declare_parameters(self) -> None:
        declare_amounts(self.body.get("parameters"), self.scope, self.findings)

    def _parameters(self) -> dict[str, Parameter]:
        parameters = {}
        for name, amount in self.scope.amounts.items():
            if not isinstance(amount, Amount):
                continue
            try:
                value = show(self.amounts.of(amount))
            except AlreadyReported:
                continue
            text = amount.closure.scalar.text
            parameters[name] = Parameter(name, text, value, amount.place)
        return parameters

    def _check_needs(self) -> None:
        """What is set for a need is checked even when the part makes no use of it."""
        for need in self.draft.needs:
            if isinstance(need, Definition):
                self.meanings.of_definition(need)
                continue
            try:
                self.amounts.of(need)
            except AlreadyReported:
                continue

    def _term(self, definition: Definition) -> Term:
        meaning = self.meanings.of_definition(definition)
        text = definition.closure.scalar.text
        return Term(
            definition.name,
            meaning.guard,
            definition.place,
            text,
            definition.says,
            meaning.reads_sensor,
        )

    def _sensor(self, sensor: SensorDraft, failures: list[Machine]) -> None:
        """Add the sensor, and the machine of its failures to ``failures`` (1.6)."""
        definition, can_fail = sensor.definition, sensor.can_fail
        name, failure = definition.name, definition.failure
        reads = said = self.meanings.of_definition(definition)
        text = definition.closure.scalar.text
        if failure is not None:
            said = as_control_has_it(reads, failure)
            failures.append(failure_machine(failure, reads, can_fail, text, self.amounts.window))
        kinds = tuple(one.kind for one in can_fail)
        self.sensors[name] = Sensor(name, reads.guard, kinds, definition.place, text, said.guard)

    def _write(self, drafts: list[MachineDraft]) -> list[Machine]:
        names = {draft.name.name: draft.name for draft in self.draft.machines}
        failing = (sensor.definition.failure for sensor in self.draft.sensors)
        names |= {failure.name: failure for failure in failing if failure is not None}
        writer = MachineWriter(self.findings, self.meanings, self.amounts, names)
        return [writer.write(draft) for draft in drafts]

    # -- for packs

    def add_observers(self, drafts: list[MachineDraft]) -> None:
        """Append the observers of a pack."""
        self._machines += self._write(drafts)

    def add_term(self, definition: Definition) -> None:
        """Append a term of a pack, under the name it has in the whole model."""
        self.terms[definition.name] = self._term(definition)

    def model(self, files: tuple[str, ...]) -> Model:
        """The checked model; to be used only when ``findings`` is empty."""
        machines = tuple(self._machines)
        return Model(
            self.header.crossing,
            self.header.kind,
            self.header.jurisdiction,
            machines,
            self.terms,
            self.sensors,
            self.parameters,
            self.groups,
            self.path,
            _digest(self.header, machines, self.terms, self.sensors),
            self.header.says,
            files,
        )


def one_of(node: Node | None, findings: Findings, what: str, table: Mapping[str, str]) -> str:
    """The text of ``node`` when it is a code of ``table``, else "" (with LX223 if there is text)."""
    text = text_of(node, findings, f"`{what}`")
    if text is None:
        return ""
    if text.text in table:
        return text.text
    mark = did_you_mean(text.text, table) or f"known: {', '.join(table)}"
    findings.add("LX223", text.spot, f"there is no {what} `{text.text}`", mark=mark)
    return ""


def plain_name(name: Scalar, findings: Findings, what: str) -> bool:
    """As ``good_name``, and without a group in braces."""
    if not good_name(name, findings, what):
        return False
    if placeholders(name.text):
        findings.add("LX206", name.spot, f"`{name.text}` can't name {what}")
        return False
    return True


def _is_member(member: Scalar, findings: Findings) -> bool:
    # A member is only ever a piece of a name, so it may begin with a digit ("line_{track}").
    if all(char.isascii() and (char.isalnum() or char == "_") for char in member.text):
        return True
    findings.add("LX206", member.spot, f"`{member.text}` can't name a member of a group")
    return False


def declare_amounts(node: Node | None, scope: Scope, findings: Findings) -> None:
    """Declare the quantities of a ``parameters`` section in ``scope``."""
    for entry in mapping_of(node, findings, "`parameters`"):
        if not plain_name(entry.key, findings, "a parameter"):
            continue
        text = text_of(entry.value, findings, f"parameter `{entry.key.text}`")
        if text is None:
            scope.amounts[entry.key.text] = Broken(entry.key.place)
            continue
        closure = Closure(text, scope)
        name = entry.key.text
        scope.amounts[name] = Amount("parameter", name, closure, entry.key.place)


def _digest(
    header: Header,
    machines: tuple[Machine, ...],
    terms: Mapping[str, Term],
    sensors: Mapping[str, Sensor],
) -> str:
    """SHA-256 over everything that gives the model its meaning: no places, no sentences."""
    lines = [f"kind {header.kind} {header.jurisdiction}"]
    for machine in machines:
        lines.append(f"machine {machine.name}: {machine.role.value} {machine.is_observer}")
        lines.append(f"  states {' '.join(machine.states)}")
        lines += [
            f"  {t.source} -> {t.target} when {guard_text(t.when)} after {_window_text(t.after)} "
            f"held {_window_text(t.held)} fault {t.fault or '-'}"
            for t in machine.transitions
        ]
    lines += [f"term {name}: {guard_text(term.guard)}" for name, term in sorted(terms.items())]
    lines += [
        f"sensor {name}: {guard_text(s.reads)} fails {', '.join(sorted(s.can_fail))}"
        for name, s in sorted(sensors.items())
    ]
    return hashlib.sha256("\n".join(lines).encode()).hexdigest()


def guard_text(guard: Guard) -> str:
    """One text for one guard, with all brackets."""
    if isinstance(guard, Const):
        return "true" if guard.value else "false"
    if isinstance(guard, Is):
        return f"{guard.machine} is {'|'.join(sorted(guard.states))}"
    if isinstance(guard, Not):
        return f"not ({guard_text(guard.part)})"
    word = " and " if isinstance(guard, And) else " or "
    return f"({word.join(guard_text(part) for part in guard.parts)})"


def property_text(prop: Property) -> str:
    """One text for all that is asked by ``prop``, the same in every run of the program: what is kept of one answer
    is kept under it. Its budget and classes of faults are not among it."""
    guards = " / ".join(guard_text(guard) for guard in (prop.p, prop.q, prop.r))
    return f"{prop.id} {prop.form.value} {guards} {prop.bound} {prop.subject} needs {' '.join(prop.needs)}"


def _window_text(window: Window | None) -> str:
    if window is None:
        return "-"
    return f"{window.lo}..{'' if window.hi is None else window.hi}"
