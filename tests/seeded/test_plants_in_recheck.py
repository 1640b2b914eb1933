"""Faults planted in the third reading: for each, a test of the re-check must fail.

Each plant replaces one piece of text in a copy of the program and runs the one test file that should
notice. A plant whose text is gone fails here too and must be moved along with the code.
"""

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
PROOFS = "tests/evidence/test_recheck.py"
FORMS = "tests/evidence/test_recheck_forms.py"
BUILT_IN = "tests/evidence/test_recheck_built_in.py"
RESTING = "tests/evidence/test_machines_at_rest.py"
ROWS = "tests/differential/test_recheck_rounds.py"
STEPS = "tests/differential/test_recheck_and_concrete.py"
MOMENT, STEP, WATCH, ROUNDS = (f"verifier/evidence/recheck_{name}.py"
                               for name in ("moment", "step", "watch", "rounds"))

# What is broken, where, the text, what it becomes, who notices.
PLANTS = [
    ("the start of `held` is not asked for", MOMENT,
     "lows += [self.held(t).at_least(t.held.lo)] if t.held else []", "pass", FORMS),
    ("faults need no budget in a state", MOMENT,
     "return conj([self.standing(t), *lows, self.payable(t)])\n        return self._once",
     "return conj([self.standing(t), *lows])\n        return self._once", BUILT_IN),
    ("`held` is not asked for after a delay", MOMENT,
     "if t.held and t.held.lo > 0:", "if t.held and t.held.lo > 99:", STEPS),
    ("every window must still be open", MOMENT,
     "return implies(self.standing(t), disj(ends))", "return implies(self.standing(t), conj(ends))", STEPS),
    ("`held` limits no delay", MOMENT,
     "if t.held and held_name(t):\n            ends", "if t.held and False:\n            ends", FORMS),
    ("the end of `held` makes nothing due", MOMENT,
     "ends += [self.held(t).at_least(t.held.hi)] if t.held else []", "pass", STEPS),
    ("what may fail is at rest", MOMENT,
     "(not t.fault or asked.budget > 0)", "(not t.fault)", RESTING),
    ("what moves at times is at rest", MOMENT, "if not could and", "if", RESTING),
    ("what is at rest may be in its second state", MOMENT,
     "first, *others = (", "*others, first = (", RESTING),
    ("a machine may be nowhere", MOMENT, "facts.append(disj(here))", "pass", PROOFS),
    ("a machine may take two transitions", STEP,
     "script.require(disj([neg(takes[one]), neg(takes[other])]))", "pass", BUILT_IN),
    ("control may stay behind", STEP, "script.require(implies(may[t], anything))", "pass", PROOFS),
    ("`held` runs on when its guard was false before", STEP,
     "runs = conj([neg(moved[m.name]), now.standing(t), after.guard(t)])",
     "runs = conj([neg(moved[m.name]), after.guard(t)])", FORMS),
    ("`held` runs on when its guard is false after", STEP,
     "runs = conj([neg(moved[m.name]), now.standing(t), after.guard(t)])",
     "runs = conj([neg(moved[m.name]), now.standing(t)])", FORMS),
    ("faults oblige", STEP,
     "if (windows_of(t) if machine.is_control else obliges(t)):",
     "if windows_of(t) and all(w.hi is not None for w in windows_of(t)):", STEPS),
    ("two faults at once cost one", STEP,
     'script.require(f"(<= {after.spent} {now.asked.budget})")', "pass", PROOFS),
    ("the world moves along with a settle", STEP,
     'asks = now.settled if kind == EITHER else "true"', 'asks = "true"', STEPS),
    ("what is fresh is stale after a round", STEP,
     "conj([neg(now.settled), disj([now.bits[name], moved[m.name]])])",
     "conj([neg(now.settled), moved[m.name]])", BUILT_IN),
    ("a round leaves times as they are", STEP,
     "base, reset = time.base, disj([time.reset, reset])", "base = time.base", ROWS),
    ("P again restarts an open demand", WATCH,
     "restart = conj([row.new_p, neg(row.open)])\n        case Form.BETWEEN_AT_LEAST",
     "restart = row.new_p\n        case Form.BETWEEN_AT_LEAST", FORMS),
    ("`keeps` stays open after its time", WATCH,
     "is_open = conj([neg(row.r), disj([row.new_p, late])])",
     "is_open = conj([neg(row.r), disj([row.new_p, row.open])])", STEPS),
    ("`never` judges states without time", WATCH,
     "return conj([moment.can_pass, row.p])", "return conj([moment.settled, row.p])", FORMS),
    ("states in the midst of a settle are judged", WATCH,
     "return conj([moment.settled, formula])", "return formula", FORMS),
    ("no form judges states without time", WATCH,
     "return conj([moment.settled, formula])", "return conj([moment.can_pass, formula])", FORMS),
    ("windows without an end force", ROUNDS,
     "if not machine.is_control and obliges(t) and all(w.hi == 0",
     "if not machine.is_control and all(w.hi == 0", BUILT_IN),
    ("the world is forced before control has settled", ROUNDS,
     "may[t] = conj([moment.settled, moment.due(t)])", "may[t] = moment.due(t)", ROWS),
    ("one round too many is granted", ROUNDS,
     "for number in range(rounds + 1):\n        may = _untimed",
     "for number in range(rounds + 2):\n        may = _untimed", BUILT_IN),
    ("a settle may go on after one moved first", ROUNDS,
     "disj([neg(apart.settled), differs])", "differs", BUILT_IN),
    ("staying counts as leaving", ROUNDS, "if t.target != t.source and", "if", BUILT_IN),
    ("the invariant is not assumed before a step", "verifier/evidence/recheck.py",
     "script.require(moment.invariant())\n        moment = step", "moment = step", PROOFS),
    ("a fault obliges", "verifier/evidence/recheck_names.py",
     "return not transition.fault and bool(windows)", "return bool(windows)", STEPS),
]


@pytest.mark.plants
@pytest.mark.parametrize(("file", "old", "new", "watcher"), [plant[1:] for plant in PLANTS],
                         ids=[plant[0] for plant in PLANTS])
def test_a_planted_fault_is_noticed(tmp_path, file, old, new, watcher):
    for name in ("verifier", "tests", "specs", "pyproject.toml"):
        source = ROOT / name
        if source.is_dir():
            shutil.copytree(source, tmp_path / name, ignore=shutil.ignore_patterns("__pycache__"))
        else:
            shutil.copy(source, tmp_path / name)
    text = (tmp_path / file).read_text(encoding="utf-8")
    assert text.count(old) == 1, f"{file} no longer holds the text once"
    (tmp_path / file).write_text(text.replace(old, new), encoding="utf-8")
    run = subprocess.run(
        [sys.executable, "-m", "pytest", "-x", "-q", "-p", "no:cacheprovider", watcher],
        cwd=tmp_path, env={**os.environ, "PYTHONPATH": str(tmp_path)}, capture_output=True, text=True,
        timeout=300, check=False)
    # 1: a test failed; anything else is an unnoticed fault or a broken run.
    assert run.returncode == 1, run.stdout[-2000:] + run.stderr[-2000:]
    assert "\nFAILED " in run.stdout, run.stdout[-2000:]
