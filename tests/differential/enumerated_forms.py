"""Section 7 of ``specs/semantics.md`` for the enumerator: does the newest settled state break a form?

``past`` is (age in grains, P, Q, R) of every settled state of a run, oldest first, the newest at age 0;
``bound`` is T in grains. No earlier state broke the form, so ages may have been cut at T + 1.
"""

from __future__ import annotations

from verifier.language.model import Form

P, Q, R = 1, 2, 3


def breaks_now(form: Form, past, bound: int | None) -> bool:
    return _FORMS[form](list(past), bound)


def _comes(past, k: int, letter: int) -> bool:
    """State ``k`` is an onset (6.3)."""
    return past[k][letter] and (k == 0 or not past[k - 1][letter])


def _spell_age(past, k: int) -> int:
    """Age of the beginning of the spell of P that state ``k`` is in."""
    while k > 0 and past[k - 1][P]:
        k -= 1
    return past[k][0]


def _within(past, bound) -> bool:
    for k, (age, *_rest) in enumerate(past):
        if _comes(past, k, P) and age > bound:
            # Times count from the onset: age - other is how long after it.
            if not any((s[Q] or s[R]) and age - s[0] <= bound for s in past[k:]):
                return True
    return False


def _keeps(past, bound) -> bool:
    if past[-1][Q]:
        return False
    for k, (age, *_rest) in enumerate(past):
        if _comes(past, k, P) and age <= bound and not any(s[R] for s in past[k:]):
            return True
    return False


def _only_after(past, _bound) -> bool:
    newest = len(past) - 1
    if not _comes(past, newest, Q):
        return False
    for k in range(newest, -1, -1):
        if past[k][R]:
            return True
        if _comes(past, k, P):
            return False
    return True


def _lasts_at_least(past, bound) -> bool:
    newest = len(past) - 1
    ended = newest > 0 and past[newest - 1][P] and not past[newest][P]
    return ended and _spell_age(past, newest - 1) < bound


def _lasts_at_most(past, bound) -> bool:
    newest = len(past) - 1
    return newest > 0 and past[newest - 1][P] and _spell_age(past, newest - 1) > bound


def _has_held(past, bound) -> bool:
    newest = len(past) - 1
    if not _comes(past, newest, Q):
        return False
    return not past[newest][P] or _spell_age(past, newest) < bound


def _between_at_most(past, bound) -> bool:
    waiting = None
    for k, (age, *_rest) in enumerate(past):
        if waiting is None and _comes(past, k, P):
            waiting = age
        if waiting is not None and (_comes(past, k, Q) or past[k][R]):
            waiting = None
    if waiting is not None:
        return waiting > bound
    # The newest state may answer, but too late.
    return len(past) > 1 and (_comes(past, len(past) - 1, Q) or past[-1][R]) and _between_at_most(
        [*past[:-1], (past[-1][0], past[-1][P], past[-2][Q], False)], bound
    )


def _between_at_least(past, bound) -> bool:
    newest = len(past) - 1
    if not _comes(past, newest, Q):
        return False
    for k in range(newest, -1, -1):
        if past[k][R]:
            return False
        if k < newest and _comes(past, k, Q):
            return False
        if _comes(past, k, P):
            return past[k][0] < bound
    return False


_FORMS = {
    Form.WITHIN: _within,
    Form.KEEPS: _keeps,
    Form.ONLY_AFTER: _only_after,
    Form.LASTS_AT_LEAST: _lasts_at_least,
    Form.LASTS_AT_MOST: _lasts_at_most,
    Form.HAS_HELD: _has_held,
    Form.BETWEEN_AT_MOST: _between_at_most,
    Form.BETWEEN_AT_LEAST: _between_at_least,
}
