"""The JSON document and its schema, JUnit, and the control table."""

import csv
import io
import json
from dataclasses import replace
from xml.etree import ElementTree

import jsonschema
import pytest

from tests.views.small_crossing import (
    EARLY_PROCEED, MODEL, SIGNAL, STUCK_AMBER, UNAMBIGUOUS, WARNED, CLOSED_FIRST, is_, late, outcome, proved,
    undecided, violated, with_verdict,
)
from verifier.evidence.replay import replay_trace
from verifier.evidence.store_schema import TRACE
from verifier.evidence.trace_json import NotATrace, from_json, to_json
from verifier.views.control_table import HEADS, rows, table_csv, table_json, table_text
from verifier.views.document import (
    DocumentError, Refused, Report, document, document_text, read_document, schema,
)
from verifier.language.guard import And, Not, Or
from verifier.views.junit import junit_text
from verifier.views.truth import guard_text

REPORT = Report(
    (outcome(proved(UNAMBIGUOUS), violated(), undecided()),),
    (Refused("other.yaml", "other.yaml cannot be used", False, ("other.yaml:1:1: ...",)),),
    {("small_crossing.yaml", "signal-needs-closed", 0): "kept"},
    {"budget": None, "seed": 7},
    2,
)


def test_document_fits_its_schema_and_comes_back():
    jsonschema.Draft202012Validator.check_schema(schema())
    assert read_document(document_text(REPORT)) == document(REPORT)


def test_document_holds_the_keys_of_the_contract():
    """design.md section 7 names them."""
    found = document(REPORT)
    assert found["schema_version"] == 1
    entry = found["models"][0]
    assert {"path", "digest", "kind", "properties"} <= set(entry)
    for prop in entry["properties"]:
        assert {"id", "verdict", "seconds", "method", "bound", "budget", "assumptions", "trace",
                "evidence"} <= set(prop)
    assert entry["properties"][1]["evidence"] == "kept"
    assert found["not_judged"][0]["path"] == "other.yaml"


def traced(trace):
    return json.loads(document_text(Report((outcome(replace(late(), trace=trace)),))))[
        "models"][0]["properties"][0]["trace"]


def test_trace_holds_exact_times_places_and_turned_terms():
    found = traced(STUCK_AMBER)
    assert [step["time_s"] for step in found["steps"]] == ["0", "0", "0", "5/2"]
    assert found["steps"][3]["time_s_decimal"] == 2.5
    assert (found["onset_step"], found["violating_step"]) == (STUCK_AMBER.onset, 4)
    first = found["steps"][0]
    assert first["transitions"] == [
        {"machine": "train", "transition": 0, "from": "away", "to": "approaching", "fault": None,
         "file": "small_crossing.yaml", "line": 51}
    ]
    assert first["terms"] == {"train_near": True}
    assert found["start"]["terms"] == {"called": False, "crossing_closed": False, "train_near": False}


@pytest.mark.parametrize(("prop", "trace"), [(CLOSED_FIRST, EARLY_PROCEED), (WARNED, STUCK_AMBER)])
def test_a_trace_read_back_replays_to_the_same(prop, trace):
    assert replay_trace(MODEL, prop, from_json(MODEL, traced(trace))) == trace


def test_the_document_and_the_evidence_folder_write_traces_alike():
    assert traced(STUCK_AMBER) == to_json(MODEL, STUCK_AMBER)
    jsonschema.validate(traced(STUCK_AMBER), TRACE)
    with pytest.raises(NotATrace):
        changed = traced(STUCK_AMBER)
        changed["steps"][0]["transitions"][0]["transition"] = 9
        from_json(MODEL, changed)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("{", "not JSON"),
        ("[]", "not a result of `check --json`"),
        ("[" * 100_000, "nested too deeply"),
        (document_text(REPORT).replace('"proved"', '"approved"'), "approved"),
        (document_text(REPORT).replace('"schema_version": 1', '"schema_version": 2'), "schema_version"),
    ],
)
def test_what_is_no_document_is_refused(text, message):
    with pytest.raises(DocumentError, match=message):
        read_document(text)


def test_junit_shows_each_property_as_a_test():
    suites = ElementTree.fromstring(junit_text(REPORT))
    cases = {case.get("name"): case for case in suites.iter("testcase")}
    assert list(cases) == ["ambiguous", "signal-needs-closed", "lights-in-time", "the model is judged"]
    assert [child.tag for child in cases["ambiguous"]] == []
    assert [child.tag for child in cases["signal-needs-closed"]] == ["failure"]
    assert "VIOLATED HERE" in cases["signal-needs-closed"][0].text
    assert [child.tag for child in cases["lights-in-time"]] == ["error"]
    assert [child.tag for child in cases["the model is judged"]] == ["error"]
    first = suites.find("testsuite")
    assert [first.get(key) for key in ("tests", "failures", "errors", "skipped")] == ["3", "1", "1", "0"]


@pytest.mark.parametrize(
    ("verdict", "tag"),
    [("proved", None), ("shown", None), ("violated", "failure"), ("impossible", "failure"),
     ("undecided", "error"), ("vacuous", "error")],
)
def test_junit_of_every_verdict(verdict, tag):
    xml = junit_text(Report((outcome(with_verdict(verdict)),)))
    case = next(ElementTree.fromstring(xml).iter("testcase"))
    assert [child.tag for child in case] == ([tag] if tag else [])


def test_a_defect_is_an_error_in_junit():
    xml = junit_text(Report((), (Refused("a.yaml", "two readings differ", True),)))
    error = next(ElementTree.fromstring(xml).iter("error"))
    assert (error.get("message"), error.get("type")) == ("two readings differ", "defect of strikein")


def test_control_table_has_every_state_of_the_logic():
    found = {(row.machine, row.state) for row in rows(MODEL)}
    assert found == {
        (machine.name, state)
        for machine in MODEL.machines if machine.is_control for state in machine.states
    }
    lines = table_text(MODEL).splitlines()
    assert lines[2].split("  ")[0] == HEADS[0]
    assert "lights   dark     amber      called                       small_crossing.yaml:11" in lines
    assert "         red      dark       not called             2 s   small_crossing.yaml:13" in lines


def test_control_table_as_csv_and_json_say_the_same():
    read = list(csv.DictReader(io.StringIO(table_csv(MODEL))))
    other = json.loads(table_json(MODEL))["rows"]
    assert [row["leaves_to"] for row in read] == [row["leaves_to"] for row in other]
    assert read[1] == {"machine": "lights", "state": "amber", "leaves_to": "red", "when": "always",
                       "after_s": "3", "held_s": "", "written_at": "small_crossing.yaml:12"}
    assert other[1]["after_s"] == "3" and other[1]["held_s"] is None


def test_the_story_of_a_late_answer_has_its_onset():
    assert late().trace.onset is not None and late().trace.onset < late().trace.violating


def test_a_guard_with_names_from_inside_a_part_is_written_out_by_names_of_the_model():
    called, near = MODEL.terms["called"].guard, MODEL.terms["train_near"].guard
    inside = replace(SIGNAL.transitions[0], when=And((called, Not(near))), when_text="ready and not near")
    known = replace(SIGNAL.transitions[1], when=called, when_text="called")
    machines = (replace(SIGNAL, transitions=(inside, known)), *MODEL.machines[2:])
    model = replace(MODEL, machines=machines)
    assert [row.when for row in rows(model)] == ["called and not train_near", "called"]


def test_a_need_called_like_a_term_of_the_model_is_not_taken_for_it():
    inside = replace(SIGNAL.transitions[0], when=MODEL.terms["train_near"].guard, when_text="called")
    model = replace(MODEL, machines=(replace(SIGNAL, transitions=(inside,)), *MODEL.machines[2:]))
    assert rows(model)[0].when == "train_near"


def test_written_out_guards_keep_their_brackets():
    a, b, c = is_("lights", "dark"), is_("signal", "danger"), is_("train", "away", "passing")
    assert guard_text(And((a, Or((b, Not(c)))))) == (
        "lights is dark and (signal is danger or not train is away | passing)"
    )
    assert guard_text(Not(Or((a, b)))) == "not (lights is dark or signal is danger)"
    assert guard_text(And((a, b, c)), {And((a, b)): "shut"}) == "shut and train is away | passing"
    assert guard_text(Or((a, b)), {And((a, b)): "shut"}) == "lights is dark or signal is danger"
    assert guard_text(Not(Or((a, b))), {Or((a, b)): "some"}) == "not some"
