"""The watches of ``specs/semantics.md`` section 8, one row a form."""

from __future__ import annotations

from verifier.evidence.recheck_moment import Moment
from verifier.evidence.recheck_names import CLOCK, OPEN, P_BEFORE, Q_BEFORE, watch_symbols
from verifier.evidence.recheck_script import (
    FALSE, TRUE, ZERO, Time, add, choose, conj, disj, neg, number,
)
from verifier.language.model import BUILT_IN, Form

WATCHED = frozenset(Form) - BUILT_IN - {Form.EVENTUALLY}


class _Row:
    """P, Q, R, onsets and old values in one state."""

    def __init__(self, moment: Moment):
        prop = moment.asked.prop
        self.form, self.bound = prop.form, prop.bound
        self.p, self.q, self.r = moment.holds(prop.p), moment.holds(prop.q), moment.holds(prop.r)
        self.p_before = moment.bits.get(P_BEFORE, FALSE)
        self.new_p = conj([self.p, neg(self.p_before)])
        self.new_q = conj([self.q, neg(moment.bits.get(Q_BEFORE, FALSE))])
        self.open = moment.bits.get(OPEN, FALSE)
        self.clock = moment.times[CLOCK].value if CLOCK in moment.times else ZERO

    def clock_is(self, relation: str) -> str:
        return f"({relation} {self.clock} {number(self.bound)})"


def bad(moment: Moment) -> str:
    """8.2, column "bad in settled s"; for ``possible`` it means shown."""
    row = _Row(moment)
    positive = TRUE if row.bound is not None and row.bound > 0 else FALSE
    match row.form:
        case Form.NEVER:
            return conj([moment.can_pass, row.p])
        case Form.ALWAYS:
            return conj([moment.can_pass, neg(row.p)])
        case Form.WHILE:
            return conj([moment.can_pass, row.p, neg(row.q)])
        case Form.WITHIN | Form.BETWEEN_AT_MOST:
            formula = conj([row.open, row.clock_is(">")])
        case Form.KEEPS:
            late = conj([row.open, row.clock_is("<=")])
            formula = conj([neg(row.q), neg(row.r), disj([row.new_p, late])])
        case Form.ONLY_AFTER:
            formula = conj([row.new_q, disj([row.r, neg(disj([row.open, row.new_p]))])])
        case Form.LASTS_AT_LEAST:
            formula = conj([row.p_before, neg(row.p), row.clock_is("<")])
        case Form.LASTS_AT_MOST:
            formula = conj([row.p_before, row.clock_is(">")])
        case Form.HAS_HELD:
            short = disj([conj([row.new_p, positive]), conj([neg(row.new_p), row.clock_is("<")])])
            formula = conj([row.new_q, disj([neg(row.p), short])])
        case Form.BETWEEN_AT_LEAST:
            early = conj([neg(row.new_p), row.open, row.clock_is("<")])
            formula = conj([row.new_q, neg(row.r), disj([conj([row.new_p, positive]), early])])
        case Form.POSSIBLE:
            formula = conj([row.p, row.clock_is("<=")]) if row.bound is not None else row.p
        case _:
            raise ValueError(f"no watch for {row.form.value!r}")
    return conj([moment.settled, formula])


def absorb(moment: Moment, delay: str) -> tuple[dict[str, str], dict[str, Time]]:
    """8.2, column "absorbing s": bits and clock after a world step of ``delay`` from ``moment``."""
    if not watch_symbols(moment.asked.prop):
        return {}, {}
    row = _Row(moment)
    is_open, restart = FALSE, FALSE
    match row.form:
        case Form.WITHIN:
            is_open = conj([neg(disj([row.q, row.r])), disj([row.open, row.new_p])])
            restart = conj([row.new_p, neg(row.open)])
        case Form.KEEPS:
            late = conj([row.open, row.clock_is("<=")])
            is_open = conj([neg(row.r), disj([row.new_p, late])])
            restart = row.new_p
        case Form.ONLY_AFTER:
            is_open = conj([neg(row.r), disj([row.open, row.new_p])])
        case Form.BETWEEN_AT_MOST:
            is_open = conj([neg(disj([row.new_q, row.r])), disj([row.open, row.new_p])])
            restart = conj([row.new_p, neg(row.open)])
        case Form.BETWEEN_AT_LEAST:
            is_open = conj([neg(disj([row.new_q, row.r])), disj([row.open, row.new_p])])
            restart = row.new_p
        case Form.LASTS_AT_LEAST | Form.LASTS_AT_MOST | Form.HAS_HELD:
            restart = row.new_p
    new = {P_BEFORE: row.p, Q_BEFORE: row.q, OPEN: is_open}
    bits = {name: new[name] for name in new if name in moment.bits}
    times = {}
    if CLOCK in moment.times:
        times[CLOCK] = Time(add(choose(restart, ZERO, row.clock), delay))
    return bits, times
