"""What the tool says about a property: a verdict and the tokens without which it can't be said.

``ReplayedTrace`` is made only by ``evidence.replay``, ``RecheckedCertificate`` only by
``evidence.recheck``, ``CrossCheck`` only by ``evidence.crosscheck``; the constructors of ``Result``
ask for them. Views read these objects and nothing else.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from verifier.language.model import Model, Property
from verifier.semantics.run import Certificate, Run

VERDICTS = ("proved", "violated", "undecided", "vacuous", "shown", "impossible")


class Disagreement(Exception):
    """Two readings of one model differ: a defect of this program (exit 4), never a verdict.

    ``sides`` holds what each reading said, as text, by name of the reading.
    """

    def __init__(self, what: str, sides: dict[str, str]):
        super().__init__(what)
        self.what = what
        self.sides = sides


@dataclass(frozen=True)
class ReplayedTrace:
    """A trace taken step by step on the concrete machine, with every claim compared.

    ``violating`` is the index in ``run.snapshots`` of the state that breaks the property (or shows
    the scenario); ``onset`` that of the state where the demand began, if the form has one; ``loop``
    the index of the snapshot to which the last one returns, for endless runs.
    """

    run: Run
    violating: int
    onset: int | None = None
    loop: int | None = None
    why: str = ""


@dataclass(frozen=True)
class RecheckedCertificate:
    """A certificate whose obligations a second solver has confirmed.

    ``obligations`` maps the name of each obligation to its SMT-LIB 2.6 text; every one was answered
    unsat by ``solver`` (name and version) in ``seconds`` overall.
    """

    certificate: Certificate
    obligations: dict[str, str]
    solver: str
    seconds: float


@dataclass(frozen=True)
class CrossCheck:
    """Concrete random runs that stayed inside the step relation and the invariant."""

    run_lengths: tuple[int, ...]
    seed: int
    live: int
    covered: int


@dataclass(frozen=True)
class Result:
    """Verdict on one property of one model. Make it with the class methods only."""

    property: Property
    verdict: str
    budget: int
    seconds: float = 0.0
    method: str = ""
    bound: str = "complete"
    assumptions: tuple[str, ...] = ()
    needs_times_of: tuple[str, ...] = ()
    trace: ReplayedTrace | None = None
    certificate: RecheckedCertificate | None = None
    crosscheck: CrossCheck | None = None
    witness: ReplayedTrace | None = None
    reason: str = ""
    try_next: str = ""


@dataclass(frozen=True)
class ModelResult:
    """All results on one model, in the order of its packs, built-in properties first."""

    model: Model
    results: tuple[Result, ...]
    seconds: float = 0.0
    packs: tuple[str, ...] = field(default=())
