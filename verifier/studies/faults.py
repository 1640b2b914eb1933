"""The smallest sets of faults that break a property.

A set breaks a property if some run does in which only its faults happen, any of them again and again, but no
more than N times in all. A larger set can do all that a smaller one can, so it is enough to know the smallest.
``fault_search`` tells what to ask; here it is asked.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import combinations

from verifier.engines.mirror import Proof, members_swapped
from verifier.evidence.pipeline import FOUNDATIONS, stem, verify
from verifier.evidence.result import ReplayedTrace, Result
from verifier.evidence.shared import Limits
from verifier.evidence.verdicts import NONE_SHORTER, Bench
from verifier.language.granting import class_of, with_faults
from verifier.language.load import built_in_properties
from verifier.language.model import Form, Model, Property
from verifier.semantics.concrete import Concrete
from verifier.semantics.run import Gap
from verifier.studies.fault_search import HELD, Faults, Undecided, enumerate_sets
from verifier.studies.fault_walks import fault_names, happened_upon, mirrored, spent_by, varied
from verifier.studies.processes import ENDED, answers

Progress = Callable[[str, str], None]

# How far to look for a shorter run than a random one: a second or two where few faults are allowed.
GLIMPSES = 100_000

# Benches kept at once: each holds some 100 MB, and a study of pairs asks hundreds of questions.
MOST_BENCHES = 6


@dataclass(frozen=True)
class FaultSet:
    """A smallest set, with a run in which nothing outside it happens and which breaks the property; mostly one
    of the fewest steps."""

    faults: tuple[str, ...]
    trace: ReplayedTrace = field(repr=False)
    is_shortest: bool


@dataclass(frozen=True)
class Found:
    """All about one property. ``asked`` counts the questions that were put to the engines; ``untested`` says
    why no fault puts it to the test, "" when one does."""

    property: Property
    order: int
    sets: tuple[FaultSet, ...]
    undecided: tuple[Undecided, ...]
    asked: int
    seconds: float = field(default=0.0, compare=False)
    untested: str = ""

    @property
    def holds(self) -> bool:
        return not self.sets and not self.undecided


def faults_of(model: Model) -> dict[str, str]:
    """Each fault with its class (``specs/semantics.md`` 4.4); where it befalls several machines that of the first."""
    found: dict[str, str] = {}
    for machine in model.machines:
        for t in machine.transitions:
            if t.fault is not None:
                found.setdefault(t.fault, class_of(machine))
    return dict(sorted(found.items()))


def judged_by_faults(properties: Iterable[Property]) -> tuple[Property, ...]:
    """Those that a fault can break: not whether everything is alive, and not what must be possible."""
    return tuple(p for p in properties if p.form not in (Form.DEAD, Form.POSSIBLE))


def smallest_sets(
    model: Model, properties: Sequence[Property], order: int, limits: Limits, jobs: int, progress: Progress
) -> Iterator[Found]:
    """For each property, as they come. First all are asked with all faults at once: most need no more."""
    started = time.monotonic()
    whole = verify(model, properties, replace(limits, budget=order, jobs=jobs), progress)
    lasted = time.monotonic() - started
    grounds = [one for one in (*whole.results, *whole.foundations) if one.property.form in FOUNDATIONS]
    is_grounded = all(one.verdict == "proved" for one in grounds)
    left: list[tuple[Property, Result]] = []
    for result in whole.results:
        if result.verdict == "proved" or result.verdict == "vacuous" and is_grounded:
            untested = result.reason if result.verdict == "vacuous" else ""
            yield Found(result.property, order, (), (), 1, lasted, untested)
        else:
            left.append((result.property, result))
    if not left:
        return
    given = (model, order, limits, is_grounded)
    seen = _seen(jobs, given, [prop for prop, _ in left])
    number = 0
    for (family, _), answer in answers(jobs, _set, given, _sets_of, [(one, seen) for one in _families(left)]):
        for found in answer or [_ended(prop, model, order) for prop, _ in family]:
            number += 1
            progress(found.property.id, f"{number} of {len(left)} that some faults may break")
            yield found


Asked = tuple[Property, Result]
Seen = dict[Faults, ReplayedTrace]


def _families(asked: Sequence[Asked]) -> list[list[Asked]]:
    """What differs only in the member of a group or the side of a bound is asked in one process, one after another:
    the proof for one member mostly serves the others."""
    families: dict[str, list[Asked]] = {}
    for prop, first in asked:
        families.setdefault(stem(prop), []).append((prop, first))
    return sorted(families.values(), key=lambda family: not any(prop.bound is not None for prop, _ in family))


def _ended(prop: Property, model: Model, order: int) -> Found:
    return Found(prop, order, (), (Undecided(tuple(faults_of(model)), ENDED),), 1)


def _seen(jobs: int, given: tuple, properties: Sequence[Property]) -> dict[str, Seen]:
    """For each property the sets of faults that random runs have happened upon."""
    every = list(faults_of(given[0]))
    asked = [(names, properties) for names in (every, *([name] for name in every))]
    found: dict[str, Seen] = {}
    for _, one in answers(jobs, _set, given, _happened_upon, asked):
        for name, sets in (one or {}).items():
            known = found.setdefault(name, {})
            for faults, trace in sets.items():
                if faults not in known or len(trace.run.steps) < len(known[faults].run.steps):
                    known[faults] = trace
    return found


_asking: _Asking


def _set(model: Model, order: int, limits: Limits, is_grounded: bool) -> None:
    global _asking
    _asking = _Asking(model, order, limits, is_grounded)


def _happened_upon(asked: tuple[Sequence[str], Sequence[Property]]) -> dict[str, Seen]:
    faults, properties = asked
    return happened_upon(_asking.model, properties, faults, _asking.order, _asking.limits.seed)


def _sets_of(asked: tuple[Sequence[Asked], Mapping[str, Seen]]) -> list[Found]:
    """What breaks one member of a family is tried of the next."""
    family, seen = asked
    done: list[Found] = []
    for prop, first in family:
        known = dict(seen.get(prop.id, {}))
        for other in done:
            traces = [one.trace for one in other.sets]
            known |= mirrored(_asking.model, other.property, prop, traces, _asking.order)
        done.append(_asking.found(prop, first, known))
    return done


class _Asking:
    """The questions of one process; the bench of a set of faults is used for all properties, while it is kept."""

    def __init__(self, model: Model, order: int, limits: Limits, is_grounded: bool):
        self.model, self.order, self.limits, self.is_grounded = model, order, limits, is_grounded
        self.benches: dict[Faults, Bench] = {}
        self.grounds: dict[Faults, Result | None] = {}
        self.proofs: list[tuple[int, Proof]] = []
        self.concrete = Concrete(model, order)
        pairs = (two for members in model.groups.values() for two in combinations(members, 2))
        self.swaps = [members_swapped(*two) for two in pairs]

    def found(self, prop: Property, first: Result, seen: Mapping[Faults, ReplayedTrace]) -> Found:
        started = time.monotonic()
        every = frozenset(faults_of(self.model))
        # What is not put to the test is no answer where the foundations fail: it is asked again, with them.
        answers = {} if first.verdict == "vacuous" else {every: first}
        seeds = {faults: trace for faults, trace in seen.items() if not any(other < faults for other in seen)}
        answers |= {faults: self.shown(prop, faults, trace) for faults, trace in seeds.items() if faults != every}

        def ask(faults: Faults) -> Result:
            if faults not in answers:
                answers[faults] = self.answer(prop, faults)
            return answers[faults]

        def spent(one: Result) -> Faults:
            return spent_in(self.model, one)

        def alike(faults: Faults, shown: Result, is_known: Callable[[Faults], bool]) -> dict[Faults, Result]:
            more = varied(self.concrete, prop, faults, _trace(shown), self.swaps, is_known)
            return {faults: self.shown(prop, faults, trace) for faults, trace in more.items()}

        found, undecided = enumerate_sets(every, self.order, ask, spent, seeds, alike)
        short = [(faults, self.shortest(prop, faults, result, answers)) for faults, result in found]
        sets = [
            FaultSet(tuple(sorted(faults)), _trace(result), result.bound.endswith(NONE_SHORTER))
            for faults, result in short
        ]
        sets.sort(key=lambda one: (len(one.faults), one.faults))
        undecided.sort(key=lambda one: (len(one.faults), one.faults))
        lasted = time.monotonic() - started
        return Found(prop, self.order, tuple(sets), tuple(undecided), len(answers) - len(seeds), lasted)

    def answer(self, prop: Property, faults: Faults) -> Result:
        """Nothing counts as proved without its foundations (semantics 9.7); where they are proved with all faults
        they hold with some (4.4)."""
        result = self.judged(prop, faults)
        if result.verdict not in HELD or self.is_grounded or prop.form in FOUNDATIONS:
            return result
        failing = self.failing_ground(faults)
        if failing is None:
            return result
        reason = f"`{failing.property.id}` is {failing.verdict}, and without it nothing counts as proved"
        return replace(result, verdict="undecided", reason=reason, certificate=None, crosscheck=None)

    def shown(self, prop: Property, faults: Faults, trace: ReplayedTrace) -> Result:
        """A violation that a random run has shown."""
        bench = Bench(with_faults(self.model, faults), self.order, self.limits)
        n_steps = len(trace.run.steps)
        method = "a random run with exact times, taken on the concrete machine"
        return bench.make(prop, "violated", trace=trace, method=method, bound=f"{n_steps} steps")

    def shortest(self, prop: Property, faults: Faults, shown: Result, answers: Mapping[Faults, Result]) -> Result:
        """The same with a shortest run: as it is where it is as short as a shortest one with more faults, else where
        a look ahead finds one."""
        least = f"{len(_trace(shown).run.steps)} steps{NONE_SHORTER}"
        if any(faults <= more and one.bound == least for more, one in answers.items()):
            return replace(shown, bound=least)
        found = self.bench(faults).glimpsed(prop, GLIMPSES)
        is_of_them = found is not None and found.verdict == "violated" and spent_in(self.model, found) == faults
        return found if is_of_them else shown

    def judged(self, prop: Property, faults: Faults) -> Result:
        """What has been proved under most faults is tried first: it mostly holds under others."""
        bench = self.bench(faults)
        study = bench.study()
        if isinstance(study, Gap):
            return bench.judged(prop)
        # Among the few faults of a set a shorter run is quickly found (``shortest``).
        study.in_haste = True
        known = [proof for _, proof in sorted(self.proofs, key=lambda one: -one[0])]
        study.proofs[:] = known
        result = bench.judged(prop)
        if result.verdict == "undecided":
            study.in_haste = False
            result = bench.judged(prop)
        self.proofs += [(len(faults), proof) for proof in study.proofs[len(known) :]]
        return result

    def failing_ground(self, faults: Faults) -> Result | None:
        if faults not in self.grounds:
            asked = [p for p in built_in_properties(self.model) if p.form in FOUNDATIONS]
            answers = (self.bench(faults).judged(prop) for prop in asked)
            self.grounds[faults] = next((one for one in answers if one.verdict != "proved"), None)
        return self.grounds[faults]

    def bench(self, faults: Faults) -> Bench:
        """Those used last are kept."""
        if faults not in self.benches:
            budget = self.order if faults else 0
            self.benches[faults] = Bench(with_faults(self.model, faults), budget, self.limits)
        self.benches[faults] = self.benches.pop(faults)
        while len(self.benches) > MOST_BENCHES:
            del self.benches[next(iter(self.benches))]
        return self.benches[faults]


def _trace(result: Result) -> ReplayedTrace:
    assert result.trace is not None, "a violation comes with its run"
    return result.trace


def spent_in(model: Model, result: Result) -> Faults:
    """The faults that the run of a violated property spends."""
    run = _trace(result).run
    return spent_by(fault_names(model), run, len(run.steps))
