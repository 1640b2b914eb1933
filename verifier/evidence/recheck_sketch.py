"""A refuted obligation in words: the state and the step that the solver found."""

from __future__ import annotations

from collections.abc import Mapping

from verifier.language.model import Model

_STEPS_SHOWN = 4


def sketch(model: Model, values: Mapping[str, str]) -> str:
    """One line from the values of declared constants (``recheck_ask.Answer``).

    Shows the first state of the row, then what is taken in each of the first few steps. A row that
    starts in the initial state has no declared state.
    """
    def is_true(name: str) -> bool:
        return values.get(name) == "true"

    here = []
    for machine in model.machines:
        for state in machine.states:
            if is_true(f"0: {machine.name} is {state}"):
                since = values.get(f"0: time {machine.name}", "0")
                here.append(f"{machine.name} is {state} for {since} s")
    watch = [f"{name[3:]} is {value}" for name, value in sorted(values.items())
             if name.startswith(("0: watch", "0: spent", "0: held", "0: fresh")) and value != "false"]
    parts = ["; ".join(here + watch) or "from the initial state"]
    labels = list(dict.fromkeys(name.split(": ", 1)[0] for name in values
                                if ": takes " in name or name.endswith(": delay")))
    for label in labels[:_STEPS_SHOWN]:
        moves = [f"{m.name} {t.source} -> {t.target}" for m in model.machines for t in m.transitions
                 if is_true(f"{label}: takes {m.name} {t.index}")]
        delay = values.get(f"{label}: delay", "0")
        parts.append(f"step to {label}: after {delay} s " + (", ".join(moves) or "nothing moves"))
    return " | ".join(parts)
