"""From a checked model and its properties to verdicts: one straight way.

An engine finds a trace, a certificate or a gap; the trace is replayed, the certificate re-checked by
the second solver and held against concrete runs; only then is there a verdict. Where the readings
differ, ``Disagreement`` leaves here and nothing is said of the property.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

from verifier.engines.built_in import decide_built_in
from verifier.engines.limits import Allowance, OutOfBudget
from verifier.engines.study import Study
from verifier.evidence.crosscheck import (
    all_alive,
    covered_by,
    crosscheck_runs,
    random_runs,
    runs_that_cover,
    witness,
)
from verifier.evidence.judgement import Unjudged
from verifier.evidence.recheck import Refused, recheck_certificate
from verifier.evidence.replay import NotShown, replay_trace
from verifier.evidence.result import (
    CrossCheck,
    Disagreement,
    ModelResult,
    ReplayedTrace,
    Result,
)
from verifier.language.guard import Guard, Not
from verifier.language.load import built_in_properties
from verifier.language.model import Form, Model, Property
from verifier.semantics.concrete import Concrete
from verifier.semantics.run import (
    Certificate,
    Finding,
    Gap,
    Move,
    Run,
    Snapshot,
    Step,
    Trace,
)

Progress = Callable[[str, str], None]

# Nothing else is proved without these (semantics 9.7).
FOUNDATIONS = (Form.AMBIGUOUS, Form.DOES_NOT_SETTLE, Form.TIME_STOPS)
ROWS = (Form.DOES_NOT_SETTLE, Form.TIME_STOPS, Form.ORDER_MATTERS)
TRIGGER_IS_Q = (Form.ONLY_AFTER, Form.HAS_HELD)
WITHOUT_TRIGGER = (Form.NEVER, Form.ALWAYS, Form.POSSIBLE)


@dataclass(frozen=True)
class Limits:
    """What the user allows. ``budget`` None takes each property's own, ``jobs`` None as many
    processes as there are processors; ``time_limit_s`` is for each property, ``memory_limit_mb`` for each
    process; ``runs`` and ``depth`` are those of the cross-check."""

    budget: int | None = None
    jobs: int | None = None
    time_limit_s: float | None = None
    memory_limit_mb: int | None = None
    seed: int = 0
    runs: int = 60
    depth: int = 100


def verify(
    model: Model,
    properties: Sequence[Property],
    limits: Limits = Limits(),
    progress: Progress | None = None,
) -> ModelResult:
    """Verdicts on ``properties``, in their order.

    The foundations (``ambiguous``, ``does not settle``, ``time stops``) are always decided, asked
    for or not, since nothing else counts as proved without them.

    Raises
    ------
    Disagreement
        Two readings of the model differ: a defect of this program.
    """
    started = time.monotonic()
    say = progress or (lambda subject, stage: None)
    families = _families(model, properties, limits)
    say("model", "concrete runs and reachable states without times")
    benches = {budget: _Bench(model, budget, limits) for budget, _ in families}
    for bench in benches.values():
        bench.prepare()
    found: dict[tuple[int, str], Result] = {}
    jobs = min(limits.jobs or os.cpu_count() or 1, len(families))
    with _workers(jobs, benches) as pool:
        say("model", f"{len(families)} groups of properties")
        for number, results in enumerate(pool.imap_unordered(_judge_family, families), start=1):
            found |= {(one.budget, one.property.id): one for one in results}
            say(results[-1].property.id, f"decided, {number} of {len(families)} groups")
    asked = [(_budget(prop, limits), prop) for prop in properties]
    return ModelResult(
        model,
        tuple(_upon_foundations(found[budget, p.id], found, budget) for budget, p in asked),
        time.monotonic() - started,
    )


def _budget(prop: Property, limits: Limits) -> int:
    return prop.budget if limits.budget is None else limits.budget


def _families(
    model: Model, properties: Sequence[Property], limits: Limits
) -> list[tuple[int, tuple[Property, ...]]]:
    """Properties judged one after another in one process: those that differ only in the member of a
    group or the side of a bound. Each budget's foundations come first, asked for or not."""
    families: dict[tuple[int, str], list[Property]] = {}
    budgets = sorted({_budget(prop, limits) for prop in properties})
    foundations = [p for p in built_in_properties(model) if p.form in FOUNDATIONS]
    asked = [(budget, prop) for budget in budgets for prop in foundations]
    asked += [(_budget(prop, limits), prop) for prop in properties]
    for budget, prop in asked:
        stem = prop.id.partition("/")[0]
        family = families.setdefault((budget, stem), [])
        if prop not in family:
            family.append(prop)
    found = [(budget, tuple(family)) for (budget, _), family in families.items()]
    # what takes long begins early, so that no processor waits for the last one
    return sorted(found, key=lambda family: not any(p.bound is not None for p in family[1]))


def _workers(jobs: int, benches: dict[int, _Bench]):
    """A pool whose processes each judge one family and end, so that no answer of a solver depends on
    what it was asked before, whatever the number of jobs.

    A forked process begins with all that was prepared; one that is started afresh prepares it again.
    """
    global _benches
    if "fork" in multiprocessing.get_all_start_methods():
        _benches = benches
        return multiprocessing.get_context("fork").Pool(jobs, initializer=_begin, maxtasksperchild=1)
    first = next(iter(benches.values()))
    afresh = (first.model, first.limits, tuple(benches))
    context = multiprocessing.get_context("spawn")
    return context.Pool(jobs, initializer=_begin_afresh, initargs=afresh, maxtasksperchild=1)


_benches: dict[int, _Bench] = {}


def _begin() -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.signal(signal.SIGTERM, signal.SIG_DFL)


def _begin_afresh(model: Model, limits: Limits, budgets: tuple[int, ...]) -> None:
    global _benches
    _begin()
    _benches = {budget: _Bench(model, budget, limits) for budget in budgets}


def _judge_family(family: tuple[int, tuple[Property, ...]]) -> list[Result]:
    budget, properties = family
    return [_benches[budget].judged(prop) for prop in properties]


def _upon_foundations(result: Result, found: dict[tuple[int, str], Result], budget: int) -> Result:
    """9.7: without its foundations nothing is proved."""
    if result.verdict not in ("proved", "impossible") or result.property.form in FOUNDATIONS:
        return result
    for form in FOUNDATIONS:
        below = found[budget, form.value]
        if below.verdict != "proved":
            return replace(
                result,
                verdict="undecided",
                reason=f"`{form.value}` is {below.verdict}, and without it nothing counts as proved",
                try_next=f"see `{form.value}`",
                certificate=None,
                crosscheck=None,
            )
    return result


class _Bench:
    """One model under one budget: what a family of properties shares."""

    def __init__(self, model: Model, budget: int, limits: Limits):
        self.model, self.budget, self.limits = model, budget, limits
        self.allowance = Allowance(limits.time_limit_s, limits.memory_limit_mb)
        self._study: Study | Gap | None = None
        self._runs: tuple[Run, ...] | None = None
        self._allowed: Callable | None = None
        faults = {t.fault for m in model.machines for t in m.transitions if t.fault}
        self.assumptions = tuple(sorted(faults))

    # -- shared

    def prepare(self) -> None:
        """Do now what every property needs."""
        if isinstance(self.study(), Study):
            allowed = self.allows()
            for run in self.runs():
                for before, step, after in zip(run.snapshots, run.steps, run.snapshots[1:]):
                    allowed(before, step, after)

    def study(self) -> Study | Gap:
        if self._study is None:
            try:
                self._study = Study(self.model, self.budget, self.allowance)
            except OutOfBudget as stop:
                reason = f"{stop.reason} while computing the reachable states without times"
                self._study = Gap(reason, "give it more time (--time-limit)")
        return self._study

    def runs(self) -> tuple[Run, ...]:
        if self._runs is None:
            wanted = self.limits
            self._runs = random_runs(
                self.model,
                budget=self.budget,
                runs=wanted.runs,
                depth=wanted.depth,
                seed=wanted.seed,
            )
        return self._runs

    def allows(self) -> Callable:
        """The step relation, asked once for each step of the runs."""
        if self._allowed is None:
            study = self.study()
            assert isinstance(study, Study)
            relation = study.base.allows()
            answers: dict[tuple[int, int], bool] = {}

            def allowed(before, step, after) -> bool:
                key = (id(before), id(after))
                if key not in answers:
                    answers[key] = relation(before, step, after)
                return answers[key]

            self._allowed = allowed
        return self._allowed

    # -- one property

    def judged(self, prop: Property) -> Result:
        started = time.monotonic()
        self.allowance.started = started
        study = self.study()
        if isinstance(study, Gap):
            result = self.gap(prop, study)
        elif prop.form is Form.DEAD and not prop.subject:
            result = self.all_alive(prop)
        else:
            result = self.verdict(prop, self.find(study, prop))
        return replace(result, seconds=time.monotonic() - started)

    def find(self, study: Study, prop: Property) -> Finding:
        if prop.form in ROWS:
            return decide_built_in(study, prop)
        return study.decide(prop)

    def verdict(self, prop: Property, finding: Finding) -> Result:
        if isinstance(finding, Trace):
            return self.of_trace(prop, finding)
        if isinstance(finding, Certificate):
            return self.of_certificate(prop, finding)
        return self.gap(prop, finding)

    def gap(self, prop: Property, gap: Gap) -> Result:
        bound = "none" if gap.depth is None else f"no counterexample of up to {gap.depth} steps"
        return self.make(prop, "undecided", bound=bound, reason=gap.reason, try_next=gap.try_next)

    def of_trace(self, prop: Property, trace: Trace) -> Result:
        try:
            replayed = replay_trace(self.model, prop, trace, self.budget)
        except Unjudged as why:
            return self.gap(prop, Gap(why.reason, "simplify the model around that state"))
        except NotShown:
            if prop.form is not Form.TIME_STOPS:
                raise
            reason = (
                "what is due can go round without end and without time passing, "
                "but another choice lets time go on; whether that choice is always there is open"
            )
            return self.gap(prop, Gap(reason, "give one of those transitions a time above 0 s"))
        verdict = "shown" if prop.form is Form.POSSIBLE else "violated"
        return self.make(
            prop,
            verdict,
            trace=replayed,
            method="a shortest run, with exact times, replayed on the concrete machine",
            bound=f"{len(replayed.run.steps)} steps, none shorter",
        )

    def of_certificate(self, prop: Property, certificate: Certificate) -> Result:
        shown = None
        if prop.form is not Form.POSSIBLE:
            shown = self.shown(prop)
            if isinstance(shown, Result):
                return shown
        try:
            rechecked = recheck_certificate(
                self.model,
                prop,
                certificate,
                budget=self.budget,
                time_limit_s=self.allowance.left or 600.0,
            )
        except Refused as why:
            if why.kind != "unknown":
                raise Disagreement(
                    f"the second solver refuses the proof of `{prop.id}`",
                    {"z3": certificate.method, "second solver": str(why)},
                ) from why
            return self.gap(prop, Gap(str(why), "give it more time (--time-limit)"))
        return self.make(
            prop,
            "impossible" if prop.form is Form.POSSIBLE else "proved",
            certificate=rechecked,
            crosscheck=self.crosscheck(prop, certificate),
            witness=shown,
            method=certificate.method,
            needs_times_of=certificate.needs_times_of,
            reason="no run shows it" if prop.form is Form.POSSIBLE else "",
        )

    def crosscheck(self, prop: Property, certificate: Certificate) -> CrossCheck:
        return crosscheck_runs(
            self.model,
            self.runs(),
            self.allows(),
            prop,
            certificate,
            budget=self.budget,
            seed=self.limits.seed,
        )

    # -- what keeps a proof from being hollow

    def shown(self, prop: Property) -> ReplayedTrace | Result | None:
        """A run in which the property is put to the test; or the verdict ``vacuous``."""
        wanted: list[tuple[str, Guard]] = []
        for name in sorted(prop.needs):
            guard = self.model.terms[name].guard
            wanted.append((f"the term `{name}` is never true", guard))
            wanted.append((f"the term `{name}` is always true", Not(guard)))
        if not prop.form.is_built_in and prop.form not in WITHOUT_TRIGGER:
            trigger = prop.q if prop.form in TRIGGER_IS_Q else prop.p
            wanted.append(("its trigger can never happen", trigger))
        found = None
        for reason, guard in wanted:
            found = self.example(prop, guard)
            if isinstance(found, Gap):
                return self.gap(prop, found)
            if found is None:
                return self.make(
                    prop,
                    "vacuous",
                    reason=reason,
                    try_next="mend the term in the model, or leave the property out if it "
                    "does not apply",
                )
        return found if wanted else None

    def example(self, prop: Property, guard: Guard) -> ReplayedTrace | Gap | None:
        """A run to a settled state with ``guard``; None when it is proved that there is none."""
        seen = witness(self.runs(), guard, "the property is put to the test here")
        if seen is not None:
            return seen
        study = self.study()
        assert isinstance(study, Study)
        scenario = replace(
            prop, id=f"{prop.id} (example)", form=Form.POSSIBLE, p=guard, bound=None, needs=()
        )
        finding = study.decide(scenario)
        if isinstance(finding, Trace):
            return replay_trace(self.model, scenario, finding, self.budget)
        if isinstance(finding, Gap):
            return finding
        try:
            recheck_certificate(self.model, scenario, finding, budget=self.budget)
        except Refused as why:
            return Gap(str(why), "give it more time (--time-limit)")
        return None

    # -- dead

    def all_alive(self, prop: Property) -> Result:
        """9.6: every state entered and every payable transition taken, each in some run."""
        study = self.study()
        assert isinstance(study, Study)
        dead: list[tuple[tuple, Certificate]] = []
        alive = list(self.runs())
        met = covered_by(alive)
        if not all(met.has(subject) for subject in self.subjects()):
            more = random_runs(
                self.model, budget=self.budget, runs=150, depth=150, seed=self.limits.seed + 1
            )
            alive += more
            met = met | covered_by(more)
        for subject in self.subjects():
            if met.has(subject):
                continue
            one = replace(prop, subject=subject)
            finding = study.decide(one)
            if isinstance(finding, Gap):
                return self.gap(prop, finding)
            if isinstance(finding, Trace):
                alive.append(self.taken(one, finding))
                met = met | covered_by(alive[-1:])
            else:
                dead.append((subject, finding))
        if not dead:
            alive = runs_that_cover(alive)
            check = all_alive(alive, len(self.subjects()), self.limits.seed)
            return self.make(
                prop,
                "proved",
                crosscheck=check,
                runs=alive,
                method="every state is entered and every transition taken in a concrete run",
            )
        subject, certificate = dead[0]
        one = replace(prop, subject=subject)
        try:
            rechecked = recheck_certificate(self.model, one, certificate, budget=self.budget)
        except Refused as why:
            return self.gap(prop, Gap(str(why), "give it more time (--time-limit)"))
        names = "; ".join(self.describe(subject) for subject, _ in dead)
        return self.make(
            one,
            "violated",
            certificate=rechecked,
            method=certificate.method,
            reason=f"{names}",
            try_next="take it out, or mend the guard that keeps it from happening",
        )

    def subjects(self) -> list[tuple]:
        found: list[tuple] = []
        for machine in self.model.machines:
            found += [("state", machine.name, state) for state in machine.states]
            found += [
                ("transition", machine.name, t.index)
                for t in machine.transitions
                if t.fault is None or self.budget > 0
            ]
        return found

    def taken(self, prop: Property, trace: Trace) -> Run:
        """The engine's run to a state where the subject is alive, taken concretely; for a transition
        with the step that takes it."""
        concrete = Concrete(self.model, self.budget)
        steps = list(trace.steps)
        snapshots = [concrete.initial()]
        for step in steps:
            snapshots.append(concrete.take(snapshots[-1], step))
        here = snapshots[-1]
        kind, name, what = prop.subject
        if kind == "state":
            alive = here.locations[name] == what
        else:
            alive = Move(name, what) in concrete.enabled(here)
        if not alive:
            raise Disagreement(
                f"the engine's run to {self.describe(prop.subject)} does not lead there",
                {"engine": str(trace.steps[-1:]), "concrete machine": str(here.locations)},
            )
        if kind == "transition":
            steps.append(self.step_with(concrete, here, Move(name, what)))
            snapshots.append(concrete.take(here, steps[-1]))
        return Run(tuple(steps), tuple(snapshots))

    def step_with(self, concrete: Concrete, here: Snapshot, move: Move) -> Step:
        """A step from ``here`` that takes ``move``: alone in the world, in a round with the others."""
        if here.is_settled:
            return Step("world", Fraction(0), (move,))
        return next(step for step in concrete.settle_rounds(here) if move in step.moves)

    def describe(self, subject: tuple) -> str:
        kind, name, what = subject
        machine = self.model.machine(name)
        if kind == "state":
            return f"{name} is never {what} ({machine.place})"
        t = machine.transitions[what]
        return f"{name} never goes from {t.source} to {t.target} ({t.place})"

    def make(self, prop: Property, verdict: str, **facts) -> Result:
        return Result(
            prop,
            verdict,
            self.budget,
            assumptions=self.assumptions if not self.budget else (),
            **facts,
        )
