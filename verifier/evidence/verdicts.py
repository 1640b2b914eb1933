"""One property from engine to verdict: one straight way.

An engine finds a trace, a certificate or a gap; the trace is replayed, the certificate re-checked by
the second solver and held against concrete runs; only then is there a verdict. Where the readings
differ, ``Disagreement`` leaves here and nothing is said of the property.
"""

from __future__ import annotations

import time
from dataclasses import replace

from verifier.engines.built_in import built_in_alike, decide_built_in
from verifier.engines.decision import decide, decide_alike, glimpse
from verifier.engines.lemmas import NotExcluded
from verifier.engines.response import decide_response
from verifier.engines.study import Study
from verifier.evidence.aliveness import Aliveness
from verifier.evidence.crosscheck import crosscheck_runs, witness
from verifier.evidence.judgement import Unjudged
from verifier.evidence.quieten import quietened
from verifier.evidence.recheck import Refused, recheck_certificate
from verifier.evidence.replay import NotShown, replay_trace
from verifier.evidence.result import (
    CrossCheck,
    Disagreement,
    RecheckedCertificate,
    ReplayedTrace,
    Result,
)
from verifier.evidence.shared import Shared
from verifier.language.guard import Guard, Not
from verifier.language.model import Form, Model, Property
from verifier.semantics.concrete import Concrete
from verifier.semantics.run import Certificate, Finding, Gap, Trace

ROWS = (Form.DOES_NOT_SETTLE, Form.TIME_STOPS, Form.ORDER_MATTERS)
TRIGGER_IS_Q = (Form.ONLY_AFTER, Form.HAS_HELD)
# How the bound of a counterexample of the fewest steps ends.
NONE_SHORTER = ", none shorter"
WITHOUT_TRIGGER = (Form.NEVER, Form.ALWAYS, Form.POSSIBLE)


class Bench(Shared):
    """The verdicts on properties of one model under one budget."""

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
        if isinstance(study, Gap) or prop.form in (Form.DEAD, Form.EVENTUALLY):
            return None
        return built_in_alike(study, prop) if prop.form in ROWS else decide_alike(study, prop)

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
        is_shortest = n_steps == len(trace.steps) and prop.form not in ROWS and not trace.may_be_shorter
        return self.make(
            prop,
            verdict,
            trace=replayed,
            method=f"a {'shortest ' if is_shortest else ''}run, with exact times, replayed on the "
            "concrete machine",
            bound=f"{n_steps} steps{NONE_SHORTER}" if is_shortest else f"{n_steps} steps",
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

    def rechecked(
        self, prop: Property, certificate: Certificate, alike_to: Model | None = None
    ) -> RecheckedCertificate | Gap:
        """The second solver's word; a gap when it ran out of time, which says nothing."""
        try:
            return recheck_certificate(
                self.model,
                prop,
                certificate,
                budget=self.budget,
                time_limit_s=self.allowance.left or 600.0,
                alike_to=alike_to,
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
