"""The things that names stand for, and the scopes in which they are looked up.

A name is looked up in the scope of the file in which it stands: the model, one use of a part, or a
spec pack.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from verifier.diagnostics import Findings, Place
from verifier.language.model import Role
from verifier.language.tree import Scalar


@dataclass(frozen=True, eq=False)
class Closure:
    """Text, the scope in which its names mean something, and the members put for groups."""

    scalar: Scalar
    scope: "Scope"
    members: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, eq=False)
class MachineName:
    """A machine as guards see it; ``name`` is its name in the whole model. ``sensor`` names the sensor
    whose failures it holds, if it does."""

    name: str
    role: Role | None
    states: tuple[str, ...]
    place: Place
    sensor: str = ""


@dataclass(frozen=True, eq=False)
class Definition:
    """A guard with a name: ``kind`` is "term", "sensor" or "need"; ``failure`` the machine that a sensor
    fails by, None when it can't."""

    kind: str
    name: str
    closure: Closure
    place: Place
    says: str = ""
    failure: MachineName | None = None


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
            sees=[(known.place, f"`{name}` is {_declared(known)} here")],
        )
        return False


def _declared(thing: Thing) -> str:
    if isinstance(thing, MachineName) and thing.sensor:
        return "the machine of the failures of a sensor declared"
    return "declared"
