"""Who may see what (``specs/format.md`` section 1).

Control sees control and equipment directly and all else through sensors; an operator goes by what
it lists; the rest of the world is free.
"""

from __future__ import annotations

from collections.abc import Mapping

from verifier.diagnostics import Findings, did_you_mean
from verifier.language.drafts import MachineDraft
from verifier.language.meaning import Meaning
from verifier.language.model import Role
from verifier.language.names import Closure, Definition, MachineName, Thing
from verifier.language.resolve import names_in
from verifier.language.shape import fill, list_of, placeholders, text_of
from verifier.language.syntax import GuardText
from verifier.language.tree import Scalar


class Sight:
    """Checks guards against the role of their machine."""

    def __init__(self, findings: Findings, machines: Mapping[str, MachineName]):
        self._findings = findings
        self._machines = machines  # by their name in the whole model

    def check_control(self, draft: MachineDraft, meaning: Meaning) -> None:
        """Report machines that a guard of control names without a sensor (LX301)."""
        for name, uses in meaning.direct.items():
            machine = self._machines.get(name)
            role = machine.role if machine else None
            sensor = machine.sensor if machine else ""
            if role in (Role.CONTROL, Role.EQUIPMENT, None) and not sensor:
                continue
            scalar, word = uses[0]
            what = f"how the sensor `{sensor}` fails" if sensor else f"of role {role.value}"
            sees = [(machine.place, f"`{name}` is {what}")]
            if len(uses) > 1:
                inner = uses[-1][0].spot_at(uses[-1][1].at, 1).place
                sees.insert(0, (inner, f"`{name}` is named here"))
            self._findings.add(
                "LX301",
                scalar.spot_at(word.at, len(word.text)),
                f"control machine `{draft.name.name}` sees `{name}` without a sensor",
                mark="a sensor does not tell that it has failed"
                if sensor
                else f"this reads a machine of role {role.value}",
                sees=sees,
                try_next="a sensor that reads it, and its name here",
            )

    def seen_by(self, draft: MachineDraft) -> frozenset[Thing] | None:
        """What an operator's guards may name; None for other roles."""
        node = draft.body.get("sees")
        is_operator = draft.name.role is Role.OPERATOR
        if node is not None and not is_operator and draft.name.role is not None:
            spot = draft.body.key("sees").spot
            self._findings.add("LX304", spot, "only an operator has `sees`")
            return None
        if not is_operator:
            return None
        if node is None:
            message = f"operator `{draft.name.name}` lacks `sees`"
            self._findings.add("LX304", draft.body.spot, message)
            return None
        seen: set[Thing] = set()
        for item in list_of(node, self._findings, "`sees`"):
            text = text_of(item, self._findings, "a name in `sees`")
            if text is not None:
                seen |= self._seen_things(text, draft)
        return frozenset(seen)

    def _seen_things(self, text: Scalar, draft: MachineDraft) -> set[Thing]:
        filled = [fill(text.text, draft.members)]
        for group in placeholders(filled[0]):
            members = draft.scope.groups.get(group, ())
            filled = [fill(name, {group: member}) for name in filled for member in members]
        seen = set()
        for name in filled:
            thing = draft.scope.look_up(name)
            if thing is not None:
                seen.add(thing)
            else:
                self._findings.add(
                    "LX201",
                    text.spot,
                    f"there is no machine, term or sensor `{name}` in {draft.scope.title}",
                    mark=did_you_mean(name, draft.scope.names),
                )
        return seen

    def check_operator(
        self, draft: MachineDraft, parsed: GuardText, closure: Closure, seen: frozenset[Thing]
    ) -> None:
        """Report names in a guard of an operator that it does not see (LX305)."""
        for word, name in names_in(parsed, closure):
            thing = closure.scope.names.get(name)
            if thing in seen or not isinstance(thing, Definition | MachineName):
                continue
            if isinstance(thing, MachineName) and thing is draft.name:
                continue
            self._findings.add(
                "LX305",
                closure.scalar.spot_at(word.at, len(word.text)),
                f"operator `{draft.name.name}` does not see `{name}`",
                sees=[(draft.body.key("sees").place, "what it sees is listed here")],
                try_next=f"adding `{name}` to `sees`, if the operator can see it",
            )
