"""Design errors to plant in the control logic: one change each, of the sort an engineer makes.

Each changes what one line of the model says, in every machine that the line makes (a part used for each
track, a list of states to leave from). Observers belong to the specification and are left alone.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from enum import Enum
from fractions import Fraction
from itertools import combinations

from verifier.diagnostics import Place
from verifier.language.guard import FALSE, TRUE, And, Guard, Is, Not, Or, machines_read
from verifier.language.model import Machine, Model, Role, Transition, Window

STEP_S = Fraction(1)

Key = tuple[str, int]
# Where a part stands in a guard: the number to take at each node on the way down.
Path = tuple[int, ...]


class Error(Enum):
    """What kind of mistake a plant is."""

    LEFT_OUT = "condition left out"
    REVERSED = "condition reversed"
    ADDED = "condition added"
    SHORTER = "timer shorter"
    LONGER = "timer longer"
    ELSEWHERE = "goes to another state"
    REMOVED = "transition left out"
    EXCHANGED = "two machines exchanged"


@dataclass(frozen=True)
class Plant:
    """One change. ``changed`` holds each transition that differs, None where it is gone; ``part`` is the
    condition left out, reversed or added; ``detail`` the new time, state or pair of machines, for people."""

    id: str
    error: Error
    place: Place
    changed: Mapping[Key, Transition | None] = field(repr=False)
    part: Guard | None = field(default=None, repr=False)
    detail: str = ""

    @property
    def machines(self) -> tuple[str, ...]:
        return tuple(sorted({machine for machine, _ in self.changed}))

    def planted_in(self, model: Model) -> Model:
        machines = tuple(self._changed(machine) for machine in model.machines)
        digest = hashlib.sha256(f"{model.digest} {self.id}".encode()).hexdigest()
        return replace(model, machines=machines, digest=digest)

    def _changed(self, machine: Machine) -> Machine:
        """Renumbered where a transition is gone."""
        kept = [self.changed.get((t.machine, t.index), t) for t in machine.transitions]
        left = [t for t in kept if t is not None]
        numbered = tuple(replace(t, index=i) for i, t in enumerate(left))
        return replace(machine, transitions=numbered)


def plants(model: Model, step_s: Fraction = STEP_S) -> tuple[Plant, ...]:
    """Every plant, in the order of the model's lines; no two make the same model."""
    made = _Maker(model, step_s)
    found: list[Plant] = []
    seen: set[tuple] = set()
    for error, place, changed, part, detail in made.all():
        sort = tuple((key, _meaning(t)) for key, t in sorted(changed.items()))
        if not sort or sort in seen:
            continue
        seen.add(sort)
        found.append(Plant(f"{len(found) + 1:03d}", error, place, changed, part, detail))
    return tuple(found)


def _meaning(t: Transition | None) -> tuple | None:
    return None if t is None else (t.source, t.target, t.when, t.after, t.held)


Made = tuple[Error, Place, dict[Key, Transition | None], Guard | None, str]


class _Maker:
    def __init__(self, model: Model, step_s: Fraction):
        self.step_s = step_s
        named = [term.guard for term in model.terms.values()]
        named += [sensor.guard for sensor in model.sensors.values()]
        # Nobody writes what stands for a sensor that can fail, so nobody errs in it.
        self.whole = {sensor.guard for sensor in model.sensors.values() if sensor.can_fail}
        self.named = {guard for guard in named if not isinstance(guard, Is)}
        # In the order of the model, so that plants have the same numbers in every process.
        pieces = [guard for guard in dict.fromkeys(named) if isinstance(guard, And | Or)]
        self.pieces = sorted(pieces, key=lambda guard: -len(guard.parts))
        self.model = replace(model, machines=tuple(self._as_written(machine) for machine in model.machines))
        self.control = [m for m in self.model.machines if m.is_control and not m.is_observer]

    def _as_written(self, machine: Machine) -> Machine:
        """With what has a name in one piece in the guards, as whoever errs in that line has it before him."""
        ways = (replace(t, when=self._in_pieces(t.when)) for t in machine.transitions)
        return replace(machine, transitions=tuple(ways))

    def _in_pieces(self, guard: Guard) -> Guard:
        if guard in self.named:
            return guard
        guard = _mapped(guard, self._in_pieces)
        for piece in self.pieces:
            guard = _with_piece(guard, piece)
        return guard

    def all(self) -> Iterator[Made]:
        for line in self._lines():
            yield from self._of_line(line)
        yield from self._of_terms()
        yield from self._of_pairs()

    def _lines(self) -> list[list[Transition]]:
        """Transitions of control that one line of the model makes."""
        lines: dict[tuple, list[Transition]] = {}
        for machine in self.control:
            for t in machine.transitions:
                at = (t.place.file, t.place.line, t.place.column, machine.states, t.target)
                lines.setdefault(at, []).append(t)
        return sorted(lines.values(), key=lambda line: _reading_order(line[0].place))

    # -- one line

    def _of_line(self, line: list[Transition]) -> Iterator[Made]:
        place, first = line[0].place, line[0]
        for path in self._parts(first.when):
            part = _at(first.when, path)
            if path:
                yield self._made(Error.LEFT_OUT, line, lambda t: _without(t, path), part)
            if not isinstance(part, And | Or) or part in self.named:
                yield self._made(Error.REVERSED, line, lambda t: _reversed(t, path), part)
        extra = self._another_condition(first)
        if extra is not None:
            yield self._made(Error.ADDED, line, lambda t: _with_also(t, extra), extra)
        for name in ("after", "held"):
            yield from self._of_timer(line, name)
        for state in self._machine(first).states:
            if state not in {first.target, *(t.source for t in line)}:
                elsewhere = {(t.machine, t.index): replace(t, target=state) for t in line}
                yield Error.ELSEWHERE, place, elsewhere, None, state
        yield Error.REMOVED, place, {(t.machine, t.index): None for t in line}, None, ""

    def _machine(self, t: Transition) -> Machine:
        return self.model.machine(t.machine)

    def _made(
        self,
        error: Error,
        line: list[Transition],
        change: Callable[[Transition], Transition | None],
        part: Guard,
    ) -> Made:
        changed = {(t.machine, t.index): new for t in line if (new := change(t)) is not None}
        return error, line[0].place, changed, part, ""

    def _parts(self, guard: Guard, path: Path = ()) -> Iterator[Path]:
        """The parts one may forget or turn round, the guard itself first. What has a name is one part."""
        if guard not in (TRUE, FALSE):
            yield path
        is_open = guard not in self.whole and (guard not in self.named or not path)
        if isinstance(guard, And | Or) and is_open:
            for number, part in enumerate(guard.parts):
                yield from self._parts(part, (*path, number))

    def _conditions(self, guard: Guard) -> Iterable[Guard]:
        return (guard,) if guard in self.whole else _conjuncts(guard)

    def _another_condition(self, t: Transition) -> Guard | None:
        """The first condition of another transition of the machine that this one does without."""
        own = set(self._conditions(t.when))
        for other in self._machine(t).transitions:
            for part in self._conditions(other.when):
                if other.index != t.index and part not in own | {TRUE} and _inverse(part) not in own:
                    return part
        return None

    def _of_timer(self, line: list[Transition], name: str) -> Iterator[Made]:
        window: Window | None = getattr(line[0], name)
        if window is None or window.lo == 0:
            return
        step = self.step_s if window.lo > self.step_s else window.lo / 2
        for error, new in ((Error.SHORTER, window.lo - step), (Error.LONGER, window.lo + step)):
            other = Window(new, new)
            changed = {(t.machine, t.index): replace(t, **{name: other}) for t in line}
            yield error, line[0].place, changed, None, f"{name} {_text(window.lo)} -> {_text(new)}"

    # -- definitions and wiring

    def _of_terms(self) -> Iterator[Made]:
        """A condition missing from the definition of a term, wherever control uses it."""
        for name, term in sorted(self.model.terms.items()):
            for path in self._parts(term.guard):
                if not path:
                    continue
                less = _dropped(term.guard, path)
                changed = self._everywhere(lambda g, old=term.guard, new=less: _exchange(g, old, new))
                yield Error.LEFT_OUT, term.place, changed, _at(term.guard, path), f"in `{name}`"

    def _of_pairs(self) -> Iterator[Made]:
        """Two alike pieces of equipment taken for each other throughout the logic."""
        read = frozenset().union(*(machines_read(t.when) for m in self.control for t in m.transitions))
        equipment = [
            m
            for m in self.model.machines
            if m.role is Role.EQUIPMENT and m.name in read and not m.sensor
        ]
        for one, other in combinations(equipment, 2):
            if one.states == other.states:
                swap = {one.name: other.name, other.name: one.name}
                changed = self._everywhere(lambda g, swap=swap: renamed(g, swap))
                yield Error.EXCHANGED, one.place, changed, None, f"{one.name} and {other.name}"

    def _everywhere(self, change: Callable[[Guard], Guard]) -> dict[Key, Transition | None]:
        return {
            (t.machine, t.index): replace(t, when=new)
            for machine in self.control
            for t in machine.transitions
            if (new := change(t.when)) != t.when
        }


def _reading_order(place: Place) -> tuple:
    return place.file, place.line, place.column


def _text(seconds: Fraction) -> str:
    return f"{float(seconds):g} s"


# -- guards, changed at one part


def _conjuncts(guard: Guard) -> Iterable[Guard]:
    return guard.parts if isinstance(guard, And) else (guard,)


def _inverse(guard: Guard) -> Guard:
    return guard.part if isinstance(guard, Not) else Not(guard)


def _at(guard: Guard, path: Path) -> Guard | None:
    """The part there; None where a guard of the same line has none."""
    for number in path:
        if not isinstance(guard, And | Or) or number >= len(guard.parts):
            return None
        guard = guard.parts[number]
    return guard


def _put(guard: Guard, path: Path, change: Callable[[Guard], Guard | None]) -> Guard:
    """With the part at ``path`` changed, or gone where ``change`` says None."""
    if not path:
        return change(guard) or TRUE
    assert isinstance(guard, And | Or)
    number, *rest = path
    if not rest and change(guard.parts[number]) is None:
        left = guard.parts[:number] + guard.parts[number + 1 :]
        return left[0] if len(left) == 1 else type(guard)(left)
    parts = list(guard.parts)
    parts[number] = _put(parts[number], tuple(rest), change)
    return type(guard)(tuple(parts))


def _dropped(guard: Guard, path: Path) -> Guard:
    return _put(guard, path, lambda _part: None)


def _without(t: Transition, path: Path) -> Transition | None:
    return None if _at(t.when, path) is None else replace(t, when=_dropped(t.when, path))


def _reversed(t: Transition, path: Path) -> Transition | None:
    return None if _at(t.when, path) is None else replace(t, when=_put(t.when, path, _inverse))


def _with_also(t: Transition, extra: Guard) -> Transition:
    return replace(t, when=And((*_conjuncts(t.when), extra)) if t.when != TRUE else extra)


def _with_piece(guard: Guard, piece: And | Or) -> Guard:
    """With ``piece`` as one part, where its parts stand one after another among others."""
    n_parts = len(piece.parts)
    if type(guard) is not type(piece) or n_parts >= len(guard.parts):
        return guard
    for first in range(len(guard.parts) - n_parts + 1):
        if guard.parts[first : first + n_parts] == piece.parts:
            return type(guard)((*guard.parts[:first], piece, *guard.parts[first + n_parts :]))
    return guard


def _exchange(guard: Guard, old: Guard, new: Guard) -> Guard:
    if guard == old:
        return new
    return _mapped(guard, lambda part: _exchange(part, old, new))


def renamed(guard: Guard, names: Mapping[str, str]) -> Guard:
    if isinstance(guard, Is):
        return Is(names.get(guard.machine, guard.machine), guard.states)
    return _mapped(guard, lambda part: renamed(part, names))


def _mapped(guard: Guard, change: Callable[[Guard], Guard]) -> Guard:
    if isinstance(guard, Not):
        return Not(change(guard.part))
    if isinstance(guard, And | Or):
        return type(guard)(tuple(change(part) for part in guard.parts))
    return guard
