"""Section 8 of ``specs/semantics.md`` once more, for the peers: the row of each form as a few
functions.

They use only ``&``, ``|`` and ``no`` and so serve truth values, diagrams and z3 terms alike.
``test`` is the one comparison of a row: ``watch time > T`` where ``late``, else ``watch time < T``.
"""

from __future__ import annotations

import operator
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from verifier.language.model import Form

P, Q, OPEN = "P before", "Q before", "open"


@dataclass(frozen=True)
class Seen:
    """What a watch sees of a settled state: P, Q, R, its own bits, and its one comparison."""

    p: Any
    q: Any
    r: Any
    bits: dict[str, Any]
    test: Any = False
    positive: bool = True
    no: Callable = operator.not_

    @property
    def p_comes(self):
        return self.p & self.no(self.bits[P])

    @property
    def q_comes(self):
        return self.q & self.no(self.bits[Q])

    @property
    def open(self):
        return self.bits[OPEN]


@dataclass(frozen=True)
class Watch:
    """``update`` gives the new bits by name; ``needed_while`` is the bit while which the clock
    counts ("" for always); ``restart`` is None without a clock; ``lasting`` adds "and time can
    pass"."""

    bits: tuple[str, ...]
    bad: Callable[[Seen], Any]
    update: Callable[[Seen], dict[str, Any]] = lambda s: {}
    restart: Callable[[Seen], Any] | None = None
    late: bool = True
    lasting: bool = False
    needed_while: str = ""
    has_clock: bool = False


def _now_open(s: Seen):
    return s.open | s.p_comes


def _keeps_on(s: Seen):
    return s.p_comes | (s.open & s.no(s.test))


def _not_yet(s: Seen):
    """For an onset of P at this very moment: T > 0 has not passed yet."""
    return s.p_comes if s.positive else s.p_comes & s.no(s.p_comes)


_BEGINS = {"restart": lambda s: s.p_comes, "has_clock": True}
_FIRST = {"restart": lambda s: s.p_comes & s.no(s.open), "has_clock": True}

WATCHES: dict[Form, Watch] = {
    Form.NEVER: Watch((), lambda s: s.p, lasting=True),
    Form.ALWAYS: Watch((), lambda s: s.no(s.p), lasting=True),
    Form.WHILE: Watch((), lambda s: s.p & s.no(s.q), lasting=True),
    Form.WITHIN: Watch(
        (P, OPEN),
        lambda s: s.open & s.test,
        lambda s: {P: s.p, OPEN: s.no(s.q | s.r) & _now_open(s)},
        needed_while=OPEN,
        **_FIRST,
    ),
    Form.KEEPS: Watch(
        (P, OPEN),
        lambda s: s.no(s.q | s.r) & _keeps_on(s),
        lambda s: {P: s.p, OPEN: s.no(s.r) & _keeps_on(s)},
        needed_while=OPEN,
        **_BEGINS,
    ),
    Form.ONLY_AFTER: Watch(
        (P, Q, OPEN),
        lambda s: s.q_comes & (s.r | s.no(_now_open(s))),
        lambda s: {P: s.p, Q: s.q, OPEN: s.no(s.r) & _now_open(s)},
    ),
    Form.LASTS_AT_LEAST: Watch(
        (P,),
        lambda s: s.bits[P] & s.no(s.p) & s.test,
        lambda s: {P: s.p},
        late=False,
        needed_while=P,
        **_BEGINS,
    ),
    Form.LASTS_AT_MOST: Watch(
        (P,), lambda s: s.bits[P] & s.test, lambda s: {P: s.p}, needed_while=P, **_BEGINS
    ),
    Form.HAS_HELD: Watch(
        (P, Q),
        lambda s: s.q_comes & (s.no(s.p) | _not_yet(s) | (s.no(s.p_comes) & s.test)),
        lambda s: {P: s.p, Q: s.q},
        late=False,
        needed_while=P,
        **_BEGINS,
    ),
    Form.BETWEEN_AT_MOST: Watch(
        (P, Q, OPEN),
        lambda s: s.open & s.test,
        lambda s: {P: s.p, Q: s.q, OPEN: s.no(s.q_comes | s.r) & _now_open(s)},
        needed_while=OPEN,
        **_FIRST,
    ),
    Form.BETWEEN_AT_LEAST: Watch(
        (P, Q, OPEN),
        lambda s: s.q_comes & s.no(s.r) & (_not_yet(s) | (s.no(s.p_comes) & s.open & s.test)),
        lambda s: {P: s.p, Q: s.q, OPEN: s.no(s.q_comes | s.r) & _now_open(s)},
        late=False,
        needed_while=OPEN,
        **_BEGINS,
    ),
}


def watch_of(form: Form, bound) -> Watch:
    """The row of ``form``. Raises ``NoWatch`` for a form that the peers do not answer."""
    if form is Form.POSSIBLE:
        if bound is None:
            return Watch((), lambda s: s.p)
        return Watch((), lambda s: s.p & s.no(s.test), has_clock=True)
    if form not in WATCHES:
        raise NoWatch(f"the peers do not answer `{form.value}`")
    return WATCHES[form]


class NoWatch(Exception):
    """A form outside what the peers answer."""
