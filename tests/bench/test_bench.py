"""The bench itself: every peer runs, and says the same; the exact ones also on random models."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from dataclasses import replace
from itertools import product
from pathlib import Path

import pytest

from tests.bench import chart, diagram_search, grid_search, plain_fixedpoint, table, zone_search
from tests.bench.__main__ import measure
from tests.bench.difference_bounds import Zone
from tests.bench.explicit import Explicit, Place, Rule
from tests.bench.models import CASES, PROVED, SHIPPED, VIOLATED, Case
from tests.bench.peers import OPEN, OURS, PEERS
from tests.bench.running import ANSWERED, LEFT_OUT, TIME, Answer, read
from tests.differential.random_models import FORMS_OF_RUNS, random_model, random_property
from verifier.engines.decision import decide
from verifier.engines.limits import Allowance
from verifier.engines.study import Study
from verifier.language.model import Model
from verifier.semantics.run import Certificate, Trace

(SMALLEST,) = [case for case in CASES if case.name == "gate 1,0 violated"]


def quiet(line: str) -> None:
    """Nobody reads the progress of a test."""


@pytest.fixture(scope="module")
def measured() -> table.Measured:
    return measure([SMALLEST], PEERS, limit_s=60, repeat=1, say=quiet)


def test_every_peer_agrees_on_the_smallest_case(measured):
    ((_, answers),) = measured.rows
    assert {answer.ended for answer in answers.values()} == {ANSWERED}
    silent = [name for name, answer in answers.items() if answer.verdict == OPEN]
    assert silent == ["diagrams"]  # that gate is safe or not by its times
    assert table.complaints(measured) == []


def test_the_outputs_hold_every_peer(measured):
    words, lines = table.text(measured), table.as_csv(measured).splitlines()
    assert all(peer.name in words for peer in PEERS)
    assert len(lines) == 1 + len(PEERS)
    picture = ET.fromstring(chart.drawn(measured))
    shown = [node.text for node in picture.iter("{http://www.w3.org/2000/svg}text")]
    assert {peer.name for peer in PEERS} <= set(shown)


def _with(measured: table.Measured, **changed: Answer) -> table.Measured:
    ((case, answers),) = measured.rows
    return replace(measured, rows=((case, answers | changed),))


def test_a_peer_that_says_otherwise_is_named(measured):
    (complaint,) = table.complaints(_with(measured, zones=Answer(ANSWERED, PROVED, 1.0)))
    assert "zones says proved, expected violated" in complaint


def test_an_engine_that_says_otherwise_is_named(measured):
    (complaint,) = table.complaints(_with(measured, ours=Answer(ANSWERED, PROVED, 1.0)))
    assert "ours says proved" in complaint


def test_a_peer_that_runs_out_counts_as_the_limit_and_is_marked(measured):
    late = _with(
        measured, ours=Answer(ANSWERED, VIOLATED, 0.5), zones=Answer(TIME), units=Answer(LEFT_OUT)
    )
    words = table.text(late)
    assert ">60" in words and "(>60)" in words and ">120" in words
    ((case, answers),) = late.rows
    zones = next(peer for peer in PEERS if peer.name == "zones")
    assert late.ratio(case, zones, answers) == 120


def test_a_search_without_an_end_is_stopped():
    grain = next(peer for peer in PEERS if peer.name == "grain")
    ours = next(peer for peer in PEERS if peer.name == OURS)
    case = next(case for case in CASES if case.name == "full 1,1 violated")
    ((_, answers),) = measure([case], [ours, grain], limit_s=0.5, repeat=1, say=quiet).rows
    assert answers["grain"].ended == TIME


def test_an_interrupted_run_tells_what_it_has_measured():
    told = []

    def interrupts_the_second(line: str) -> None:
        if "violated: ours" in line:
            raise KeyboardInterrupt
        told.append(line)

    ours = [peer for peer in PEERS if peer.name == OURS]
    measured = measure(CASES[:2], ours, limit_s=60, repeat=1, say=interrupts_the_second)
    assert [case.name for case, _ in measured.rows] == ["gate 1,0 proved"]
    assert told[-1] == "interrupted: 1 of 2 models are measured"
    assert "gate 1,0 proved" in table.text(measured)


@pytest.mark.parametrize("family", ["half", "full"])
def test_generated_models_are_of_the_size_asked_for(family):
    largest = [case for case in CASES if case.family == family][-2:]
    assert [case.expected for case in largest] == [PROVED, VIOLATED]
    for case in largest:
        is_of_its_size(case)


@pytest.mark.parametrize("case", SHIPPED, ids=lambda case: case.name)
def test_shipped_models_are_of_the_kind_and_size_they_are_named_for(case):
    assert is_of_its_size(case).kind == case.family


def is_of_its_size(case: Case) -> Model:
    model, prop = read(case)
    assert len(model.groups["track"]) == case.tracks
    assert len([m for m in model.machines if m.role.value == "road user"]) == case.users
    assert prop.id == case.prop
    return model


def test_the_models_that_take_longest_take_part():
    """By the times of a check of the whole folder."""
    slow = {"MCB-R", "MCB-CCTV", "MCB-OC", "MCB", "AOCL", "AOCL+B", "AFBCL"}
    assert slow == {case.family for case in SHIPPED}
    size = next(case for case in CASES if (case.family, case.tracks, case.users) == ("full", 2, 2))
    assert read(size)[0].kind == "MCB-OD"


def test_a_flawed_model_differs_by_one_change():
    for case in CASES:
        if (case.family in ("half", "full") or case in SHIPPED) and case.expected == VIOLATED:
            good = next(
                other
                for other in CASES
                if replace(other, expected=VIOLATED, text=case.text, all_move=case.all_move) == case
                and other.expected == PROVED
            )
            ours, theirs = (one.text().splitlines() for one in (case, good))
            assert set(theirs) < set(ours) and len(ours) == len(theirs) + 1


# -- exact peers on random models


def _agree_with_the_engine(seed: int) -> None:
    model = random_model(seed)
    prop = random_property(model, seed, FORMS_OF_RUNS[seed % len(FORMS_OF_RUNS)])
    finding = decide(Study(model, 0, Allowance(60)), prop)
    assert isinstance(finding, Trace | Certificate)
    found = isinstance(finding, Trace)
    assert zone_search.is_violated(model, prop) == found
    if grid_search.in_units(model, prop):
        assert found
    if diagram_search.is_safe(model, prop):
        assert not found


@pytest.mark.parametrize("seed", range(12))
def test_zones_say_what_the_engine_says(seed):
    _agree_with_the_engine(seed)


@pytest.mark.slow
@pytest.mark.parametrize("first", range(100, 500, 50))
def test_zones_say_what_the_engine_says_on_many(first):
    for seed in range(first, first + 50):
        _agree_with_the_engine(seed)


@pytest.mark.slow
@pytest.mark.parametrize("first", range(0, 60, 20))
def test_the_plain_encoding_asks_our_question_when_the_world_waits(first):
    """In whole units, which on these models lose nothing."""
    for seed in range(first, first + 20):
        model = random_model(seed)
        prop = random_property(model, seed, FORMS_OF_RUNS[seed % len(FORMS_OF_RUNS)])
        exact = zone_search.is_violated(model, prop)
        assert plain_fixedpoint.is_violated(model, prop, 60, world_waits=True) == exact
        # more may happen when the world needs not wait
        assert plain_fixedpoint.is_violated(model, prop, 60, world_waits=False) or not exact


class _AllMove(zone_search.Zones):
    """The same zones, but the world may move in the midst of a settle: what ``Case.all_move`` is
    about."""

    def settle(self, place: Place, zone: Zone, rounds: list[list[Rule]]) -> None:
        for taken in product(*rounds):
            self.moves(place, zone, taken, 0)


@pytest.mark.slow
@pytest.mark.parametrize(
    "case",
    [
        case
        for case in CASES
        if case.tracks == 1 and case.users <= 1 or case.family == "tracks" or case in SHIPPED
    ],
    ids=lambda case: case.name,
)
def test_what_is_expected_when_all_may_move(case):
    violated = _AllMove(Explicit(*read(case))).search()
    assert (VIOLATED if violated else PROVED) == case.all_move


def test_readme_shows_the_last_kept_table():
    folder = Path(__file__).parent
    words = (folder / "measured/table.txt").read_text(encoding="utf-8")
    assert f"```\n{words}```\n" in (folder / "README.md").read_text(encoding="utf-8")
