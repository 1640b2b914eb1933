"""Machines, parts, repetition and overrides written out, against lists made by hand."""

from fractions import Fraction

from tests.language.files import HEAD, errors, loaded
from verifier.language.guard import FALSE, TRUE, And, Is, Not, Or
from verifier.language.model import Role, Window


def is_in(machine, *states):
    return Is(machine, frozenset(states))


def arcs(model, name):
    return [
        (t.index, t.source, t.target, t.when, t.after, t.held, t.fault)
        for t in model.machine(name).transitions
    ]


def exactly(seconds):
    return Window(Fraction(seconds), Fraction(seconds))


def test_lists_paths_and_overrides_are_numbered_in_the_order_of_the_format(tmp_path):
    """specs/semantics.md 1.1 and 1.5: transitions, then the path, then overrides."""
    text = HEAD + """machines:
  power:
    role: equipment
    states: [good, lost]
    transitions: []
  m:
    role: control
    states: [a, b, c]
    overrides:
      - {to: c, when: power is lost}
      - {to: a, when: power is good}
    path: [c, {to: b, after: 2 s}]
    transitions:
      - {from: [a, b], to: c, when: m is a, held: 1 s}
"""
    model, _ = loaded(tmp_path, {"model.yaml": text})
    lost, good = is_in("power", "lost"), is_in("power", "good")
    # An earlier override prevails: the second is in force only while the first is not.
    second = And((good, Not(lost)))
    assert arcs(model, "m") == [
        (0, "a", "c", And((is_in("m", "a"), Not(lost), Not(good))), None, exactly(1), None),
        (1, "b", "c", And((is_in("m", "a"), Not(lost), Not(good))), None, exactly(1), None),
        (2, "c", "b", And((Not(lost), Not(good))), exactly(2), None, None),
        (3, "a", "c", lost, None, None, None),
        (4, "b", "c", lost, None, None, None),
        (5, "b", "a", second, None, None, None),
        (6, "c", "a", second, None, None, None),
    ]


def test_places_are_those_of_the_transitions_own_lines(tmp_path):
    text = HEAD + """machines:
  m:
    role: equipment
    states: [a, b]
    transitions:
      - {from: a, to: b, when: "m is a"}
      - from: b
        to: a
    path: [a, {to: b, says: again}]
"""
    model, _ = loaded(tmp_path, {"model.yaml": text})
    transitions = model.machine("m").transitions
    places = [(t.place.line, t.place.column) for t in transitions]
    assert places == [(10, 9), (11, 9), (13, 15)]
    assert [t.when_text for t in transitions] == ["m is a", "", ""]
    assert transitions[2].says == "again"
    assert model.machine("m").place.line == 6


PART = """part: barrier
needs:
  lower: guard
  lowering: window
  margin: {type: time, default: 2 s}
  allowed: {type: guard, default: "true"}
machines:
  barrier:
    role: equipment
    states: [raised, lowered]
    transitions:
      - {from: raised, to: lowered, when: lower and allowed, held: lowering}
      - {from: lowered, to: raised, when: not lower, held: earliest(lowering) + margin ..}
sensors:
  proved: {reads: barrier is lowered, can_fail: [frozen]}
terms:
  moving: not lowered
provides:
  lowered: barrier is lowered
"""
USE = HEAD + """groups: {track: [up, down]}
parameters: {lowering: 6 s .. 10 s}
machines:
  order_up: {role: control, states: [rest, lower], transitions: []}
  order_down: {role: control, states: [rest, lower], transitions: []}
parts:
  - part: parts/barrier.yaml
    for each: track
    as: barrier_{track}
    set: {lower: "order_{track} is lower", lowering: lowering}
    add:
      barrier: [{from: raised, to: lowered, when: "order_{track} is rest", fault: drops}]
terms:
  all_lowered: every track has barrier_{track}.lowered
"""


def test_a_part_is_written_out_for_each_member(tmp_path):
    model, _ = loaded(tmp_path, {"model.yaml": USE, "parts/barrier.yaml": PART})
    assert [m.name for m in model.machines] == [
        "order_up", "order_down", "barrier_up", "barrier_down",
        "barrier_up.proved_failure", "barrier_down.proved_failure",
    ]
    lower = is_in("order_up", "lower")
    window = Window(Fraction(6), Fraction(10))
    assert arcs(model, "barrier_up") == [
        (0, "raised", "lowered", lower, None, window, None),
        (1, "lowered", "raised", Not(lower), None, Window(Fraction(8), None), None),
        (2, "raised", "lowered", is_in("order_up", "rest"), None, None, "drops"),
    ]
    files = [t.place.file.rsplit("/", 1)[1] for t in model.machine("barrier_up").transitions]
    assert files == ["barrier.yaml", "barrier.yaml", "model.yaml"]
    assert set(model.terms) == {
        "all_lowered", "barrier_up.lowered", "barrier_up.moving", "barrier_down.lowered",
        "barrier_down.moving",
    }
    assert set(model.sensors) == {"barrier_up.proved", "barrier_down.proved"}
    assert model.sensors["barrier_up.proved"].can_fail == ("frozen",)
    assert model.terms["all_lowered"].guard == And(
        (is_in("barrier_up", "lowered"), is_in("barrier_down", "lowered"))
    )
    assert model.terms["barrier_up.moving"].guard == Not(is_in("barrier_up", "lowered"))


def test_a_part_of_several_machines_and_parts_within_parts_are_named_with_dots(tmp_path):
    files = {
        "model.yaml": HEAD + "parts: [{part: outer.yaml, as: x, set: {go: x_go}}]\n"
        "terms: {x_go: x.inner.ready, seen: x.a is off and x.inner is off}\n",
        "outer.yaml": "part: outer\nneeds: {go: guard}\nmachines:\n"
        "  a: {role: equipment, states: [off, on], transitions: [{from: off, to: on, when: go}]}\n"
        "  b: {role: equipment, states: [off, on], transitions: []}\n"
        "parts: [{part: inner.yaml, as: inner, set: {go: a is on and go}}]\n",
        "inner.yaml": "part: inner\nneeds: {go: guard}\nmachines:\n"
        "  only: {role: equipment, states: [off, on],\n"
        "         transitions: [{from: off, to: on, when: go}]}\n"
        "provides: {ready: only is off}\n",
    }
    model, _ = loaded(tmp_path, files)
    assert [m.name for m in model.machines] == ["x.a", "x.b", "x.inner"]
    ready = is_in("x.inner", "off")
    assert model.machine("x.a").transitions[0].when == ready
    assert model.machine("x.inner").transitions[0].when == And((is_in("x.a", "on"), ready))
    assert model.terms["seen"].guard == And((is_in("x.a", "off"), is_in("x.inner", "off")))


def test_quantifiers_over_groups(tmp_path):
    """specs/semantics.md section 2: some over nothing is false, every over nothing is true."""
    text = HEAD + """groups: {track: [up, down, loop], none: []}
machines:
  "t_{track}": {role: equipment, for each: track, states: [off, on], transitions: []}
terms:
  some_on: some track has t_{track} is on
  every_on: every track has t_{track} is on
  "other_on_{track}": {for each: track, is: "another track has t_{track} is on"}
  some_none: some none has m_{none} is on
  every_none: every none has m_{none} is on
  nested: "some track has (t_{track} is on and another track has t_{track} is off)"
"""
    model, _ = loaded(tmp_path, {"model.yaml": text})
    on = {name: is_in(f"t_{name}", "on") for name in ("up", "down", "loop")}
    off = {name: is_in(f"t_{name}", "off") for name in ("up", "down", "loop")}
    guards = {name: term.guard for name, term in model.terms.items()}
    assert guards == {
        "some_on": Or((on["up"], on["down"], on["loop"])),
        "every_on": And((on["up"], on["down"], on["loop"])),
        "other_on_up": Or((on["down"], on["loop"])),
        "other_on_down": Or((on["up"], on["loop"])),
        "other_on_loop": Or((on["up"], on["down"])),
        "some_none": FALSE,
        "every_none": TRUE,
        "nested": Or(
            (
                And((on["up"], Or((off["down"], off["loop"])))),
                And((on["down"], Or((off["up"], off["loop"])))),
                And((on["loop"], Or((off["up"], off["down"])))),
            )
        ),
    }


def test_sensors_are_seen_through_and_remembered(tmp_path):
    text = HEAD + """machines:
  train: {role: train, states: [away, near], path: [away, near]}
  m:
    role: control
    states: [a, b]
    transitions: [{from: a, to: b, when: struck}]
sensors: {struck: {reads: train is near, can_fail: [stuck true, stuck false]}}
terms: {through: struck or m is b, truly: train is near}
"""
    model, _ = loaded(tmp_path, {"model.yaml": text})
    near = is_in("train", "near")
    assert model.machine("m").transitions[0].when == model.sensors["struck"].guard
    assert model.sensors["struck"].reads == near
    assert model.sensors["struck"].can_fail == ("stuck true", "stuck false")
    assert model.terms["through"].reads_sensor and not model.terms["truly"].reads_sensor
    assert model.machine("train").role is Role.TRAIN


def test_inside_a_part_its_own_names_come_before_its_needs(tmp_path):
    files = {
        "model.yaml": HEAD + "parts: [{part: p.yaml, as: x, set: {ready: \"false\"}}]\n",
        "p.yaml": "part: p\nneeds: {ready: guard}\nmachines:\n"
        "  m: {role: equipment, states: [a, b], transitions: [{from: a, to: b, when: ready}]}\n"
        "terms: {ready: m is a}\n",
    }
    model, _ = loaded(tmp_path, files)
    assert model.machine("x").transitions[0].when == is_in("x", "a")


def test_nothing_from_outside_is_seen_in_a_part_but_through_set(tmp_path):
    files = {
        "model.yaml": HEAD + "machines: {outside: {role: control, states: [a], transitions: []}}\n"
        "parts: [{part: p.yaml, as: x}]\n",
        "p.yaml": "part: p\nmachines:\n"
        "  m: {role: equipment, states: [a, b],\n"
        "      transitions: [{from: a, to: b, when: outside is a}]}\n",
    }
    (found,) = errors(tmp_path, files)
    assert found.code == "LX201" and found.place.file.endswith("p.yaml")
    assert "`outside` in part `x`" in found.message


def test_control_inside_a_part_sees_a_train_set_for_a_need_only_through_a_sensor(tmp_path):
    def files(setting):
        return {
            "model.yaml": HEAD + "machines: {train: {role: train, states: [away, near], "
            "path: [away, near]}}\nsensors: {struck: {reads: train is near}}\n"
            f"parts: [{{part: p.yaml, as: x, set: {{go: {setting}}}}}]\n",
            "p.yaml": "part: p\nneeds: {go: guard}\nmachines:\n"
            "  m: {role: control, states: [a, b], transitions: [{from: a, to: b, when: go}]}\n",
        }

    (found,) = errors(tmp_path, files("train is near"))
    assert found.code == "LX301" and found.place.file.endswith("p.yaml")
    assert [place.file.rsplit("/", 1)[1] for place, _ in found.sees] == ["model.yaml"] * 2
    assert errors(tmp_path, files("struck")) == ()


def test_the_digest_follows_the_meaning_and_not_the_layout(tmp_path):
    def digest(text):
        return loaded(tmp_path, {"model.yaml": HEAD + text})[0].digest

    first = digest(
        "parameters: {t: 3 s}\nmachines:\n  m:\n    role: control\n    states: [a, b]\n"
        "    transitions: [{from: a, to: b, after: t}]\n"
    )
    same = digest(
        "says: the same\nmachines:\n  # remark\n  m:\n    role: control\n    states: [a, b]\n"
        "    transitions:\n      - {from: a, to: b, when: \"true\", after: 3000 ms}\n"
    )
    other = digest(
        "machines:\n  m:\n    role: control\n    states: [a, b]\n"
        "    transitions: [{from: a, to: b, after: 4 s}]\n"
    )
    assert first == same != other
    assert len(first) == 64 and set(first) <= set("0123456789abcdef")


def test_a_part_has_no_groups_of_its_own(tmp_path):
    files = {
        "model.yaml": HEAD + "parts: [{part: p.yaml, as: x}]\n",
        "p.yaml": "part: p\ngroups: {side: [left, right]}\n",
    }
    assert [one.code for one in errors(tmp_path, files)] == ["LX115"]
    files["p.yaml"] = "part: p\ngroups: {}\n"
    assert errors(tmp_path, files) == ()
