"""The second solver: cvc5 reads an obligation as text and answers (the only file that imports it)."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from fractions import Fraction

import cvc5


@dataclass(frozen=True)
class Answer:
    """``verdict`` is "unsat", "sat" or "unknown"; ``why`` explains an unknown.

    ``values`` gives, after "sat", every declared constant: "true"/"false" or an exact number as text.
    """

    verdict: str
    why: str = ""
    values: dict[str, str] = field(default_factory=dict)


class Unreadable(Exception):
    """The solver does not accept the text; ``str()`` is its complaint."""


def solver_name() -> str:
    return f"cvc5 {cvc5.__version__}"


def ask(text: str, time_limit_s: float) -> Answer:
    """Answer the one ``(check-sat)`` of ``text``, in a solver of its own.

    ``time_limit_s`` bounds the search; when it runs out the answer is "unknown". Raises ``Unreadable``.
    """
    solver = cvc5.Solver(cvc5.TermManager())
    solver.setOption("tlimit-per", str(max(1, int(time_limit_s * 1000))))
    solver.setOption("produce-models", "true")
    # what it branches on is left to its SAT solver: some tenths quicker on these obligations, never slower
    solver.setOption("decision", "internal")
    parser = cvc5.InputParser(solver)
    parser.setStringInput(cvc5.InputLanguage.SMT_LIB_2_6, text, "obligation")
    symbols = parser.getSymbolManager()
    answers = []
    try:
        while True:
            command = parser.nextCommand()
            if command.isNull():
                break
            said = command.invoke(solver, symbols).strip()
            if said.startswith("(error"):
                raise Unreadable(_first_line(said))
            if said:
                answers.append(said)
    except RuntimeError as error:
        # The Python binding raises RuntimeError, or a subclass, for text that it cannot parse or type.
        raise Unreadable(_first_line(str(error))) from None
    if answers == ["unsat"]:
        return Answer("unsat")
    if answers == ["sat"]:
        values = {_bare(str(term)): _plain(solver.getValue(term)) for term in symbols.getDeclaredTerms()}
        return Answer("sat", values=values)
    if answers == ["unknown"]:
        return Answer("unknown", f"no answer within {time_limit_s:g} s")
    raise Unreadable(f"the solver answered {answers!r}")


def _bare(name: str) -> str:
    return name[1:-1] if name.startswith("|") else name


def _plain(value: "cvc5.Term") -> str:
    if value.isRealValue() or value.isIntegerValue():
        return str(Fraction(value.getRealValue()))
    return str(value)


def _first_line(text: str) -> str:
    return re.sub(r"\s+", " ", text).strip()[:300]
