"""Overlays: each kind of change, places, and changes that can't be made."""

import pytest

from tests.language.files import HEAD, errors, errors_of, loaded, put
from verifier.language.load import load

BASE = HEAD + """parameters: {wait: 3 s}
machines:
  lock:
    role: control
    says: locks
    states: [free, locked]
    transitions:
      - {from: free, to: locked, when: called}
      - {from: locked, to: free, after: wait}
  call: {role: equipment, states: [no, yes], transitions: []}
parts:
  - {part: part.yaml, as: entrance, set: {lower: lock is locked}}
  - {part: part.yaml, as: exit, set: {lower: lock is free}}
terms: {called: call is yes}
"""
PART = """part: p
needs: {lower: guard}
machines:
  b: {role: equipment, states: [up, down], transitions: [{from: up, to: down, when: lower}]}
"""


def changed(folder, change):
    files = {
        "sub/model.yaml": "format: 1\nbase: ../base.yaml\nsays: changed\nchange:\n" + change,
        "base.yaml": BASE,
        "part.yaml": PART,
    }
    return files


def load_changed(folder, change):
    put(folder, changed(folder, change))
    return load(str(folder / "sub" / "model.yaml"))[0]


def errors_changed(folder, change):
    put(folder, changed(folder, change))
    return errors_of(folder / "sub" / "model.yaml")


def test_to_replaces_a_value_by_index_and_keeps_its_new_place(tmp_path):
    model = load_changed(
        tmp_path, "  - at: machines.lock.transitions[0].when\n    to: call is no\n"
    )
    transition = model.machine("lock").transitions[0]
    assert transition.when_text == "call is no"
    assert transition.place.file.endswith("base.yaml")
    assert model.says == "changed"


def test_to_replaces_by_keys_of_an_entry(tmp_path):
    model = load_changed(
        tmp_path, "  - {at: 'machines.lock.transitions[from=locked to=free].after', to: 100 s}\n"
    )
    assert model.machine("lock").transitions[1].after.lo == 100


def test_to_adds_a_key_that_was_not_there(tmp_path):
    model = load_changed(tmp_path, "  - {at: 'machines.lock.transitions[1].when', to: called}\n")
    assert model.machine("lock").transitions[1].when_text == "called"


def test_a_whole_transition_from_the_overlay_stands_in_the_overlay(tmp_path):
    model = load_changed(
        tmp_path,
        "  - at: machines.lock.transitions\n    append: {from: locked, to: free, when: called}\n",
    )
    transition = model.machine("lock").transitions[2]
    assert (transition.source, transition.target) == ("locked", "free")
    assert transition.place.file.endswith("model.yaml")
    assert (transition.place.line, transition.place.column) == (6, 13)


def test_remove_takes_an_entry_or_a_key_away(tmp_path):
    model = load_changed(
        tmp_path,
        "  - {at: 'machines.lock.transitions[0]', remove: true}\n"
        "  - {at: machines.lock.says, remove: true}\n",
    )
    assert [t.source for t in model.machine("lock").transitions] == ["locked"]
    assert model.machine("lock").says == ""


def test_a_part_is_found_by_its_name_and_read_beside_the_base(tmp_path):
    model = load_changed(tmp_path, "  - {at: 'parts[as=exit].set.lower', to: called}\n")
    assert model.machine("exit").transitions[0].when == model.terms["called"].guard
    assert model.machine("entrance").transitions[0].when != model.terms["called"].guard


def test_changes_are_made_one_after_the_other(tmp_path):
    model = load_changed(
        tmp_path,
        "  - {at: 'machines.lock.transitions[0]', remove: true}\n"
        "  - {at: 'machines.lock.transitions[0].after', to: 7 s}\n",
    )
    assert model.machine("lock").transitions[0].after.lo == 7


def test_an_overlay_of_an_overlay(tmp_path):
    files = {
        "model.yaml": "format: 1\nbase: middle.yaml\nchange: [{at: parameters.wait, to: 5 s}]\n",
        "middle.yaml": "format: 1\nbase: base.yaml\n"
        "change: [{at: machines.lock.says, to: in between}, {at: parameters.wait, to: 4 s}]\n",
        "base.yaml": BASE,
        "part.yaml": PART,
    }
    model, _ = loaded(tmp_path, files)
    assert model.machine("lock").transitions[1].after.lo == 5
    assert model.machine("lock").says == "in between"
    names = [file.rsplit("/", 1)[1] for file in model.files]
    assert names == ["model.yaml", "middle.yaml", "base.yaml", "part.yaml", "nothing.yaml"]


@pytest.mark.parametrize(
    "change, column, piece",
    [
        ("{at: machines.lokc.says, to: x}", 19, "lokc"),
        ("{at: 'machines.lock.transitions[2].when', to: x}", 36, "[2]"),
        ("{at: 'machines.lock.transitions[from=free to=free].when', to: x}", 36, "[from=free to=free]"),
        ("{at: 'machines.lock.transitions[to].when', to: x}", 36, "[to]"),
        ("{at: 'machines.lock.states.x', to: x}", 32, "x"),
        ("{at: 'machines[0]', to: x}", 19, "[0]"),
        ("{at: machines.lock.absent, remove: true}", 24, "absent"),
        ("{at: machines.lock.says, append: x}", 10, "machines.lock.says"),
        ("{at: 'machines..lock[', to: x}", 10, "'machines..lock['"),
        ("{at: machines.lock.says, to: x, remove: true}", 5, None),
        ("{at: machines.lock.says}", 5, None),
        ("{at: machines.lock.says, remove: yes}", 38, "yes"),
    ],
)
def test_a_change_that_cannot_be_made_is_marked_at_the_step_at_fault(
    change, column, piece, tmp_path
):
    (found,) = errors_changed(tmp_path, f"  - {change}\n")
    assert (found.code, found.place.line) == ("LX119", 5)
    assert found.place.column == column
    assert piece is None or found.spot.length == len(piece)


def test_an_error_in_what_the_overlay_gives_is_shown_there(tmp_path):
    (found,) = errors_changed(
        tmp_path, "  - {at: 'machines.lock.transitions[0].when', to: caled}\n"
    )
    assert found.code == "LX201" and found.place.file.endswith("model.yaml")
    assert found.mark == "did you mean `called`"


def test_a_new_key_that_is_misspelt_is_an_unknown_key(tmp_path):
    (found,) = errors_changed(tmp_path, "  - {at: 'machines.lock.transitions[0].wen', to: called}\n")
    assert found.code == "LX115" and found.place.file.endswith("model.yaml")


def test_a_missing_base_is_reported_where_it_is_named(tmp_path):
    (found,) = errors(tmp_path, {"model.yaml": "format: 1\nbase: nowhere.yaml\n"})
    assert (found.code, found.place.line, found.place.column) == ("LX101", 2, 7)
