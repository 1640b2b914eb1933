"""What was found of a model, to be tried first on one like it: its next version, or one with an error planted.

Proofs are tried on the engines' own ground, runs on the concrete machine; who proposes them has no part in a verdict.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from verifier.evidence.result import Result
from verifier.language.model import Property
from verifier.semantics.run import Run

# A property and the invariant of its certificate.
Proven = tuple[Property, str]
# The faults under which a property is asked: how many, and of which classes (of all when empty).
Ground = tuple[int, tuple[str, ...]]


def ground_of(prop: Property) -> Ground:
    return prop.budget, prop.faults_of


@dataclass(frozen=True)
class Known:
    """Proofs, and runs that put properties to the test or in which all is alive, by what they were asked under."""

    proofs: Mapping[Ground, Sequence[Proven]] = field(default_factory=dict)
    runs: Mapping[Ground, Sequence[Run]] = field(default_factory=dict)

    @classmethod
    def of(cls, results: Sequence[Result]) -> Known:
        proofs: dict[Ground, list[Proven]] = {}
        runs: dict[Ground, list[Run]] = {}
        for one in results:
            ground = ground_of(one.property)
            invariant = invariant_of(one)
            if invariant is not None:
                proofs.setdefault(ground, []).append((one.property, invariant))
            runs.setdefault(ground, []).extend(runs_of(one))
        return cls(proofs, runs)


def invariant_of(result: Result) -> str | None:
    return None if result.certificate is None else result.certificate.certificate.invariant


def runs_of(result: Result) -> list[Run]:
    """In which its property is put to the test, the scenario shown, or all is alive."""
    shown = [result.witness, result.trace if result.verdict == "shown" else None]
    return [*result.runs, *(trace.run for trace in shown if trace is not None)]
