"""Watches: a property form as a few bits, one clock and a formula for "bad" (semantics section 8).

This is the symbolic reading's own table; the re-check and the cross-check each keep another.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from verifier.language.model import Form
from verifier.semantics.formula import (
    NEVER,
    YES,
    AtLeast,
    Formula,
    In,
    all_of,
    any_of,
    negate,
)

P_BEFORE = "watch P before"
Q_BEFORE = "watch Q before"
OPEN = "watch open"
TIME = "watch time"
SET = frozenset({"1"})


@dataclass(frozen=True)
class Watch:
    """``bits`` maps each watch register to its new value when a settled state is absorbed.

    ``restart`` says when the clock begins again at 0 (before the delay), None without a clock.
    ``bad`` is judged in settled states; ``judges_lasting`` adds "and time can pass".
    ``clock_matters`` says, over the watch's bits, when the clock's value can still decide anything.
    """

    bits: dict[str, Formula]
    restart: Formula | None
    bad: Formula
    judges_lasting: bool = False
    clock_matters: Formula = YES


def bit(name: str) -> Formula:
    return In(name, SET)


def watch_for(form: Form, p: Formula, q: Formula, r: Formula, bound: Fraction | None) -> Watch:
    """The watch of one form of semantics section 8, for formulas ``p``, ``q``, ``r`` over one state."""
    if form is Form.NEVER:
        return Watch({}, None, p, judges_lasting=True)
    if form is Form.ALWAYS:
        return Watch({}, None, negate(p), judges_lasting=True)
    if form is Form.WHILE:
        return Watch({}, None, all_of(p, negate(q)), judges_lasting=True)

    onset_p = all_of(p, negate(bit(P_BEFORE)))
    onset_q = all_of(q, negate(bit(Q_BEFORE)))
    is_open = bit(OPEN)
    if form is Form.POSSIBLE:
        if bound is None:
            return Watch({}, None, p)
        return Watch({}, NEVER, all_of(p, negate(AtLeast(TIME, bound, strict=True))))
    if form is Form.ONLY_AFTER:
        seen = any_of(is_open, onset_p)
        bits = {P_BEFORE: p, Q_BEFORE: q, OPEN: all_of(negate(r), seen)}
        return Watch(bits, None, all_of(onset_q, any_of(r, negate(seen))))

    if bound is None:
        raise ValueError(f"{form.value} needs a bound")
    past = AtLeast(TIME, bound, strict=True)
    short = negate(AtLeast(TIME, bound))
    longer_than_nothing = YES if bound > 0 else NEVER
    begins = all_of(onset_p, negate(is_open))
    if form is Form.WITHIN:
        bits = {
            P_BEFORE: p,
            OPEN: all_of(negate(q), negate(r), any_of(is_open, onset_p)),
        }
        return Watch(bits, begins, all_of(is_open, past), clock_matters=is_open)
    if form is Form.KEEPS:
        on = any_of(onset_p, all_of(is_open, negate(past)))
        bits = {P_BEFORE: p, OPEN: all_of(negate(r), on)}
        return Watch(bits, onset_p, all_of(negate(q), negate(r), on), clock_matters=is_open)
    if form is Form.LASTS_AT_LEAST:
        bad = all_of(bit(P_BEFORE), negate(p), short)
        return Watch({P_BEFORE: p}, onset_p, bad, clock_matters=bit(P_BEFORE))
    if form is Form.LASTS_AT_MOST:
        bad = all_of(bit(P_BEFORE), past)
        return Watch({P_BEFORE: p}, onset_p, bad, clock_matters=bit(P_BEFORE))
    if form is Form.HAS_HELD:
        unheld = any_of(
            negate(p), all_of(onset_p, longer_than_nothing), all_of(negate(onset_p), short)
        )
        bits = {P_BEFORE: p, Q_BEFORE: q}
        return Watch(bits, onset_p, all_of(onset_q, unheld), clock_matters=bit(P_BEFORE))
    if form is Form.BETWEEN_AT_MOST:
        bits = {
            P_BEFORE: p,
            Q_BEFORE: q,
            OPEN: all_of(negate(onset_q), negate(r), any_of(is_open, onset_p)),
        }
        return Watch(bits, begins, all_of(is_open, past), clock_matters=is_open)
    if form is Form.BETWEEN_AT_LEAST:
        early = any_of(
            all_of(onset_p, longer_than_nothing), all_of(negate(onset_p), is_open, short)
        )
        bits = {
            P_BEFORE: p,
            Q_BEFORE: q,
            OPEN: all_of(negate(onset_q), negate(r), any_of(is_open, onset_p)),
        }
        bad = all_of(onset_q, negate(r), early)
        return Watch(bits, onset_p, bad, clock_matters=is_open)
    raise ValueError(f"no watch for {form.value}")
