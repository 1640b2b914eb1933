"""A page with a run of sixty steps of forty machines, made without an engine: the belt can do nothing else."""

from dataclasses import replace
from fractions import Fraction
from pathlib import Path

from verifier.evidence.judge import judge
from verifier.evidence.replay import replayed_run
from verifier.evidence.result import ModelResult, Result
from verifier.language.load import load
from verifier.semantics.concrete import Concrete
from verifier.semantics.run import Move, Run, Step
from verifier.studies.cause import causes_of
from verifier.views.page import Aside, report_page

STEPS, MACHINES = 60, 40
PACK = """format: 1
pack: a long belt
says: a run of sixty steps
kinds: [TEXTBOOK]
jurisdiction: ANY
needs:
  at_end: {as: truth, says: the belt is at its end}
properties:
  - {id: never-at-end, says: the belt never comes to its end, source: made up, never: at_end}
"""


def model_text() -> str:
    places = STEPS // 2
    lines = [
        "format: 1", "crossing: Long Belt", "kind: TEXTBOOK", "jurisdiction: ANY", "specs: [pack.yaml]", "machines:",
        "  belt:", "    role: equipment", f"    states: [{', '.join(f's{i}' for i in range(places + 1))}]",
        "    transitions:",
        *(f"      - {{from: s{i}, to: s{i + 1}, after: 1 s}}" for i in range(places)),
    ]
    for number in range(1, MACHINES):
        lines += [
            f"  relay_{number}:", "    role: control", "    states: [dropped, picked]", "    transitions:",
            f"      - {{from: dropped, to: picked, when: belt is s{min(number, places)}}}",
        ]
    return "\n".join([*lines, "terms:", f"  at_end: belt is s{places} and relay_{places} is picked", ""])


def long_page(folder: Path) -> str:
    (folder / "long.yaml").write_text(model_text(), "utf-8")
    (folder / "pack.yaml").write_text(PACK, "utf-8")
    model, (prop,) = load(str(folder / "long.yaml"))
    concrete = Concrete(model)
    steps, snapshots = [], [concrete.initial()]
    for place in range(STEPS // 2):
        for step in (Step("world", Fraction(1), (Move("belt", place),)), None):
            taken = step or next(concrete.settle_rounds(snapshots[-1]))
            snapshots.append(concrete.take(snapshots[-1], taken))
            steps.append(taken)
    run = Run(tuple(steps), tuple(snapshots))
    judgement = judge(concrete, prop, run)
    assert judgement is not None and len(steps) == STEPS and len(model.machines) == MACHINES
    shown = replayed_run(concrete, run, judgement)
    result = Result(prop, "violated", 0, method="driven by hand", bound="60 steps", trace=shown)
    outcome = ModelResult(replace(model, path="long.yaml"), (result,), 0.0, ("a long belt",))
    causes = {("long.yaml", *key): cause for key, cause in causes_of(outcome).items()}
    return report_page((outcome,), (), Aside(causes))
