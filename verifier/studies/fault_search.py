"""The smallest sets that break something, from questions about whole sets.

As conflicts are found in diagnosis (Reiter, "A theory of diagnosis from first principles", 1987): ask with all faults
that hit none of the sets found so far; what breaks the property then is kept, and any smaller set that does so comes
out in the same way; when every such question is answered by a proof there are no others.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

from verifier.evidence.result import Result

Faults = frozenset[str]
Ask = Callable[[Faults], Result]
Spent = Callable[[Result], Faults]
Alike = Callable[[Faults, Result, Callable[[Faults], bool]], Mapping[Faults, Result]]

# In how many sets found a smaller one must lie before it is asked about by itself.
DOUBTFUL = 3

# A property that is not put to the test is not broken; why it is not is said of one that no fault puts to it.
HELD = ("proved", "vacuous")


@dataclass(frozen=True)
class Undecided:
    """No answer for these faults together: sets that lie within them may be missing."""

    faults: tuple[str, ...]
    reason: str


def enumerate_sets(
    every: Faults,
    order: int,
    ask: Ask,
    spent: Spent,
    seeds: Collection[Faults] = (),
    alike: Alike = lambda *shown: {},
) -> tuple[list[tuple[Faults, Result]], list[Undecided]]:
    """All smallest sets within ``every``, each with the violation that shows it, and where the answer is
    missing. ``ask`` tells what becomes of a property when only these faults happen, ``spent`` which of them the
    run of a violation needs; that is never more than ``order``. ``seeds`` are asked about first, and
    ``alike`` tells of other violations like one: each set found makes the question about all others easier."""
    found: dict[Faults, Result] = {}
    undecided: dict[Faults, Undecided] = {}
    done: set[Faults] = set()

    def note(faults: Faults, answer: Result) -> None:
        if answer.verdict not in HELD:
            undecided[faults] = Undecided(tuple(sorted(faults)), answer.reason)

    def is_known(faults: Faults) -> bool:
        return any(one <= faults for one in found)

    def keep(faults: Faults, answer: Result) -> None:
        """With those like it."""
        more = {faults: answer}
        while more:
            faults, answer = more.popitem()
            if not is_known(faults):
                for larger in [one for one in found if faults < one]:
                    del found[larger]
                found[faults] = answer
                more |= alike(faults, answer, is_known)

    def shrink(answer: Result) -> None:
        """A smaller set that breaks the property would be found in the end, within all that hits none of the sets;
        it is asked about here only where it lies in several sets, each of which may be found for its sake."""
        needed = spent(answer)
        keep(needed, answer)
        for size in range(1, len(needed)):
            for some in map(frozenset, combinations(sorted(needed), size)):
                if not is_known(some) and sum(some < one for one in found) >= DOUBTFUL:
                    if ask(some).verdict == "violated":
                        keep(some, ask(some))
                    else:
                        note(some, ask(some))

    def one_by_one(within: Faults) -> None:
        """Where the question about many faults has no answer: every small set within them."""
        for size in range(order + 1):
            for some in map(frozenset, combinations(sorted(within), size)):
                if is_known(some):
                    continue
                if ask(some).verdict == "violated":
                    keep(some, ask(some))
                else:
                    note(some, ask(some))

    for seed in sorted(seeds, key=lambda faults: (len(faults), sorted(faults))):
        if not is_known(seed):
            answer = ask(seed)
            if answer.verdict == "violated":
                shrink(answer)
    while True:
        open_ = [every - hit for hit in hitting_sets(list(found))]
        fresh = [faults for faults in open_ if not any(faults <= one for one in done)]
        if not fresh:
            break
        within = max(fresh, key=lambda faults: (len(faults), sorted(faults)))
        answer = ask(within)
        if answer.verdict == "violated":
            shrink(answer)
            continue
        done.add(within)
        if answer.verdict not in HELD:
            one_by_one(within)
    left = [one for faults, one in undecided.items() if not any(known <= faults for known in found)]
    return list(found.items()), left


def hitting_sets(sets: Sequence[Faults]) -> list[Faults]:
    """The smallest sets that have a member in common with each of ``sets``; one empty set when there are none
    to hit, and none at all when one of them is empty."""
    hits: list[Faults] = [frozenset()]
    for one in sets:
        kept = [hit for hit in hits if hit & one]
        grown = {hit | {name} for hit in hits if not hit & one for name in one}
        kept += [hit for hit in grown if not any(other <= hit for other in kept)]
        hits = [hit for hit in kept if not any(other < hit for other in kept)]
    return sorted(hits, key=lambda hit: (len(hit), sorted(hit)))
