"""Smallest sets of faults against those found by walking all states of the concrete machine."""

from __future__ import annotations

import json
import os
import re
from itertools import chain, combinations, product
from pathlib import Path

import networkx as nx
import pytest

from tests.commands.running import run
from tests.differential.building import at, go, machine, model, prop
from verifier.evidence.pipeline import Limits
from verifier.evidence.result import Result
from verifier.language.granting import with_faults
from verifier.language.load import load
from verifier.language.model import Form, Model, Property
from verifier.semantics.concrete import ZERO, Concrete
from verifier.semantics.concrete_guard import compile_guard
from verifier.semantics.run import Step
from verifier.studies.fault_search import enumerate_sets, hitting_sets
from verifier.studies.faults import faults_of, smallest_sets
from verifier.views.fault_tree import fault_tree

HERE = Path(__file__).parent
PAIRS = os.path.relpath(HERE / "pairs.yaml")
ORDER = 3
Sets = set[frozenset[str]]

# Read off pairs.yaml by hand.
BY_HAND = {
    "never-all-dark": {frozenset({"lamp_a_out", "lamp_b_out"})},
    "never-up-and-dark": {
        frozenset({"lamp_a_out", "lamp_b_out", "gate_slips"}),
        frozenset({"lamp_a_out", "lamp_b_out", "gate_released"}),
    },
    "nobody-there": {
        frozenset({"climbs_over"}),
        frozenset({"gate_slips"}),
        frozenset({"lamp_a_out", "gate_released"}),
    },
}


def smallest(sets: Sets) -> Sets:
    return {one for one in sets if not any(other < one for other in sets)}


def walked(checked: Model, asked: Property, order: int) -> Sets:
    """Every state of an untimed model with the faults spent on the way, on a graph; the smallest of those
    spent where the property is broken. No engine has a part in it."""
    concrete = Concrete(checked, order)
    broken = compile_guard(asked.p)
    graph = nx.DiGraph()
    first = concrete.initial()
    waiting = [(first, frozenset())]
    seen = set()
    found: Sets = set()
    while waiting:
        snapshot, spent = waiting.pop()
        key = (tuple(sorted(snapshot.locations.items())), snapshot.spent, spent)
        if key in seen:
            continue
        seen.add(key)
        if not snapshot.is_settled:
            steps = list(concrete.settle_rounds(snapshot))
        else:
            if broken(snapshot.locations):
                found.add(spent)
            choices = [(None, *moves) for moves in concrete.choices(snapshot).values()]
            steps = [
                Step("world", ZERO, tuple(sorted(filter(None, one), key=lambda move: move.machine)))
                for one in product(*choices)
                if any(one)
            ]
        for step in steps:
            names = [concrete.transition(move).fault for move in step.moves]
            paid = [name for name in names if name is not None]
            if snapshot.spent + len(paid) <= order:
                graph.add_edge(key, step)
                waiting.append((concrete.take(snapshot, step), spent | set(paid)))
    assert nx.number_of_nodes(graph) > 1
    return smallest(found)


@pytest.fixture(scope="module")
def pairs() -> tuple[Model, dict[str, Property]]:
    checked, properties = load(PAIRS)
    return checked, {one.id: one for one in properties}


@pytest.fixture(scope="module")
def found(pairs) -> dict[str, Sets]:
    checked, properties = pairs
    every = smallest_sets(checked, list(properties.values()), ORDER, Limits(), 2, lambda *_: None)
    return {one.property.id: {frozenset(s.faults) for s in one.sets} for one in every}


@pytest.mark.parametrize("name", BY_HAND)
def test_sets_are_those_read_off_by_hand_and_those_of_the_walk(pairs, found, name: str) -> None:
    checked, properties = pairs
    assert found[name] == BY_HAND[name] == walked(checked, properties[name], ORDER)


@pytest.mark.parametrize("order", [1, 2])
def test_no_set_is_larger_than_the_order(pairs, order: int) -> None:
    checked, properties = pairs
    every = smallest_sets(checked, list(properties.values()), order, Limits(), 2, lambda *_: None)
    for one in every:
        expected = {s for s in BY_HAND[one.property.id] if len(s) <= order}
        assert {frozenset(s.faults) for s in one.sets} == expected
        assert one.holds is (not expected)


def test_runs_spend_their_set_and_nothing_else(pairs) -> None:
    checked, properties = pairs
    every = list(smallest_sets(checked, list(properties.values()), ORDER, Limits(), 1, lambda *_: None))
    n_sets = 0
    for one in every:
        for fault_set in one.sets:
            concrete = Concrete(checked, ORDER)
            snapshot, spent = concrete.initial(), set()
            for step in fault_set.trace.run.steps:
                spent |= {concrete.transition(move).fault for move in step.moves} - {None}
                snapshot = concrete.take(snapshot, step)
            assert spent == set(fault_set.faults)
            assert compile_guard(one.property.p)(snapshot.locations)
            n_sets += 1
    assert n_sets == 6


def test_the_tree_has_the_same_smallest_sets(pairs, tmp_path) -> None:
    """Worked out from the drawing alone, gates expanded from the top down (the method of Fussell and Vesely,
    1972), on a graph of networkx."""
    checked, properties = pairs
    every = list(smallest_sets(checked, list(properties.values()), ORDER, Limits(), 2, lambda *_: None))
    dot = fault_tree(checked, faults_of(checked), every)
    tree = nx.DiGraph()
    nodes = re.findall(r'^\s*"?([^"\[]+?)"? \[label="?(.+?)"? (?:color|fontsize|height)', dot, re.M | re.S)
    for name, label in nodes:
        tree.add_node(name, label=label)
    for above, below in re.findall(r'^\s*"?([^"\[]+?)"? -> "?([^"\[]+?)"?(?: \[|$)', dot, re.M):
        tree.add_edge(above, below)

    def inputs(node: str) -> list[str]:
        """What is below, along the points of bars."""
        return [end for one in tree.successors(node) for end in (inputs(one) if " bar " in one else [one])]

    def sets_of(node: str) -> Sets:
        below = [sets_of(one) for one in inputs(node)]
        if not below:
            words = tree.nodes[node]["label"].replace("\\n", "\n").split("\n")
            return {frozenset({"_".join(" ".join(words[1:-1]).split())})}
        if tree.nodes[node]["label"].startswith("&"):
            return smallest({frozenset(chain(*one)) for one in product(*below)})
        return smallest(set(chain(*below)))

    tops = [node for node in tree if not tree.in_degree(node)]
    assert len(tops) == len(BY_HAND)
    drawn = {tree.nodes[top]["label"].replace("\\n", "\n").split("\n")[0]: sets_of(top) for top in tops}
    assert drawn == BY_HAND


# -- the search for sets, apart from any engine


def answer(verdict: str) -> Result:
    made = object.__new__(Result)
    object.__setattr__(made, "verdict", verdict)
    object.__setattr__(made, "reason", "no time")
    return made


@pytest.mark.parametrize("seed", range(40))
def test_the_search_finds_what_trying_all_subsets_finds(seed: int) -> None:
    import random

    chance = random.Random(seed)
    every, order = frozenset("abcdef"), 3
    least = 0 if seed % 10 == 0 else 1  # 0: what breaks with no fault at all
    breaking = {frozenset(chance.sample("abcdef", chance.randint(least, order))) for _ in range(chance.randint(0, 6))}
    breaking = smallest(breaking)
    asked: list[frozenset[str]] = []
    last: list[frozenset[str]] = []

    def ask(faults: frozenset[str]) -> Result:
        asked.append(faults)
        inside = [one for one in sorted(breaking, key=sorted) if one <= faults]
        if not inside:
            return answer("proved")
        # the run of a violation may spend more than it needs
        spare = chance.sample(sorted(faults), min(len(faults), order))
        chosen = chance.choice(inside)
        last[:] = [chosen | set(spare[: order - len(chosen)])]
        made = answer("violated")
        object.__setattr__(made, "method", last[0])
        return made

    sets, undecided = enumerate_sets(every, order, ask, lambda result: result.method)
    assert {one for one, _ in sets} == breaking
    assert undecided == []


def test_violations_like_one_found_need_no_question_and_smaller_sets_come_out() -> None:
    """{a, b} tells of {c, d} and {a, c}; that {a} does alone is found in the end, and {c, d} stays."""
    asked: list[frozenset[str]] = []

    def broken(needed: str) -> Result:
        made = answer("violated")
        object.__setattr__(made, "method", frozenset(needed))
        return made

    def ask(faults: frozenset[str]) -> Result:
        asked.append(faults)
        if "a" in faults:
            return broken("ab" if "b" in faults else "a")
        return broken("cd") if {"c", "d"} <= faults else answer("proved")

    def alike(faults: frozenset[str], shown: Result, is_known) -> dict[frozenset[str], Result]:
        assert is_known(faults)
        return {frozenset("cd"): broken("cd"), frozenset("ac"): broken("ac")} if faults == frozenset("ab") else {}

    sets, undecided = enumerate_sets(frozenset("abcd"), 2, ask, lambda result: result.method, (), alike)
    assert {one for one, _ in sets} == {frozenset("a"), frozenset("cd")}
    assert undecided == [] and frozenset("cd") not in asked


def test_what_has_no_answer_is_listed_and_the_rest_is_found() -> None:
    """Large questions get no answer, nor does {b, c}: {a} is found, {b, c} reported."""

    def ask(faults: frozenset[str]) -> Result:
        if len(faults) > 2 or faults == {"b", "c"}:
            return answer("undecided")
        made = answer("violated" if "a" in faults else "proved")
        object.__setattr__(made, "method", frozenset("a"))
        return made

    sets, undecided = enumerate_sets(frozenset("abc"), 2, ask, lambda result: result.method)
    assert [one for one, _ in sets] == [frozenset("a")]
    assert [one.faults for one in undecided] == [("b", "c")]


@pytest.mark.parametrize("sets", [[], ["ab"], ["ab", "bc"], ["a", "bc", "cd"], ["abc", "ade", "bd"]])
def test_hitting_sets_are_those_of_trying_all(sets: list[str]) -> None:
    names = sorted(set("".join(sets)))
    subsets = chain.from_iterable(combinations(names, n) for n in range(len(names) + 1))
    hits = {frozenset(s) for s in subsets if all(set(s) & set(one) for one in sets)}
    assert set(hitting_sets([frozenset(one) for one in sets])) == smallest(hits)


def test_a_model_with_only_some_faults_has_their_runs_alone() -> None:
    lamp = machine("lamp", "equipment", "lit out", [go("lit", "out", fault="a"), go("lit", "out", fault="b")])
    checked = model(lamp)
    kept = with_faults(checked, frozenset({"b"}))
    taken = Concrete(kept, 1).choices(Concrete(kept, 1).initial())["lamp"]
    assert [move.transition for move in taken] == [1]
    assert kept.digest != checked.digest
    assert with_faults(checked, frozenset({"a", "b"})) is checked


def test_no_proof_without_its_foundations() -> None:
    """With the fault the control never settles, so nothing is said to withstand it."""
    lamp = machine("lamp", "equipment", "lit out", [go("lit", "out", fault="lamp_out")])
    relay = machine(
        "relay", "control", "up down", [go("up", "down", at("lamp", "out")), go("down", "up", at("lamp", "out"))]
    )
    checked = model(lamp, relay)
    asked = prop(Form.NEVER, p=at("relay", "down"))
    (one,) = smallest_sets(checked, [asked], 1, Limits(), 1, lambda *_: None)
    assert not one.holds
    assert [u.faults for u in one.undecided] == [("lamp_out",)]


# -- the command


def test_the_command_lists_sets_and_ends_with_1(tmp_path) -> None:
    tree = tmp_path / "tree.svg"
    said = run("faults", PAIRS, "--order", "3", "-o", str(tree), "--json")
    assert said.exit_code == 1
    document = json.loads(said.stdout)
    given = {one["id"]: {frozenset(s["faults"]) for s in one["sets"]} for one in document["properties"]}
    assert {name: sets for name, sets in given.items() if sets} == BY_HAND
    assert {one["name"]: one["sets"] for one in document["faults"]}["lamp_a_out"] == 4
    assert "not a safety case" in document["caution"]
    assert "≥1" in tree.read_text(encoding="utf-8") or "&#8805;1" in tree.read_text(encoding="utf-8")


def test_a_property_that_withstands_all_ends_with_0() -> None:
    said = run("faults", PAIRS, "--order", "1", "--property", "never-all-dark")
    assert said.exit_code == 0
    assert "Broken by no set of up to 1 fault" in said.stdout


def test_the_estimate_is_the_sum_of_products(tmp_path) -> None:
    """1e-4 x 100 h + 2e-4 x 100 h + (1e-3 x 100 h) x (2e-3 x 100 h) = 0.01 + 0.02 + 0.02."""
    rates = tmp_path / "rates.csv"
    rates.write_text("fault,per_hour\nclimbs_over,1e-4\ngate_slips,2e-4\nlamp_a_out,1e-3\ngate_released,2e-3\n")
    arguments = ["--property", "nobody-there", "--order", "3", "--rates", str(rates), "--hours", "100", "--json"]
    (one,) = json.loads(run("faults", PAIRS, *arguments).stdout)["properties"]
    assert one["estimate"]["value"] == pytest.approx(0.05)
    assert one["estimate"]["without_rate"] == []


@pytest.mark.parametrize(
    ("text", "part"),
    [
        ("lamp_c_out,1e-4", "has no fault `lamp_c_out`"),
        ("gate_slips,often", "`often` is no number"),
        ("gate_slips,-1", "below 0"),
        ("gate_slips", "two cells are due"),
        ("gate_slips,1\ngate_slips,2", "has a rate already"),
    ],
)
def test_bad_rates_are_named_with_their_line(tmp_path, text: str, part: str) -> None:
    rates = tmp_path / "rates.csv"
    rates.write_text(text)
    said = run("faults", PAIRS, "--rates", str(rates), "--hours", "1")
    assert said.exit_code == 2
    assert part in said.stderr and f"rates.csv:{text.count(chr(10)) + 1}" in said.stderr
