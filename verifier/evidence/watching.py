"""Watches of ``specs/semantics.md`` section 8, computed along a concrete run.

A certificate may speak of a watch, so a random run that is to stay inside the certificate needs the
watch's value in each of its states. The judge (section 7) shares nothing with this module.
"""

from __future__ import annotations

from fractions import Fraction

from verifier.language.model import Form, Property
from verifier.semantics.concrete import ZERO
from verifier.semantics.concrete_guard import compile_guard
from verifier.semantics.run import Snapshot, Step

P_BEFORE, Q_BEFORE = "watch P before", "watch Q before"
OPEN, TIME = "watch open", "watch time"

_SYMBOLS: dict[Form, tuple[str, ...]] = {
    Form.WITHIN: (P_BEFORE, OPEN, TIME),
    Form.KEEPS: (P_BEFORE, OPEN, TIME),
    Form.ONLY_AFTER: (P_BEFORE, Q_BEFORE, OPEN),
    Form.LASTS_AT_LEAST: (P_BEFORE, TIME),
    Form.LASTS_AT_MOST: (P_BEFORE, TIME),
    Form.HAS_HELD: (P_BEFORE, Q_BEFORE, TIME),
    Form.BETWEEN_AT_MOST: (P_BEFORE, Q_BEFORE, OPEN, TIME),
    Form.BETWEEN_AT_LEAST: (P_BEFORE, Q_BEFORE, OPEN, TIME),
}


def watch_symbols(prop: Property) -> tuple[str, ...]:
    """The watch symbols of section 10 that a certificate for ``prop`` may use."""
    if prop.form is Form.POSSIBLE:
        return () if prop.bound is None else (TIME,)
    return _SYMBOLS.get(prop.form, ())


class Watch:
    """The watch of one property, moved along one run.

    ``p_before``, ``q_before``, ``is_open`` and ``time`` (seconds) are the values in the present state;
    all are kept for every form, ``values`` gives those that the form has.
    """

    def __init__(self, prop: Property):
        self.form = prop.form
        self.bound = ZERO if prop.bound is None else prop.bound
        self.is_bounded = prop.bound is not None
        self._symbols = watch_symbols(prop)
        self._p, self._q, self._r = (compile_guard(g) for g in (prop.p, prop.q, prop.r))
        self.p_before = self.q_before = self.is_open = False
        self.time = ZERO

    def values(self) -> dict[str, bool | Fraction]:
        """Value of each watch symbol in the present state."""
        every = {P_BEFORE: self.p_before, Q_BEFORE: self.q_before, OPEN: self.is_open, TIME: self.time}
        return {name: every[name] for name in self._symbols}

    def is_bad(self, snapshot: Snapshot) -> bool:
        """The row's formula (8.2) in a state; never in one that is not settled."""
        if not snapshot.is_settled:
            return False
        p, q, r = self._truths(snapshot)
        p_comes, q_comes = p and not self.p_before, q and not self.q_before
        form, time, bound = self.form, self.time, self.bound
        if form is Form.NEVER:
            return snapshot.can_pass and p
        if form is Form.ALWAYS:
            return snapshot.can_pass and not p
        if form is Form.WHILE:
            return snapshot.can_pass and p and not q
        if form is Form.WITHIN or form is Form.BETWEEN_AT_MOST:
            return self.is_open and time > bound
        if form is Form.KEEPS:
            return not q and not r and (p_comes or (self.is_open and time <= bound))
        if form is Form.ONLY_AFTER:
            return q_comes and (r or not (self.is_open or p_comes))
        if form is Form.LASTS_AT_LEAST:
            return self.p_before and not p and time < bound
        if form is Form.LASTS_AT_MOST:
            return self.p_before and time > bound
        if form is Form.HAS_HELD:
            too_short = bound > 0 if p_comes else time < bound
            return q_comes and (not p or too_short)
        if form is Form.BETWEEN_AT_LEAST:
            too_soon = bound > 0 if p_comes else self.is_open and time < bound
            return q_comes and not r and too_soon
        if form is Form.POSSIBLE:
            return p and (not self.is_bounded or time <= bound)
        return False

    def go_on(self, before: Snapshot, step: Step) -> None:
        """Take ``step`` from ``before``: a world step absorbs ``before``, a settle round changes nothing."""
        if step.kind != "world":
            return
        p, q, r = self._truths(before)
        p_comes, q_comes = p and not self.p_before, q and not self.q_before
        was_open, form = self.is_open, self.form
        restart = False
        if form is Form.WITHIN:
            self.is_open = not (q or r) and (was_open or p_comes)
            restart = p_comes and not was_open
        elif form is Form.BETWEEN_AT_MOST:
            self.is_open = not (q_comes or r) and (was_open or p_comes)
            restart = p_comes and not was_open
        elif form is Form.BETWEEN_AT_LEAST:
            self.is_open = not (q_comes or r) and (was_open or p_comes)
            restart = p_comes
        elif form is Form.KEEPS:
            self.is_open = not r and (p_comes or (was_open and self.time <= self.bound))
            restart = p_comes
        elif form is Form.ONLY_AFTER:
            self.is_open = not r and (was_open or p_comes)
        elif form in (Form.LASTS_AT_LEAST, Form.LASTS_AT_MOST, Form.HAS_HELD):
            restart = p_comes
        self.p_before, self.q_before = p, q
        self.time = step.delay if restart else self.time + step.delay

    def _truths(self, snapshot: Snapshot) -> tuple[bool, bool, bool]:
        where = snapshot.locations
        return self._p(where), self._q(where), self._r(where)
