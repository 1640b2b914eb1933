"""The proof of a property for one member of a group, tried for another; or that of a like model for this one.

What holds of the up line mostly holds of the down line for the same reasons, told of the machines of the
down line. So the lemmas of the first proof are renamed; those that hold in the first state remain, and z3 is asked
whether every step keeps them. Where the lines differ, it says no, and the property is decided as if nothing had
been tried.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import cached_property

from verifier.engines.certificate_read import conjuncts
from verifier.engines.lemmas import Lemma, clocks_of
from verifier.language.model import Property
from verifier.semantics.formula import Apart, AtLeast, Formula, In, atoms, map_atoms
from verifier.semantics.system import System
from verifier.semantics.valuation import Valuation, compiled

_MEMBER = re.compile(r"\[([^\]]*)\]")


@dataclass(frozen=True)
class Proof:
    """The lemmas by which a property was proved; those without ``watched`` speak of the model alone, and lean on no
    others if ``told_apart``."""

    prop: Property
    lemmas: tuple[Formula, ...]
    watched: tuple[Formula, ...]
    told_apart: bool = True

    @classmethod
    def of(cls, prop: Property, lemmas: Sequence[Lemma], base: System) -> Proof:
        return cls(
            prop,
            tuple(lemma.formula for lemma in lemmas if lemma.system is base),
            tuple(lemma.formula for lemma in lemmas if lemma.system is not base),
        )

    @classmethod
    def read(cls, prop: Property, invariant: str, base: System) -> Proof | None:
        """The proof with the certificate ``invariant``, for the model of ``base`` or a like one; None where it is not
        made of lemmas."""
        try:
            formulas = conjuncts(invariant)
        except ValueError:
            return None
        watched = [_speaks_of_watch(formula, base) for formula in formulas]
        return cls(
            prop,
            tuple(formula for formula, of_watch in zip(formulas, watched) if not of_watch),
            tuple(formula for formula, of_watch in zip(formulas, watched) if of_watch),
            told_apart=False,
        )


def _speaks_of_watch(formula: Formula, base: System) -> bool:
    """Or of what this model has not: of no use for other properties either."""
    return any(
        atom.register not in base.registers if isinstance(atom, In) else not clocks_of(atom) <= base.clocks.keys()
        for atom in atoms(formula)
    )


@dataclass(frozen=True)
class Guesses:
    """Formulas that may hold in every reachable state: a source of lemmas like an exploration."""

    formulas: tuple[Formula, ...]
    of_model_alone: bool

    @cached_property
    def _tests(self) -> list[tuple[Formula, Callable[[Valuation], bool]]]:
        return [(formula, compiled(formula)) for formula in self.formulas]

    @classmethod
    def at_first(cls, formulas: Sequence[Formula], system: System, of_model_alone: bool) -> Guesses:
        """Those of ``formulas`` that hold in the first state: of steps alone z3 is asked later."""
        first = _state(system.initial, dict.fromkeys(system.clocks, Fraction(0)))
        return cls(tuple(f for f in formulas if compiled(f)(first)), of_model_alone)

    def is_of(self, base: System) -> bool:
        return self.of_model_alone

    def reason(
        self, diagrams: object, location: Mapping[str, str], times: Mapping[str, Fraction]
    ) -> Formula | None:
        """The first formula that the given state does not satisfy."""
        state = _state(location, times)
        return next((formula for formula, holds in self._tests if not holds(state)), None)


def _state(registers: Mapping[str, str], clocks: Mapping[str, Fraction]) -> Valuation:
    return Valuation(registers, clocks, {}, {}, Fraction(0), frozenset())


def guesses(proofs: Sequence[Proof], prop: Property, system: System) -> Iterator[list[Guesses]]:
    """What the proof of ``prop`` itself, of a like model, or that for another member says of this, each to be tried
    alone; nothing where there is none."""
    for proof in sorted(proofs, key=lambda proof: proof.prop.id != prop.id):
        swap = names_swapped(proof.prop, prop)
        if swap is None:
            continue
        try:
            of_model, of_watch = ([_renamed(f, swap, system) for f in some] for some in (proof.lemmas, proof.watched))
        except KeyError:
            continue
        yield [Guesses.at_first(of_model, system, True), Guesses.at_first(of_watch, system, False)]
        if of_model and of_watch and not proof.told_apart:
            yield [Guesses.at_first([*of_model, *of_watch], system, False)]
        return


def clocks_together(sources: Iterable[Guesses]) -> list[frozenset[str]]:
    """The clocks that lemmas on the model alone compare, the largest sets of those of one lemma."""
    found = {clocks_of(formula) for source in sources if source.of_model_alone for formula in source.formulas}
    largest = (clocks for clocks in found if clocks and not any(clocks < more for more in found))
    return sorted(largest, key=sorted)


def names_swapped(one: Property, other: Property) -> Callable[[str], str] | None:
    """Names that speak of the member of ``one`` as those that speak of the member of ``other``, and the other
    way round, or as they are; None when the two are not one property."""
    if (one.form, one.pack, one.id) == (other.form, other.pack, other.id):
        return lambda name: name
    if (one.form, one.pack, _MEMBER.sub("", one.id)) != (other.form, other.pack, _MEMBER.sub("", other.id)):
        return None
    mine, yours = _MEMBER.search(one.id), _MEMBER.search(other.id)
    if mine is None or yours is None or mine[1] == yours[1]:
        return None
    return members_swapped(mine[1], yours[1])


def members_swapped(one: str, other: str) -> Callable[[str], str]:
    """Names that speak of the member ``one`` of a group as those that speak of ``other``, and the other way round."""
    both = {one: other, other: one}
    word = re.compile(rf"(?<![A-Za-z0-9])({'|'.join(map(re.escape, both))})(?![A-Za-z0-9])")
    return lambda name: word.sub(lambda found: both[found[0]], name)


def _renamed(formula: Formula, swap: Callable[[str], str], system: System) -> Formula:
    """Raises ``KeyError`` where ``system`` has nothing of the new name."""

    def change(atom: Formula) -> Formula:
        if isinstance(atom, In):
            register = swap(atom.register)
            if not atom.values.issubset(system.registers[register]):
                raise KeyError(register)
            return replace(atom, register=register)
        if isinstance(atom, AtLeast):
            return replace(atom, clock=system.clocks[swap(atom.clock)].name)
        if isinstance(atom, Apart):
            left, right = (system.clocks[swap(clock)].name for clock in (atom.left, atom.right))
            return replace(atom, left=left, right=right)
        return atom

    return map_atoms(formula, change)
