"""One property from engine to verdict: one straight way.

An engine finds a trace, a certificate or a gap; the trace is replayed, the certificate re-checked by
the second solver and held against concrete runs; only then is there a verdict. Where the readings
differ, ``Disagreement`` leaves here and nothing is said of the property.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from verifier.engines.built_in import decide_built_in
from verifier.engines.decision import decide, decide_alike, glimpse
from verifier.engines.lemmas import NotExcluded
from verifier.engines.limits import Allowance, OutOfBudget
from verifier.engines.mirror import Proof
from verifier.engines.response import decide_response
from verifier.engines.study import Study
from verifier.evidence.aliveness import Aliveness
from verifier.evidence.crosscheck import (
    Values,
    crosscheck_runs,
    random_runs,
    state_values,
    witness,
)
from verifier.evidence.judgement import Unjudged
from verifier.evidence.quieten import quietened
from verifier.evidence.random_walk import End, ends_reached
from verifier.evidence.recheck import Refused, recheck_certificate
from verifier.evidence.replay import NotShown, replay_trace
from verifier.evidence.result import (
    CrossCheck,
    Disagreement,
    RecheckedCertificate,
    ReplayedTrace,
    Result,
)
from verifier.language.granting import granted, with_classes
from verifier.language.guard import Guard, Not
from verifier.language.model import Form, Model, Property
from verifier.semantics.concrete import Concrete
from verifier.semantics.run import Certificate, Finding, Gap, Run, Trace

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


# The faults under which a property is asked: how many, and of which classes (of all when empty).
Ground = tuple[int, tuple[str, ...]]


def ground_of(prop: Property) -> Ground:
    return prop.budget, prop.faults_of


class Bench:
    """One model under one budget: what a family of properties shares."""

    @classmethod
    def on(
        cls, model: Model, ground: Ground, limits: Limits, proofs: Sequence[Proof] = (), ways: Sequence[Run] = ()
    ) -> Bench:
        """The bench for properties asked on ``ground``; ``proofs`` of a like model are tried first."""
        budget, classes = ground
        return cls(with_classes(model, classes), budget, limits, proofs, ways)

    def __init__(
        self, model: Model, budget: int, limits: Limits, proofs: Sequence[Proof] = (), ways: Sequence[Run] = ()
    ):
        """``ways`` are runs of this very model: looked through before an engine is asked whether something can
        happen."""
        self.model, self.budget, self.limits, self.proofs, self.ways = model, budget, limits, proofs, ways
        self.allowance = Allowance(limits.time_limit_s, limits.memory_limit_mb)
        self._study: Study | Gap | None = None
        self._runs: tuple[Run, ...] | None = None
        self._allowed: Callable | None = None
        self._reached: frozenset[End] | None = None
        self._values: tuple[tuple[Values, ...], ...] | None = None
        faults = {t.fault for m in model.machines for t in m.transitions if t.fault}
        self.assumptions = tuple(sorted(faults - granted(model) if budget else faults))

    # -- shared

    def prepare(self) -> None:
        """Do now, once, what every property needs."""
        self.allowance.started = time.monotonic()
        if self._reached is None and isinstance(self.study(), Study):
            allowed = self.allows()
            self.reached(), self.values()
            for run in self.runs():
                for before, step, after in zip(run.snapshots, run.steps, run.snapshots[1:]):
                    allowed(before, step, after)

    def study(self) -> Study | Gap:
        if self._study is None:
            try:
                self._study = Study(self.model, self.budget, self.allowance)
                self._study.proofs += self.proofs
            except OutOfBudget as stop:
                reason = f"{stop.reason} while computing the reachable states without times"
                self._study = Gap(reason, stop.try_next)
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

    def reached(self) -> frozenset[End]:
        if self._reached is None:
            self._reached = ends_reached(self.model, self.runs())
        return self._reached

    def values(self) -> tuple[tuple[Values, ...], ...]:
        """What each state of the runs says of every symbol of a certificate."""
        if self._values is None:
            self._values = tuple(state_values(self.model, run) for run in self.runs())
        return self._values

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
        study = self.study_of_one()
        if isinstance(study, Gap):
            result = self.gap(prop, study)
        elif prop.form is Form.DEAD and not prop.subject:
            result = Aliveness(self, prop).verdict()
        else:
            result = self.verdict(prop, self.find(study, prop))
        return replace(result, seconds=time.monotonic() - started)

    def study_of_one(self) -> Study | Gap:
        """The study, with the time that is allowed for one property."""
        self.allowance.started = time.monotonic()
        return self.study()

    def sought(self, prop: Property) -> Result | Certificate:
        """What the engines say of ``prop``: a proof that is neither re-checked nor cross-checked yet, or the result
        where they have none."""
        study = self.study_of_one()
        if isinstance(study, Gap) or prop.form is Form.DEAD:
            return self.judged(prop)
        finding = self.find(study, prop)
        return finding if isinstance(finding, Certificate) else self.verdict(prop, finding)

    def find(self, study: Study, prop: Property) -> Finding:
        try:
            if prop.form in ROWS:
                return decide_built_in(study, prop)
            if prop.form is Form.EVENTUALLY:
                return decide_response(study, prop)
            return decide(study, prop)
        except NotExcluded as state:
            raise Disagreement(
                f"z3 does not confirm what the exploration found for `{prop.id}`",
                {"z3": f"a step or a bad state from {state}", "exploration": "no such state"},
            ) from state

    def alike(self, prop: Property) -> Certificate | None:
        """A proof like one of ``proofs``; None says nothing."""
        study = self.study_of_one()
        if isinstance(study, Gap) or prop.form in (*ROWS, Form.DEAD, Form.EVENTUALLY):
            return None
        return decide_alike(study, prop)

    def glimpsed(self, prop: Property, most: int) -> Result | None:
        """A counterexample of the fewest steps, where a look ahead at up to ``most`` states finds one; None says
        nothing."""
        study = self.study_of_one()
        if isinstance(study, Gap) or prop.form in (*ROWS, Form.DEAD, Form.EVENTUALLY):
            return None
        trace = glimpse(study, prop, most)
        return None if trace is None else self.of_trace(prop, trace)

    def confirmed(self, prop: Property, certificate: Certificate) -> Result:
        """What becomes of a proof that ``sought`` or ``alike`` has brought."""
        self.study_of_one()
        return self.of_certificate(prop, certificate)

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
        replayed = quietened(Concrete(self.model, self.budget), prop, replayed)
        verdict = "shown" if prop.form is Form.POSSIBLE else "violated"
        if prop.form is Form.EVENTUALLY:
            return self.goes_round(prop, replayed)
        n_steps = len(replayed.run.steps)
        # where the replay led the run on, or the search asked for less, nothing is known of shorter ones
        is_shortest = n_steps == len(trace.steps) and prop.form not in ROWS
        return self.make(
            prop,
            verdict,
            trace=replayed,
            method=f"a {'shortest ' if is_shortest else ''}run, with exact times, replayed on the "
            "concrete machine",
            bound=f"{n_steps} steps, none shorter" if is_shortest else f"{n_steps} steps",
        )

    def goes_round(self, prop: Property, replayed: ReplayedTrace) -> Result:
        assert replayed.loop is not None, "the judge asked for a loop"
        n_way, n_turn = replayed.loop, len(replayed.run.steps) - replayed.loop
        round_again = f"{n_turn} step{'s' * (n_turn > 1)} again and again"
        return self.make(
            prop,
            "violated",
            trace=replayed,
            method="a run that goes round for ever, with exact times; the loop was taken twice on the "
            "concrete machine",
            bound=f"{n_way} steps, then {round_again}" if n_way else round_again,
        )

    def of_certificate(self, prop: Property, certificate: Certificate) -> Result:
        shown = None
        if prop.form is not Form.POSSIBLE:
            shown = self.shown(prop)
            if isinstance(shown, Result):
                return shown
        rechecked = self.rechecked(prop, certificate)
        if isinstance(rechecked, Gap):
            return self.gap(prop, rechecked)
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

    def rechecked(self, prop: Property, certificate: Certificate) -> RecheckedCertificate | Gap:
        """The second solver's word; a gap when it ran out of time, which says nothing."""
        try:
            return recheck_certificate(
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
            return Gap(str(why), "give it more time (--time-limit)")

    def crosscheck(self, prop: Property, certificate: Certificate) -> CrossCheck:
        return crosscheck_runs(
            self.model,
            self.runs(),
            self.allows(),
            prop,
            certificate,
            budget=self.budget,
            seed=self.limits.seed,
            reached=self.reached(),
            values=self.values(),
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
        seen = witness((*self.runs(), *self.ways), guard, "the property is put to the test here")
        if seen is not None:
            return seen
        study = self.study()
        assert isinstance(study, Study)
        scenario = replace(
            prop, id=f"{prop.id} (example)", form=Form.POSSIBLE, p=guard, bound=None, needs=()
        )
        finding = self.find(study, scenario)
        if isinstance(finding, Trace):
            return replay_trace(self.model, scenario, finding, self.budget)
        if isinstance(finding, Gap):
            return finding
        rechecked = self.rechecked(scenario, finding)
        return rechecked if isinstance(rechecked, Gap) else None

    def make(self, prop: Property, verdict: str, **facts) -> Result:
        return Result(
            prop,
            verdict,
            self.budget,
            assumptions=self.assumptions,
            **facts,
        )
