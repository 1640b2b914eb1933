"""The third reading: re-check a certificate from the whole model with a second solver.

From the checked model, the property and the budget this module writes every obligation of
``specs/semantics.md`` section 11 as SMT-LIB 2.6 text and asks cvc5. It shares nothing with the
symbolic step relation or the engines, and takes nothing from the certificate but its term and its
few numbers. The model is never sliced.
"""

from __future__ import annotations

import time
from collections.abc import Iterator
from fractions import Fraction

from verifier.evidence import recheck_alike as alike
from verifier.evidence import recheck_rounds as rows
from verifier.evidence import recheck_watch as watches
from verifier.evidence.recheck_ask import Unreadable, ask, solver_name
from verifier.evidence.recheck_moment import Moment, define_invariant, first_moment, unknown_moment
from verifier.evidence.recheck_names import Question, question
from verifier.evidence.recheck_script import FALSE, Script, conj, neg
from verifier.evidence.recheck_sketch import sketch
from verifier.evidence.recheck_step import EITHER, SETTLE, WORLD, step
from verifier.evidence.recheck_term import NotATerm, read_term
from verifier.evidence.result import RecheckedCertificate
from verifier.language.model import Form, Model, Property
from verifier.semantics.run import Certificate

_BAD = {
    Form.AMBIGUOUS: rows.ambiguous,
    Form.PULSE: rows.pulse,
    Form.DEAD: rows.dead,
    **dict.fromkeys(watches.WATCHED, watches.bad),
}
_ROUNDS = {
    Form.DOES_NOT_SETTLE: rows.does_not_settle,
    Form.TIME_STOPS: rows.time_stops,
    Form.ORDER_MATTERS: rows.order_matters,
}


class Refused(Exception):
    """A certificate was not confirmed; ``reason`` is a sentence for people.

    ``kind`` is "malformed" (the text is no term over this model's symbols, or a number is missing),
    "sat" (``obligation`` does not hold: the certificate does not prove) or "unknown" (no answer in
    time; says nothing about the certificate).
    """

    def __init__(self, reason: str, kind: str, obligation: str = ""):
        super().__init__(reason)
        self.reason, self.kind, self.obligation = reason, kind, obligation


def names(model: Model, prop: Property, budget: int = 0) -> dict[str, str]:
    """Symbols of section 10 that a certificate may use, without bars, with their sorts, in order."""
    return dict(question(model, _with_bound(prop, Fraction(0)), budget).names)


def obligations(model: Model, prop: Property, certificate: Certificate, budget: int = 0,
                alike_to: Model | None = None) -> dict[str, str]:
    """Every obligation of section 11, and of 13 where ``alike_to`` is given, as a whole SMT-LIB 2.6 file, by name.

    The certificate is confirmed when each is unsat. Raises ``Refused`` of kind "malformed".
    """
    if prop.form is Form.EVENTUALLY:
        if certificate.bound is None or certificate.bound < 0:
            raise Refused("a certificate of `eventually` must give a bound of at least 0 s", "malformed")
    elif certificate.bound is not None:
        raise Refused(f"a certificate of `{prop.form.value}` has no bound of its own", "malformed")
    asked = question(model, _with_bound(prop, certificate.bound), budget)
    _refuse_malformed(asked, certificate)
    scripts = dict(_scripts(asked, certificate))
    if alike_to is not None:
        _refuse_other_world(asked, alike_to, certificate)
        scripts |= alike.settles_alike(asked, alike_to, certificate.invariant, certificate.rounds)
    return {name: script.text() for name, script in scripts.items()}


def recheck_certificate(model: Model, prop: Property, certificate: Certificate, *, budget: int = 0,
                        time_limit_s: float = 60.0, alike_to: Model | None = None) -> RecheckedCertificate:
    """Confirm a certificate with the second solver.

    Parameters
    ----------
    model : Model
        The whole checked model.
    certificate : Certificate
        Its term ranges over ``names(model, prop, budget)``.
    time_limit_s : float
        For all obligations together, in seconds of solving.
    alike_to : Model, optional
        Another design: the certificate is to prove further that its settles end as those of ``model``.

    Returns
    -------
    RecheckedCertificate
        Promises: cvc5 found every obligation unsat.

    Raises
    ------
    Refused
        Anything else; see there. Unknown is never taken for a yes.

    Notes
    -----
    ``specs/semantics.md`` sections 11 and 13.
    """
    started = time.monotonic()
    texts = obligations(model, prop, certificate, budget, alike_to)
    for name, text in texts.items():
        left = time_limit_s - (time.monotonic() - started)
        if left <= 0:
            raise Refused(f"obligation `{name}`: no time left of {time_limit_s:g} s", "unknown", name)
        try:
            answer = ask(text, left)
        except Unreadable as error:
            raise Refused(f"obligation `{name}`: {solver_name()} does not accept the term: {error}",
                          "malformed", name) from None
        if answer.verdict == "sat":
            raise Refused(f"obligation `{name}` does not hold: {sketch(model, answer.values)}",
                          "sat", name)
        if answer.verdict != "unsat":
            raise Refused(f"obligation `{name}`: {solver_name()} could not decide: {answer.why}",
                          "unknown", name)
    return RecheckedCertificate(certificate, texts, solver_name(), time.monotonic() - started)


def _with_bound(prop: Property, bound: Fraction | None) -> Property:
    """11.8: of ``eventually`` the property that is proved in its place."""
    return prop.within(bound) if prop.form is Form.EVENTUALLY else prop


def _refuse_malformed(asked: Question, certificate: Certificate) -> None:
    form = asked.prop.form
    if form not in _BAD and form not in _ROUNDS:
        raise Refused(f"a certificate cannot prove the form `{form.value}`", "malformed")
    if form is Form.DEAD and len(asked.prop.subject) != 3:
        raise Refused("a certificate of `dead` must be about one state or one transition", "malformed")
    if certificate.k < 1:
        raise Refused(f"k is {certificate.k}, but must be at least 1", "malformed")
    if form in _ROUNDS and (certificate.rounds is None or certificate.rounds < 0):
        raise Refused(f"a certificate of `{form.value}` must give a number of rounds", "malformed")
    try:
        read_term(certificate.invariant, asked.names)
    except NotATerm as error:
        raise Refused(f"the invariant is not a term over this model: {error.what}", "malformed") from None


def _refuse_other_world(asked: Question, other: Model, certificate: Certificate) -> None:
    if not alike.differ_in_logic_alone(asked.model, other):
        raise Refused("the two models differ in more than what control does in no time", "malformed")
    if certificate.rounds is None or certificate.rounds < 0:
        raise Refused("a certificate that settles end alike must give a number of rounds", "malformed")


def _scripts(asked: Question, certificate: Certificate) -> Iterator[tuple[str, Script]]:
    term, k = certificate.invariant, certificate.k
    for length in range(k):
        name = "initial" if length == 0 else f"initial and {length} step(s)"
        yield name, _initial(asked, term, length)
    for kind in (SETTLE, WORLD):
        yield f"step {kind}", _inductive(asked, term, k, kind)
    if asked.prop.form in _ROUNDS:
        yield from _ROUNDS[asked.prop.form](asked, term, certificate.rounds)
    else:
        yield "no bad state", _safe(asked, term)


def _initial(asked: Question, term: str, length: int) -> Script:
    """11.1 and 11.4: the invariant after ``length`` steps from the initial state."""
    script = Script(asked.logic, f"the invariant holds in the initial state and {length} step(s) on")
    define_invariant(script, asked, term)
    moment = first_moment(script, asked, "0")
    for number in range(length):
        moment = step(moment, str(number + 1), EITHER)
    _require_broken(moment)
    return script


def _inductive(asked: Question, term: str, k: int, kind: str) -> Script:
    """11.2 and 11.4: after ``k`` states with the invariant a step of ``kind`` keeps it."""
    script = Script(asked.logic, f"a {kind} step keeps the invariant")
    define_invariant(script, asked, term)
    moment = unknown_moment(script, asked, "0")
    for number in range(k):
        script.require(moment.invariant())
        moment = step(moment, str(number + 1), kind if number == k - 1 else EITHER)
    _require_broken(moment)
    return script


def _require_broken(moment: Moment) -> None:
    moment.script.require(neg(conj([moment.well_formed(), moment.invariant()])))


def _safe(asked: Question, term: str) -> Script:
    """11.3."""
    script = Script(asked.logic, "no state with the invariant is bad")
    define_invariant(script, asked, term)
    moment = unknown_moment(script, asked, "0")
    script.require(moment.invariant())
    bad = _BAD[asked.prop.form](moment)
    script.lines.append(f"(assert {bad})" if bad != FALSE else "(assert false)")
    return script
