"""The checked model: frozen data that every reading starts from.

Only ``language.check`` makes these objects, so whoever holds one may rely on what it promises: names
resolve, states exist, times are exact seconds. Numbers of paragraphs are those of
``specs/semantics.md``.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from enum import Enum
from fractions import Fraction

from verifier.diagnostics import Place
from verifier.language.guard import FALSE, TRUE, Guard


class Role(Enum):
    CONTROL = "control"
    EQUIPMENT = "equipment"
    TRAIN = "train"
    ROAD_USER = "road user"
    OPERATOR = "operator"


@dataclass(frozen=True)
class Window:
    """``lo .. hi`` in seconds, ``0 <= lo <= hi``; ``hi`` is None when the window has no end (1.3)."""

    lo: Fraction
    hi: Fraction | None


@dataclass(frozen=True)
class Transition:
    """One transition of a machine, with one source state (1.3).

    ``index`` is its number within the machine; ``when_text`` is the guard as the user wrote it, for
    people; ``place`` is where it stands, also when it came from a part or an overlay.
    """

    machine: str
    index: int
    source: str
    target: str
    when: Guard
    after: Window | None
    held: Window | None
    fault: str | None
    place: Place
    when_text: str = ""
    says: str = ""


@dataclass(frozen=True)
class Machine:
    """A machine; ``states[0]`` is the initial state; ``transitions[i].index == i``. ``sensor`` names the
    sensor whose failures it holds (1.6), if it does."""

    name: str
    role: Role
    states: tuple[str, ...]
    transitions: tuple[Transition, ...]
    place: Place
    says: str = ""
    is_observer: bool = False
    sensor: str = ""

    @property
    def is_control(self) -> bool:
        return self.role is Role.CONTROL


@dataclass(frozen=True)
class Term:
    """A named guard. ``reads_sensor`` tells whether a sensor stands anywhere in its definition."""

    name: str
    guard: Guard
    place: Place
    text: str
    says: str = ""
    reads_sensor: bool = False


@dataclass(frozen=True)
class Sensor:
    """What control sees of the world: ``reads`` when healthy, and the failures it declares. ``guard``
    is what its name stands for, failures included (1.6)."""

    name: str
    reads: Guard
    can_fail: tuple[str, ...]
    place: Place
    text: str
    guard: Guard


@dataclass(frozen=True)
class Parameter:
    """A quantity of the model, for people: ``text`` as written, ``value`` with its unit."""

    name: str
    text: str
    value: str
    place: Place


class Form(Enum):
    """Property forms of ``specs/semantics.md`` section 7, then the built-in ones of section 9."""

    NEVER = "never"
    ALWAYS = "always"
    WHILE = "while"
    WITHIN = "within"
    KEEPS = "keeps"
    ONLY_AFTER = "only_after"
    LASTS_AT_LEAST = "lasts at_least"
    LASTS_AT_MOST = "lasts at_most"
    HAS_HELD = "has_held"
    BETWEEN_AT_LEAST = "between at_least"
    BETWEEN_AT_MOST = "between at_most"
    POSSIBLE = "possible"
    EVENTUALLY = "eventually"
    AMBIGUOUS = "ambiguous"
    DOES_NOT_SETTLE = "does not settle"
    TIME_STOPS = "time stops"
    ORDER_MATTERS = "order matters"
    PULSE = "pulse"
    DEAD = "dead"

    @property
    def is_built_in(self) -> bool:
        return self in BUILT_IN


BUILT_IN = frozenset(
    {
        Form.AMBIGUOUS,
        Form.DOES_NOT_SETTLE,
        Form.TIME_STOPS,
        Form.ORDER_MATTERS,
        Form.PULSE,
        Form.DEAD,
    }
)


@dataclass(frozen=True)
class Property:
    """One property of one model, its terms written out into guards.

    ``p``, ``q``, ``r`` and ``bound`` are P, Q, R and T of section 7 (``always: P`` keeps P in ``p``;
    a form that lacks one leaves the default). A property with both ``at_least`` and ``at_most`` in
    its file becomes two of these, ``id`` ending in ``/at_least`` and ``/at_most``. ``texts`` holds
    the guards as written, by key of the spec file. For ``dead``, ``subject`` names what must be
    alive: ``("state", machine, state)`` or ``("transition", machine, index)``; ``()`` is the whole
    model. ``needs`` names the terms of the model through which the property judges it; each
    must be seen true and false, or the property is vacuous. ``faults_of`` names the classes of faults that
    count among ``budget``, all when empty (4.4).
    """

    id: str
    form: Form
    says: str
    source: str
    hazard: str
    place: Place
    p: Guard = TRUE
    q: Guard = TRUE
    r: Guard = FALSE
    bound: Fraction | None = None
    budget: int = 0
    faults_of: tuple[str, ...] = ()
    applies_to: tuple[str, ...] = ()
    pack: str = ""
    texts: Mapping[str, str] = field(default_factory=dict)
    subject: tuple = ()
    needs: tuple[str, ...] = ()

    def within(self, bound: Fraction) -> Property:
        """What proves an ``eventually`` (12.5): an answer within ``bound`` seconds."""
        if self.form is not Form.EVENTUALLY:
            raise ValueError(f"{self.id} is of the form {self.form.value!r}")
        return replace(self, form=Form.WITHIN, bound=bound)


@dataclass(frozen=True)
class Model:
    """A whole checked model. ``digest`` is of everything that gives it meaning, as hexadecimal SHA-256."""

    crossing: str
    kind: str
    jurisdiction: str
    machines: tuple[Machine, ...]
    terms: Mapping[str, Term]
    sensors: Mapping[str, Sensor]
    parameters: Mapping[str, Parameter]
    groups: Mapping[str, tuple[str, ...]]
    path: str
    digest: str
    says: str = ""
    files: tuple[str, ...] = ()

    def machine(self, name: str) -> Machine:
        return self._by_name()[name]

    def _by_name(self) -> dict[str, Machine]:
        return {machine.name: machine for machine in self.machines}
