"""What may become of a planted design error.

``caught``: a property of the sound design does not hold, or can no longer be put to the test. ``equivalent``:
proved to have the same runs, or the same but for what happens within settles, and the properties that look there
are proved of it. ``harmless``: it does something else in some run, and every property, all those of the packs of
its kind among them, is proved of it. ``unnoticed``: it does something else and all that was asked
is proved, but not all that the packs of its kind ask.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from verifier.evidence.result import ReplayedTrace
from verifier.language.model import Model, Property
from verifier.studies.plants import Plant

CAUGHT, EQUIVALENT, HARMLESS = "caught", "equivalent", "harmless"
UNNOTICED, UNDECIDED = "unnoticed", "undecided"
# Worst first.
OUTCOMES = (UNNOTICED, UNDECIDED, HARMLESS, CAUGHT, EQUIVALENT)


@dataclass(frozen=True)
class Suggestion:
    """``property`` is proved of the sound model and violated by the planted one in ``n_steps`` steps."""

    property: Property
    n_steps: int


@dataclass(frozen=True)
class Outcome:
    """What became of a plant. ``by`` is the property that catches it (or would, for ``unnoticed``); ``trace``
    is a run of ``ran_on``, which breaks that property or, where nothing does, leads to where the designs part;
    ``proved`` names what was proved of the planted model."""

    plant: Plant
    outcome: str
    by: str = ""
    how: str = ""
    trace: ReplayedTrace | None = None
    ran_on: Model | None = None
    proved: tuple[str, ...] = ()
    suggestion: Suggestion | None = None
    seconds: float = field(default=0.0, compare=False)
