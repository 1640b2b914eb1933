"""Faults to plant in the symbolic reading: one conjunct dropped, or one added.

A plant is a change to the text of one function. ``harm`` is the wrong verdict that could follow, ``by`` the
guards each of which must catch it with the others away, ``case`` the model on which they must.

Not among them: dropping "takes no other transition" from a move. A machine still goes one way only, and a
fault taken beside it costs more, so no verdict can turn.
"""

from __future__ import annotations

from dataclasses import dataclass
from types import FunctionType

from verifier.engines.solver import Frames, Query
from verifier.semantics import bare, rounds, system, watch, watched

# What refuses: the concrete machine a trace; cvc5 a certificate; random runs a certificate; z3 on the
# whole timed step what the exploration of locations and zones takes for a proof. CONTRADICTED: the search
# of exact zones has a run that z3 does not confirm, so the verdict is that of no one.
REPLAY, RECHECK, CROSSCHECK, CONFIRMING = "replay", "re-check", "cross-check", "confirming"
CONTRADICTED = "undecided"
BOTH = (RECHECK, CROSSCHECK)

_Builder = bare._Builder


@dataclass(frozen=True)
class Plant:
    name: str
    harm: str
    by: tuple[str, ...]
    case: str
    where: FunctionType
    old: str
    new: str


DROPPED = [
    Plant(
        "control timers limit no delay",
        "violated though control acts in time",
        (REPLAY,),
        "amber lasts at most 3 s",
        _Builder._limits,
        "timed_control + self._obliging()",
        "self._obliging()",
    ),
    Plant(
        "deadlines limit no delay",
        "violated though the world must act",
        (REPLAY,),
        "near lasts at most 5 s",
        _Builder._limits,
        "timed_control + self._obliging()",
        "timed_control",
    ),
    Plant(
        "control need not wait for its time",
        "violated by control that is early; proved, as no delay is left",
        BOTH,
        "amber lasts at least 3 s",
        _Builder._rule,
        "all_of(free, *(AtLeast(clock, lo) for clock, lo in starts))",
        "free",
    ),
    Plant(
        "the world need not wait for its window",
        "violated by a train faster than any",
        (REPLAY,),
        "near lasts at least 2 s",
        _Builder._rule,
        "all_of(free, *(AtLeast(clock, lo, delayed=True) for clock, lo in starts))",
        "free",
    ),
    Plant(
        "a move of the world needs no guard",
        "violated by a train that ignores what it obeys",
        (REPLAY,),
        "in only with barrier down",
        _Builder._rule,
        "all_of(free, *(AtLeast(clock, lo, delayed=True)",
        "all_of(In(t.machine, frozenset({t.source})), *(AtLeast(clock, lo, delayed=True)",
    ),
    Plant(
        "`held` is not set back when its guard breaks",
        "violated by a proof of clear that is early",
        (REPLAY,),
        "clear held for 2 s",
        _Builder._clock_updates,
        "still = all_of(rule.free, guard_formula(rule.transition.when, self.fixed, next=True))",
        "still = YES",
    ),
    Plant(
        "`held` counts the wait before its guard came",
        "violated by a driver who starts early",
        (REPLAY,),
        "driver sees clear for 2 s",
        _Builder._clock_updates,
        "all_of(rule.free, guard_formula(rule.transition.when, self.fixed, next=True))",
        "guard_formula(rule.transition.when, self.fixed, next=True)",
    ),
    Plant(
        "entering a state leaves its time open",
        "violated, the time being what suits",
        (REPLAY,),
        "in lasts at least 1 s",
        _Builder._clock_updates,
        'updates.append(Update(name, "zero" if took else "grows"))',
        'updates += [] if took else [Update(name, "grows")]',
    ),
    Plant(
        "a machine that stays may change its state",
        "violated by a jump",
        (REPLAY,),
        "near lasts at least 2 s",
        _Builder._stays,
        ", Same(machine.name)",
        "",
    ),
    Plant(
        "a machine that stays may count as moving",
        "`pulse` violated by an order that stood",
        (REPLAY,),
        "an order that stood",
        _Builder._stays,
        "*no_take, ",
        "",
    ),
    Plant(
        "control may rest though it is enabled",
        "violated by control that lags behind",
        (REPLAY,),
        "two orders together",
        _Builder._settle_part,
        "all_of(none_enabled, stays)",
        "stays",
    ),
    Plant(
        "faults cost nothing",
        "violated by more faults than granted",
        (REPLAY,),
        "two lamps on one fault",
        _Builder._spending,
        "return all_of(negate(too_many), any_of(*options))",
        "return YES",
    ),
    Plant(
        "a move is not noted as taken",
        "violated by faults that nobody counts",
        (REPLAY,),
        "two lamps on one fault",
        _Builder._moves,
        "Take(machine.name, t.index),\n",
        "\n",
    ),
    Plant(
        "states in which no time can pass are judged",
        "violated by a barrier down exactly in time",
        (REPLAY,),
        "down exactly in time",
        watched._watched,
        "passing = base.can_pass if watch.judges_lasting else YES",
        "passing = YES",
    ),
    Plant(
        "states in the midst of a settle are judged",
        "violated between two rounds of one moment",
        (REPLAY,),
        "second order after the first",
        watched._watched,
        "bad=all_of(base.settled, passing, watch.bad)",
        "bad=all_of(passing, watch.bad)",
    ),
    Plant(
        "an answer does not end the demand",
        "violated though answered in time",
        (REPLAY,),
        "in within 5 s of near",
        watch.watch_for,
        "OPEN: all_of(negate(q), negate(r), any_of(is_open, onset_p)),",
        "OPEN: any_of(is_open, onset_p),",
    ),
    Plant(
        "R does not ask for a new P",
        "proved though an old call was used again",
        BOTH,
        "only after a new call",
        watch.watch_for,
        "OPEN: all_of(negate(r), seen)}",
        "OPEN: seen}",
    ),
    Plant(
        "while one control machine moves first, others may too",
        "`order matters` violated without a race",
        (REPLAY,),
        "no race",
        rounds.alone,
        ", *others)",
        ")",
    ),
    Plant(
        "z3: a register need not keep its value",
        "undecided, or violated by a jump",
        (CONFIRMING,),
        "near lasts at least 2 s",
        Frames._term,
        "conj([_same(before, after) for before, after in pairs])",
        "z3.BoolVal(True)",
    ),
    Plant(
        "z3: a clock may run fast",
        "undecided, or violated by a clock that ran ahead",
        (CONFIRMING,),
        "near lasts at most 5 s",
        Frames._term,
        "after == self.clock(formula.clock, frame) + self.delay(frame)",
        "after >= self.clock(formula.clock, frame) + self.delay(frame)",
    ),
    Plant(
        "z3: a delay may be negative",
        "violated by time turned back",
        (REPLAY,),
        "in before z",
        Query.add,
        "for term in terms:",
        "for term in (t for t in terms"
        " if not (z3.is_ge(t) and str(t.arg(0)).startswith('delay@'))):",
    ),
]

ADDED = [
    Plant(
        "the world may not act at its earliest moment",
        "proved, the fastest train being lost",
        BOTH,
        "in within 2 s",
        _Builder._rule,
        "AtLeast(clock, lo, delayed=True)",
        "AtLeast(clock, lo, strict=True, delayed=True)",
    ),
    Plant(
        "control is enabled only after its time",
        "proved, as time stops at the timer and nothing follows",
        BOTH,
        "red comes",
        _Builder._rule,
        "AtLeast(clock, lo) for",
        "AtLeast(clock, lo, strict=True) for",
    ),
    Plant(
        "a delay may not reach the deadline",
        "proved, the slowest train being lost",
        (CROSSCHECK,),
        "still near at 5 s",
        system.limit_formula,
        "strict=True, delayed=True",
        "delayed=True",
    ),
    Plant(
        "two machines of the world never move together",
        "proved, coincidences being lost",
        BOTH,
        "both at once",
        _Builder._world_part,
        "all_of(r.enabled_late, self._move(r))",
        "all_of(r.enabled_late, self._move(r),"
        " *(Same(m.name) for m in self.world if m is not machine))",
    ),
    Plant(
        # The second solver is not asked alone: z3 finds the stuck settle before.
        "only one machine of control moves in a round",
        "proved, as a settle with two gets stuck",
        (CROSSCHECK,),
        "two orders possible",
        _Builder._settle_part,
        "all_of(r.enabled, self._move(r))",
        "all_of(r.enabled, self._move(r),"
        " *(Same(m.name) for m in self.control if m is not machine))",
    ),
    Plant(
        "no step of the world while a machine is in its last state",
        "proved, everything after being lost",
        BOTH,
        "only after a new call",
        _Builder._world_part,
        "any_of(self.stays[machine.name], *options)",
        "all_of(negate(In(machine.name, frozenset({machine.states[-1]}))),"
        " any_of(self.stays[machine.name], *options))",
    ),
    Plant(
        "what is enabled in the world must be taken",
        "proved, those who wait being lost",
        BOTH,
        "still near at 5 s",
        _Builder._world_part,
        "any_of(self.stays[machine.name], *options)",
        "any_of(all_of(self.stays[machine.name],"
        " *(negate(r.enabled_late) for r in self.rules[machine.name])), *options)",
    ),
    Plant(
        "a time is set back only on entering another state",
        "proved, as a pulse that repeats stops time",
        BOTH,
        "ticks let time pass",
        _Builder._moves,
        "took=True",
        "took=t.source != t.target",
    ),
    Plant(
        "two faults never fall together",
        "proved under a budget that pays for both",
        BOTH,
        "two lamps at once on two faults",
        _Builder._spending,
        "for n in range(self.budget + 1)\n        for before",
        "for n in range(2)\n        for before",
    ),
    Plant(
        "the budget is spent before the start",
        "proved, no fault being left to take",
        BOTH,
        "one lamp on one fault",
        _Builder.system,
        "{name: values[0] for name, values in registers.items()}",
        "{name: values[-1 if name == SPENT else 0] for name, values in registers.items()}",
    ),
    Plant(
        "no time passes once a window is open",
        "proved, the hazard being taken for a moment",
        BOTH,
        "down 1 s too late",
        _Builder._can_pass,
        "for clock, hi in r.ends",
        "for clock, hi in r.starts",
    ),
    Plant(
        "faults oblige",
        "proved, as what need not fail must",
        BOTH,
        "a lamp need not fail",
        system.obliges,
        "transition.fault is None and bool(windows)",
        "bool(windows)",
    ),
    Plant(
        "what may fail is held for what can't",
        "proved, no fault ever happening",
        BOTH,
        "one lamp on one fault",
        bare.fixed_machines,
        "payable(t, budget) and",
        "payable(t, 0) and",
    ),
    Plant(
        "of the states in a guard only the first counts",
        "proved, a way being lost",
        BOTH,
        "in with barrier low",
        system.guard_formula,
        "In(guard.machine, guard.states, next)",
        "In(guard.machine, frozenset(sorted(guard.states)[:1]), next)",
    ),
    Plant(
        "a demand stays open only while P is true",
        "proved, P having ended before the answer was due",
        BOTH,
        "in within 4 s of a call",
        watch.watch_for,
        "OPEN: all_of(negate(q), negate(r), any_of(is_open, onset_p)),",
        "OPEN: all_of(p, negate(q), negate(r), any_of(is_open, onset_p)),",
    ),
    Plant(
        "P in the first state is no onset",
        "proved, the demand being missed",
        BOTH,
        "in within 4 s of near",
        watched._beside,
        "values[0] for",
        "values[name == 'watch P before'] for",
    ),
    Plant(
        "`keeps` ends just before its time",
        "proved, the last moment being lost",
        BOTH,
        "lit for 3 s",
        watch.watch_for,
        "on = any_of(onset_p, all_of(is_open, negate(past)))",
        "on = any_of(onset_p, all_of(is_open, short))",
    ),
    Plant(
        "a spell begins anew in every state",
        "proved, long spells looking short",
        BOTH,
        "near lasts at most 4 s among ticks",
        watch.watch_for,
        "bad = all_of(bit(P_BEFORE), past)\n        return Watch({P_BEFORE: p}, onset_p",
        "bad = all_of(bit(P_BEFORE), past)\n        return Watch({P_BEFORE: p}, p",
    ),
    Plant(
        "`has_held` counts from the start of the run",
        "proved, short spells looking long",
        BOTH,
        "on for 2 s before in",
        watch.watch_for,
        "return Watch(bits, onset_p, all_of(onset_q, unheld)",
        "return Watch(bits, NEVER, all_of(onset_q, unheld)",
    ),
    Plant(
        "`ambiguous` is looked for in settled states",
        "proved, as a settled state has nothing enabled",
        BOTH,
        "two ways open",
        watched._ambiguous,
        "all_of(one.enabled, other.enabled)",
        "all_of(one.enabled, other.enabled, base.settled)",
    ),
    Plant(
        "`pulse` forgets who moved a round before",
        "proved, the order being taken back later",
        BOTH,
        "an order taken back",
        watched._with_fresh,
        'any_of(In(name, frozenset({"1"})), took)',
        "took",
    ),
    Plant(
        "of what is due at once only `held` is forced",
        "`time stops` proved where it does",
        BOTH,
        "to and fro in no time",
        rounds.forced_round,
        "_ends_at_once(rule):",
        "_ends_at_once(rule) and rule.transition.held:",
    ),
    Plant(
        "only the first machine can go round without times",
        "`does not settle` proved where two chase each other",
        BOTH,
        "an endless chase",
        rounds._untimed,
        "if machine.is_control and not rule.is_timed",
        "if machine is system.model.machines[0] and not rule.is_timed",
    ),
    Plant(
        "a machine moves first only when all is settled",
        "`order matters` proved where there is a race",
        BOTH,
        "a race",
        rounds.alone,
        "all_of(rule.enabled, system.moves",
        "all_of(rule.enabled, system.settled, system.moves",
    ),
    Plant(
        "z3: every comparison of a clock is strict",
        "undecided: the zones hold a run that z3 does not",
        (CONTRADICTED,),
        "in within 2 s",
        Frames._term,
        "measured > bound if formula.strict else measured >= bound",
        "measured > bound",
    ),
    Plant(
        "z3: what is true after a step is true before",
        "proved, as nothing can move",
        BOTH,
        "a race",
        Frames._term,
        "frame + formula.next",
        "frame",
    ),
]
