"""What the tool says about a property: a verdict and the tokens without which it can't be said.

``ReplayedTrace`` is made only by ``evidence.replay``, ``RecheckedCertificate`` only by
``evidence.recheck``, ``CrossCheck`` only by ``evidence.crosscheck``; ``Result`` asks for them. Views read these objects and nothing else.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from verifier.language.model import Form, Model, Property
from verifier.semantics.run import Certificate, Run

VERDICTS = ("proved", "violated", "undecided", "vacuous", "shown", "impossible")


class Disagreement(Exception):
    """Two readings of one model differ: a defect of this program (exit 4), never a verdict.

    ``sides`` holds what each reading said, as text, by name of the reading.
    """

    def __init__(self, what: str, sides: dict[str, str]):
        super().__init__(what, sides)
        self.what = what
        self.sides = sides

    def __str__(self) -> str:
        return self.what


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
    """Verdict on one property of one model, under ``budget`` faults.

    A verdict without its tokens can't be made: ``violated`` and ``shown`` ask for a replayed trace
    (``dead`` for a certificate that something never happens), ``proved`` and ``impossible`` for a
    re-checked certificate and a cross-check (``dead`` for neither: its witnesses are runs). For
    ``undecided`` and ``vacuous`` the reason is asked for. ``bound`` is "complete" or says how far was
    looked; ``assumptions`` are the faults that were not granted.
    ``runs`` are the concrete runs in which, for ``dead`` proved, everything is alive.
    """

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
    runs: tuple[Run, ...] = ()
    reason: str = ""
    try_next: str = ""

    def __post_init__(self) -> None:
        of_dead = self.property.form is Form.DEAD
        if self.verdict not in VERDICTS:
            raise ValueError(f"no verdict {self.verdict!r}")
        if self.verdict in ("violated", "shown") and self.trace is None:
            if not (of_dead and self.certificate is not None):
                raise ValueError(f"{self.verdict} needs a replayed trace")
        if self.verdict in ("proved", "impossible") and not of_dead:
            if self.certificate is None or self.crosscheck is None:
                raise ValueError(f"{self.verdict} needs a re-checked certificate and a cross-check")
        if self.verdict == "proved" and of_dead and self.crosscheck is None:
            raise ValueError("proved needs the runs in which everything is alive")
        if self.verdict in ("undecided", "vacuous") and not self.reason:
            raise ValueError(f"{self.verdict} needs a reason")


@dataclass(frozen=True)
class ModelResult:
    """All results on one model, in the order of its packs, built-in properties first.

    ``foundations`` are the results that proofs rest on (semantics 9.7) and nobody asked for.
    """

    model: Model
    results: tuple[Result, ...]
    seconds: float = 0.0
    packs: tuple[str, ...] = field(default=())
    foundations: tuple[Result, ...] = ()
