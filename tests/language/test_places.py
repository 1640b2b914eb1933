"""Places within scalars however they are written, and the form of a rendered message."""

import pytest

from tests.language.files import HEAD, errors
from verifier.diagnostics import Diagnostic, Findings, ModelErrors, Place, Spot, did_you_mean

LAMP = "machines:\n  lamp: {role: control, states: [dark, lit], transitions: []}\nterms:\n"


@pytest.mark.parametrize(
    "term, line, column",
    [
        ("  t: lamp is dark or lamp is lti\n", 8, 30),
        ('  t: "lamp is dark or lamp is lti"\n', 8, 31),
        ("  t: 'lamp is dark or lamp is lti'\n", 8, 31),
        ('  t: "lamp is\\x20dark or lamp is lti"\n', 8, 34),
        ("  t: lamp is dark\n    or lamp is lti\n", 9, 16),
        ("  t: >-\n    lamp is dark\n    or lamp is lti\n", 10, 16),
        ("  t: |\n    lamp is dark or\n     lamp is lti\n", 10, 14),
        ('  t: "lamp is dark\n\n      or lamp is lti"\n', 10, 18),
        ("  ? t\n  : lamp is dark or lamp is lti\n", 9, 29),
        ("  t: {is: lamp is dark or lamp is lti}\n", 8, 35),
    ],
)
def test_the_piece_at_fault_is_found_in_every_style_of_text(term, line, column, tmp_path):
    (found,) = errors(tmp_path, {"model.yaml": HEAD + LAMP + term})
    assert found.code == "LX202"
    assert (found.place.line, found.place.column, found.spot.length) == (line, column, 3)
    shown = str(found).split("\n")
    start = shown[2].index("~")
    assert shown[1][start : start + 3] == "lti" and "~~~" in shown[2]


def test_the_parts_of_a_message_in_order():
    one = Diagnostic(
        "LX202",
        Spot(Place("a.yaml", 3, 7), 4),
        "something is wrong",
        source="\t  x: word rest",
        mark="here",
        sees=((Place("b.yaml", 1, 1), "look"),),
        try_next="another word",
    )
    assert str(one) == (
        "a.yaml:3:7: LX202: something is wrong\n"
        "    x: word rest\n"
        "       ~~~~ here\n"
        "  see b.yaml:1:1: look\n"
        "  try another word\n"
        "  more: strikein explain LX202"
    )


def test_a_long_line_is_cut_around_the_mark():
    source = "a" * 5000 + " wrong " + "b" * 5000
    one = Diagnostic("LX202", Spot(Place("f", 1, 5002), 5), "m", source=source)
    _, line, mark, _ = str(one).split("\n")
    assert len(line) < 130
    start = mark.index("~")
    assert line[start : start + 5] == "wrong" and mark.count("~") == 5


def test_errors_come_sorted_by_place_and_once_for_a_place():
    findings = Findings()
    for line, column in ((5, 2), (3, 9), (5, 2), (3, 1)):
        findings.add("LX201", Spot(Place("f", line, column)), "m")
    findings.add("LX107", Spot(Place("e", 9, 9)), "m")
    with pytest.raises(ModelErrors) as raised:
        findings.raise_if_any()
    places = [(d.place.file, d.place.line, d.place.column) for d in raised.value.diagnostics]
    assert places == [("e", 9, 9), ("f", 3, 1), ("f", 3, 9), ("f", 5, 2)]
    assert str(raised.value).count("\n\n") == 3


def test_no_findings_raise_nothing_and_unknown_codes_are_refused():
    findings = Findings()
    findings.raise_if_any()
    with pytest.raises(KeyError):
        findings.add("LX999", Spot(Place("f", 1, 1)), "m")


@pytest.mark.parametrize(
    "name, hint",
    [("lamb", "did you mean `lamp`"), ("lamps", "did you mean `lamp`"), ("lorry", ""), ("", "")],
)
def test_only_a_close_name_is_suggested(name, hint):
    assert did_you_mean(name, ["lamp", "barrier"]) == hint
