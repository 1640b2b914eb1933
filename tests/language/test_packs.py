"""Spec packs: forms, needs, observers, and which packs a model is judged by."""

from fractions import Fraction

import pytest

from tests.language.files import HEAD, errors, errors_of, loaded, put
from verifier.diagnostics import Findings
from verifier.language.guard import FALSE, TRUE, And, Is, Not, Or
from verifier.language.load import built_in_properties, load, own_packs_folder, packs_in
from verifier.language.model import BUILT_IN, Form

MODEL = HEAD + """groups: {track: [up, down]}
machines:
  lamp: {role: control, states: [dark, lit], path: [dark, {to: lit, after: 1 s}]}
  "train_{track}": {role: train, for each: track, states: [away, near], path: [away, near]}
sensors: {struck: {reads: train_up is near}}
terms:
  lit: lamp is lit
  dark: not lit
  "near_{track}": {for each: track, is: "train_{track} is near"}
  struck_up: struck
"""
PACK = """format: 1
pack: trial
kinds: [TEXTBOOK]
jurisdiction: ANY
groups: [track]
needs:
  lit: {as: truth}
  dark: {as: command}
  "near_{track}": {for each: track, as: truth}
parameters: {warning: 27 s}
terms: {near: "some track has near_{track}", quiet: not near}
observers:
  seen:
    role: control
    states: [not_yet, yet]
    transitions: [{from: not_yet, to: yet, when: near}]
properties:
"""
HEADING = "  - id: one\n    says: a sentence\n    source: these tests\n"
# Uses every need and the observer, so that no LX409 stands beside what is tested.
USES_ALL = """  - id: all
    says: uses everything
    source: these tests
    never: lit and dark and near and seen is yet
"""

LIT = Is("lamp", frozenset(["lit"]))
UP, DOWN = (Is(f"train_{t}", frozenset(["near"])) for t in ("up", "down"))


def files(form, heading=HEADING):
    lines = "".join(f"    {line}\n" for line in form.split("; "))
    return {"model.yaml": MODEL, "specs/trial.yaml": PACK + USES_ALL + heading + lines}


def bound(folder, form, heading=HEADING):
    return loaded(folder, files(form, heading))[1][1:]


@pytest.mark.parametrize(
    "text, form, p, q, r, bound_s",
    [
        ("never: lit", Form.NEVER, LIT, TRUE, FALSE, None),
        ("always: lit", Form.ALWAYS, LIT, TRUE, FALSE, None),
        ("while: lit; then: near_up", Form.WHILE, LIT, UP, FALSE, None),
        ("whenever: lit; then: near_up; within: 3 s", Form.WITHIN, LIT, UP, FALSE, 3),
        ("whenever: lit; then: near_up; within: 3 s; unless: dark", Form.WITHIN, LIT, UP,
         Not(LIT), 3),
        ("whenever: lit; keeps: near_up; for: warning", Form.KEEPS, LIT, UP, FALSE, 27),
        ("whenever: lit; eventually: near_up", Form.EVENTUALLY, LIT, UP, FALSE, None),
        ("whenever: lit; eventually: near_up; unless: dark", Form.EVENTUALLY, LIT, UP, Not(LIT), None),
        ("only_after: lit; can: near_up", Form.ONLY_AFTER, LIT, UP, FALSE, None),
        ("only_after: lit; can: near_up; since: dark", Form.ONLY_AFTER, LIT, UP, Not(LIT), None),
        ("lasts: lit; at_least: 500 ms", Form.LASTS_AT_LEAST, LIT, TRUE, FALSE, Fraction(1, 2)),
        ("lasts: lit; at_most: 1 min", Form.LASTS_AT_MOST, LIT, TRUE, FALSE, 60),
        ("at: near_up; has_held: lit; at_least: 27 s", Form.HAS_HELD, LIT, UP, FALSE, 27),
        ("between: [lit, near_up]; at_least: 1 s", Form.BETWEEN_AT_LEAST, LIT, UP, FALSE, 1),
        ("between: [lit, near_up]; at_most: 1 s; unless: dark", Form.BETWEEN_AT_MOST, LIT, UP,
         Not(LIT), 1),
        ("possible: lit", Form.POSSIBLE, LIT, TRUE, FALSE, None),
        ("possible: lit; within: 9 s", Form.POSSIBLE, LIT, TRUE, FALSE, 9),
    ],
)
def test_each_form_fills_its_fields(text, form, p, q, r, bound_s, tmp_path):
    (one,) = bound(tmp_path, text)
    assert (one.id, one.form, one.p, one.q, one.r) == ("one", form, p, q, r)
    assert one.bound == bound_s
    assert one.source == "these tests" and one.pack == "trial" and one.budget == 0


def test_both_bounds_make_two_properties(tmp_path):
    found = bound(tmp_path, "between: [lit, near_up]; at_least: 1 s; at_most: 5 s; unless: dark")
    assert [(one.id, one.form, one.bound, one.r) for one in found] == [
        ("one/at_least", Form.BETWEEN_AT_LEAST, 1, Not(LIT)),
        ("one/at_most", Form.BETWEEN_AT_MOST, 5, Not(LIT)),
    ]


def test_a_property_for_each_track_has_an_id_for_each(tmp_path):
    heading = HEADING.replace("a sentence", "'while {track} is near'") + (
        "    for each: track\n    hazard: [H01, H02]\n    under: {faults: 2}\n"
    )
    found = bound(tmp_path, 'while: "near_{track}"; then: lit', heading)
    assert [(one.id, one.p, one.needs, one.says) for one in found] == [
        ("one[up]", UP, ("lit", "near_up"), "while up is near"),
        ("one[down]", DOWN, ("lit", "near_down"), "while down is near"),
    ]
    assert {(one.hazard, one.budget) for one in found} == {("H01, H02", 2)}
    assert [one.texts["while"] for one in found] == ["near_up", "near_down"]


def test_texts_leave_a_quantified_group_as_written(tmp_path):
    heading = HEADING + "    for each: track\n"
    (up, _down) = bound(tmp_path, 'while: "some track has near_{track}"; then: lit', heading)
    assert up.texts["while"] == "some track has near_{track}"


@pytest.mark.parametrize(
    "text",
    [
        "never: lit; always: dark",
        "while: lit",
        "while: lit; then: dark; within: 3 s",
        "whenever: lit; then: dark",
        "whenever: lit; then: dark; keeps: dark; within: 3 s; for: 3 s",
        "whenever: lit; keeps: dark; within: 3 s",
        "whenever: lit; eventually: dark; within: 3 s",
        "whenever: lit; then: dark; eventually: dark; within: 3 s",
        "only_after: lit; can: dark; unless: dark",
        "lasts: lit",
        "at: lit; has_held: dark; at_most: 3 s",
        "between: lit; at_least: 3 s",
        "between: [lit]; at_least: 3 s",
        "between: [lit, dark]",
        "possible: lit; at_most: 3 s",
        "within: 3 s",
    ],
)
def test_keys_that_make_no_form_are_one_error(text, tmp_path):
    found = errors(tmp_path, files(text))
    assert [one.code for one in found] == ["LX405"], "\n".join(map(str, found))


def test_observers_and_terms_of_a_pack_get_its_name_in_front(tmp_path):
    model, properties = loaded(tmp_path, files("always: quiet or seen is not_yet"))
    observer = model.machines[-1]
    assert (observer.name, observer.is_observer, observer.is_control) == ("trial.seen", True, True)
    assert observer.transitions[0].when == Or((UP, DOWN))
    assert [m.is_observer for m in model.machines[:-1]] == [False] * 3
    assert properties[-1].p == Or(
        (Not(Or((UP, DOWN))), Is("trial.seen", frozenset(["not_yet"])))
    )
    assert model.terms["trial.near"].guard == Or((UP, DOWN))
    assert "near" not in model.terms


def test_two_packs_with_names_alike_do_not_clash(tmp_path):
    given = files("never: lit")
    given["model.yaml"] += "specs: [specs/trial.yaml, other/trial.yaml]\n"
    given["other/trial.yaml"] = given["specs/trial.yaml"].replace("id: ", "id: other-")
    model, properties = loaded(tmp_path, given)
    assert [m.name for m in model.machines if m.is_observer] == ["trial.seen", "trial_.seen"]
    assert [one.id for one in properties] == ["all", "one", "other-all", "other-one"]
    clash = {**given, "other/trial.yaml": given["specs/trial.yaml"]}
    assert [one.code for one in errors(tmp_path, clash)] == ["LX407", "LX407"]


def test_no_machine_of_the_model_reads_an_observer(tmp_path):
    given = files("never: lit")
    given["model.yaml"] = MODEL.replace("{to: lit, after: 1 s}", "{to: lit, when: trial.seen is yet}")
    assert [one.code for one in errors(tmp_path, given)] == ["LX201"]


@pytest.mark.parametrize("name", ["lamp", "struck", "warming"])
def test_a_pack_judges_through_its_needs_only(name, tmp_path):
    (found,) = errors(tmp_path, files(f"never: {name}"))
    assert found.code == "LX201" and "the pack `trial`" in found.message


def test_the_terms_a_model_lacks_are_named_with_pack_and_property(tmp_path):
    given = files("never: lit")
    given["model.yaml"] = MODEL.replace("  lit: lamp is lit\n  dark: not lit\n", "  litt: lamp is lit\n")
    found = errors(tmp_path, given)
    assert [one.code for one in found] == ["LX403", "LX403"]
    for one, term in zip(found, ("lit", "dark"), strict=True):
        assert one.place.file.endswith("model.yaml")
        assert one.message == (
            f"the model lacks the term `{term}`, needed by property `all` of the pack `trial`"
        )
    assert found[0].mark == "did you mean `litt`"


def test_a_truth_may_not_go_through_a_sensor_and_a_command_may(tmp_path):
    given = files("never: lit")
    given["model.yaml"] = MODEL.replace("dark: not lit", "dark: not struck_up")
    assert errors(tmp_path, given) == ()
    given["model.yaml"] = MODEL.replace("lit: lamp is lit", "lit: lamp is lit and struck_up")
    (found,) = errors(tmp_path, given)
    assert found.code == "LX404" and "`all`" in found.message and "`trial`" in found.message


def test_a_need_of_properties_for_other_kinds_is_not_asked_for(tmp_path):
    pack = (PACK + USES_ALL).replace("[TEXTBOOK]", "[TEXTBOOK, AHB]").replace(
        "needs:\n", "needs:\n  extra: {as: truth}\n"
    ) + HEADING + "    applies_to: [AHB]\n    never: extra\n"
    _, properties = loaded(tmp_path, {"model.yaml": MODEL, "specs/trial.yaml": pack})
    assert [one.id for one in properties] == ["all"]
    (found,) = errors(
        tmp_path, {"model.yaml": MODEL.replace("TEXTBOOK", "AHB"), "specs/trial.yaml": pack}
    )
    assert found.code == "LX403" and "`extra`" in found.message


def test_a_term_a_part_provides_serves_a_need(tmp_path):
    given = files("never: lit")
    pack = given["specs/trial.yaml"].replace("  lit: {as: truth}", "  p.down: {as: truth}")
    given["specs/trial.yaml"] = pack.replace("lit", "p.down").replace("sp.down", "split")
    given["model.yaml"] = MODEL + "parts: [{part: part.yaml, as: p}]\n"
    given["part.yaml"] = (
        "part: p\nmachines: {b: {role: equipment, states: [up, down], path: [up, down]}}\n"
        "provides: {down: b is down}\n"
    )
    _, properties = loaded(tmp_path, given)
    assert properties[1].p == Is("p", frozenset(["down"]))


# -- which packs


def pack_for(kinds, jurisdiction, name):
    return (
        f"format: 1\npack: {name}\nkinds: [{kinds}]\njurisdiction: {jurisdiction}\nproperties:\n"
        f"  - {{id: {name}, says: s, source: s, always: \"true\"}}\n"
    )


def packs_of(path, packs=()):
    return [one.pack for one in load(str(path), packs)[1]]


def test_packs_of_kind_and_jurisdiction_come_from_the_nearest_folder(tmp_path):
    put(
        tmp_path,
        {
            "a/b/model.yaml": HEAD,
            "a/specs/one.yaml": pack_for("AHB, TEXTBOOK", "ANY", "one"),
            "a/specs/two.yaml": pack_for("TEXTBOOK", "ANY", "two"),
            "a/specs/other_kind.yaml": pack_for("AHB", "ANY", "other-kind"),
            "a/specs/other_country.yaml": pack_for("TEXTBOOK", "GB", "other-country"),
            "specs/far.yaml": pack_for("TEXTBOOK", "ANY", "far"),
        },
    )
    assert packs_of(tmp_path / "a" / "b" / "model.yaml") == ["one", "two"]


def test_a_kind_in_a_longer_code_is_another_kind(tmp_path):
    put(
        tmp_path,
        {
            "model.yaml": HEAD.replace("TEXTBOOK", "MCB"),
            "specs/one.yaml": pack_for("MCB-OD", "ANY", "one"),
            "specs/two.yaml": pack_for("MCB", "ANY", "two"),
        },
    )
    assert packs_of(tmp_path / "model.yaml") == ["two"]


def test_packs_asked_for_replace_those_of_the_model(tmp_path):
    put(
        tmp_path,
        {
            "model.yaml": HEAD + "specs: [specs/one.yaml]\n",
            "specs/one.yaml": pack_for("TEXTBOOK", "ANY", "one"),
            "two.yaml": pack_for("TEXTBOOK", "ANY", "two"),
        },
    )
    assert packs_of(tmp_path / "model.yaml") == ["one"]
    assert packs_of(tmp_path / "model.yaml", [str(tmp_path / "two.yaml")]) == ["two"]


def test_a_pack_is_looked_for_beside_the_model_then_from_above(tmp_path):
    put(
        tmp_path,
        {
            "models/model.yaml": HEAD + "specs: [specs/one.yaml, own.yaml]\n",
            "models/own.yaml": pack_for("TEXTBOOK", "ANY", "own"),
            "specs/one.yaml": pack_for("TEXTBOOK", "ANY", "one"),
        },
    )
    assert packs_of(tmp_path / "models" / "model.yaml") == ["one", "own"]


@pytest.mark.parametrize("pack", [pack_for("AHB", "ANY", "p"), pack_for("TEXTBOOK", "US", "p")])
def test_a_pack_asked_for_must_fit_the_model(pack, tmp_path):
    put(tmp_path, {"model.yaml": HEAD + "specs: [own.yaml]\n", "own.yaml": pack})
    assert [one.code for one in errors_of(tmp_path / "model.yaml")] == ["LX402"]


def test_a_missing_pack_is_reported_where_it_is_named(tmp_path):
    (found,) = errors(tmp_path, {"model.yaml": HEAD + "specs: [absent.yaml]\n"})
    assert (found.code, found.place.line, found.place.column) == ("LX101", 5, 9)


def test_packs_of_a_folder_can_be_listed_without_a_model(tmp_path):
    put(tmp_path, files("never: lit"))
    findings = Findings()
    (pack,) = packs_in(tmp_path / "specs", findings)
    assert len(findings) == 0
    assert (pack.name, pack.kinds, pack.jurisdiction) == ("trial", ("TEXTBOOK",), "ANY")
    assert [(n.name, n.as_, n.group) for n in pack.needs] == [
        ("lit", "truth", ""), ("dark", "command", ""), ("near_{track}", "truth", "track"),
    ]
    assert [(p.id, p.texts) for p in pack.properties][1] == ("one", {"never": "lit"})


def test_the_six_built_in_properties(tmp_path):
    model, properties = loaded(tmp_path, files("never: lit"))
    built_in = built_in_properties(model)
    assert {one.form for one in built_in} == BUILT_IN and len(built_in) == 6
    assert [one.id for one in built_in] == [
        "ambiguous", "does not settle", "time stops", "order matters", "pulse", "dead",
    ]
    assert not any(one.form.is_built_in for one in properties)
    assert all(one.p == TRUE and isinstance(one.says, str) for one in built_in)
    assert And((TRUE,)) != TRUE


def test_dead_is_asked_under_the_most_faults_that_a_property_allows(tmp_path):
    model, properties = loaded(tmp_path, files("never: lit\n    under: {faults: 2}"))
    asked = {one.id: one.budget for one in built_in_properties(model, properties)}
    assert asked.pop("dead") == 2 and set(asked.values()) == {0}
    assert {one.budget for one in built_in_properties(model)} == {0}


def test_a_pack_that_cannot_be_read_is_one_error(tmp_path):
    given = files("never: lit")
    given["specs/trial.yaml"] = given["specs/trial.yaml"].replace("groups: [track]", "groups: [")
    assert [one.code for one in errors(tmp_path, given)] == ["LX107"]


@pytest.mark.parametrize("groups", ["", "groups: {track: []}\n"])
def test_a_pack_over_a_group_without_members_is_an_error(groups, tmp_path):
    """Its properties for each track would vanish, and nothing would be left to fail."""
    given = files("never: lit")
    given["model.yaml"] = (
        MODEL.replace("groups: {track: [up, down]}\n", groups)
        .replace("_{track}\": {role: train, for each: track,", "_up\": {role: train,")
        .replace("  \"near_{track}\": {for each: track, is: \"train_{track} is near\"}\n", "")
    )
    assert [one.code for one in errors(tmp_path, given)] == ["LX413"]


def test_an_empty_list_of_packs_is_an_error(tmp_path):
    given = files("never: lit")
    given["model.yaml"] += "specs: []\n"
    assert [one.code for one in errors(tmp_path, given)] == ["LX401"]


def test_a_pack_says_which_hazards_it_does_not_look_for(tmp_path):
    given = files("never: lit")
    given["specs/trial.yaml"] += "not_checked:\n  - {hazard: [H10, H11], says: no second train}\n"
    put(tmp_path, given)
    findings = Findings()
    (pack,) = packs_in(tmp_path / "specs", findings)
    assert len(findings) == 0
    assert [(one.hazard, one.kinds, one.says) for one in pack.not_checked] == [
        ("H10", ("TEXTBOOK",), "no second train"), ("H11", ("TEXTBOOK",), "no second train"),
    ]


@pytest.mark.parametrize(
    ("entry", "code"),
    [
        ("{hazard: H10}", "LX116"),
        ("{hazard: H10, says: x, applies_to: [AHB]}", "LX402"),
        ("{hazard: H10, says: x, because: y}", "LX115"),
    ],
)
def test_a_hazard_not_checked_has_a_reason_and_kinds_of_the_pack(entry, code, tmp_path):
    given = files("never: lit")
    given["specs/trial.yaml"] += f"not_checked:\n  - {entry}\n"
    assert [one.code for one in errors(tmp_path, given)] == [code]


def test_a_pack_named_that_is_nowhere_near_is_the_one_that_comes_with_the_program(tmp_path):
    """A starting model may stand in any folder."""
    model = tmp_path / "model.yaml"
    good = own_packs_folder().parent / "models" / "textbook" / "b2_train_gate.yaml"
    text = good.read_text(encoding="utf-8")
    model.write_text(text, encoding="utf-8")
    assert str(own_packs_folder() / "textbook_b2.yaml") in load(str(model))[0].files
    model.write_text(text.replace("textbook_b2.yaml", "textbook_b9.yaml"), encoding="utf-8")
    assert [one.code for one in errors_of(model)] == ["LX101"]
