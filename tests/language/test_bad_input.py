"""Input that can't be a model: one diagnostic each, soon, whatever it is."""

import time

import pytest

from tests.language.files import HEAD, errors_of, put

ALIASES = "a0: &a0 [lol, lol]\n" + "".join(
    f"a{i}: &a{i} [{', '.join(f'*a{i - 1}' for _ in range(10))}]\n" for i in range(1, 10)
)
DEEP = "[" * 100_000 + "]" * 100_000

CASES = {
    "empty": ("", "LX106", 1),
    "only remarks": ("# nothing\n\n", "LX106", 1),
    "not yaml": (HEAD + "machines: {lamp: [\n", "LX107", None),
    "tab": (HEAD + "machines:\n\tlamp: {}\n", "LX107", 6),
    "control character": (HEAD + "says: a\x07b\n", "LX107", 5),
    "escape beyond Unicode": (HEAD + 'says: "\\U00110000"\n', "LX107", 1),
    "half a character": (HEAD + 'says: "\\ud800"\n', "LX107", 5),
    "directive of another version": ("%YAML 3.7\n---\n" + HEAD, "LX107", 1),
    "alias bomb": (ALIASES, "LX108", 1),
    "10 MB of nesting": ("[" * 10_000_000, "LX104", 1),
    "nesting below the limit of size": (DEEP, "LX109", 1),
    "nesting by indentation": ("".join(" " * i + "a:\n" for i in range(400)), "LX109", 31),
    "duplicate key": (HEAD + "kind: TEXTBOOK\n", "LX110", 5),
    "text instead of a mapping": ("just words\n", "LX117", 1),
    "list instead of a mapping": ("- a\n- b\n", "LX117", 1),
    "unknown state": (
        HEAD + "machines:\n  lamp: {role: control, states: [a], transitions: [{from: a, to: b}]}\n",
        "LX202",
        6,
    ),
    "missing unit": (
        HEAD
        + "machines:\n  lamp:\n    role: control\n    states: [a, b]\n"
        + "    transitions: [{from: a, to: b, after: 3}]\n",
        "LX215",
        9,
    ),
    "cyclic terms": (HEAD + "terms: {a: b, b: a}\n", "LX209", 5),
    "guard of brackets": (HEAD + "terms:\n  a: " + "(" * 50_000 + "\n", "LX203", 6),
    "guard of nots": (HEAD + "terms:\n  a: " + "not " * 50_000 + "true\n", "LX203", 6),
    "endless sum": (HEAD + "parameters:\n  a: 1 s" + " + 1 s" * 30_000 + "\n", "LX204", 6),
    "number of many digits": (HEAD + f"parameters:\n  a: {'9' * 10_000} s\n", "LX204", 6),
    "quantifiers in each other": (
        HEAD
        + "groups: {g: [a, b, c, d, e, f, g, h]}\nterms:\n  a: "
        + "some g has " * 12
        + "b\n  b: c_x\n  c_x: not true or true\n",
        "LX219",
        7,
    ),
}


@pytest.mark.parametrize("name", CASES)
def test_one_diagnostic_in_less_than_two_seconds(name, tmp_path):
    text, code, line = CASES[name]
    put(tmp_path, {"model.yaml": text})
    start = time.process_time()
    found = errors_of(tmp_path / "model.yaml")
    assert time.process_time() - start < 2
    assert [one.code for one in found] == [code], "\n".join(map(str, found))
    assert line is None or found[0].place.line == line
    assert all(len(shown) < 200 for shown in str(found[0]).split("\n")[1:])


def test_a_chain_of_terms_too_long_to_write_out_is_one_error(tmp_path):
    terms = "".join(f"  t{i}: not t{i + 1}\n" for i in range(900)) + "  t900: true\n"
    put(tmp_path, {"model.yaml": HEAD + "terms:\n" + terms})
    found = errors_of(tmp_path / "model.yaml")
    assert {one.code for one in found} == {"LX219"}


def test_a_chain_of_parameters_too_long_is_an_error(tmp_path):
    names = "".join(f"  t{i}: t{i + 1} + 1 s\n" for i in range(900)) + "  t900: 1 s\n"
    put(tmp_path, {"model.yaml": HEAD + "parameters:\n" + names})
    found = errors_of(tmp_path / "model.yaml")
    assert {one.code for one in found} == {"LX210"}


def test_parts_that_double_at_every_level_are_refused(tmp_path):
    files = {"model.yaml": HEAD + "parts: [{part: p0.yaml, as: top}]\n"}
    for level in range(16):
        uses = ", ".join(f"{{part: p{level + 1}.yaml, as: u{n}}}" for n in range(4))
        files[f"p{level}.yaml"] = f"part: p\nparts: [{uses}]\n"
    files["p16.yaml"] = "part: last\n"
    put(tmp_path, files)
    start = time.process_time()
    found = errors_of(tmp_path / "model.yaml")
    assert time.process_time() - start < 2
    assert [one.code for one in found] == ["LX313"]


def test_part_recursion_over_two_files_is_one_error(tmp_path):
    put(
        tmp_path,
        {
            "model.yaml": HEAD + "parts: [{part: a.yaml, as: top}]\n",
            "a.yaml": "part: a\nparts: [{part: b.yaml, as: inner}]\n",
            "b.yaml": "part: b\nparts: [{part: a.yaml, as: outer}]\n",
        },
    )
    found = errors_of(tmp_path / "model.yaml")
    assert [one.code for one in found] == ["LX306"]
    assert found[0].place.file.endswith("b.yaml")


def test_a_folder_a_missing_file_and_a_wrong_encoding(tmp_path):
    (tmp_path / "folder.yaml").mkdir()
    (tmp_path / "latin.yaml").write_bytes(b"format: 1\nsays: caf\xe9\n")
    (tmp_path / "zeros.yaml").write_bytes(b"format: 1\nsays: \x00\n")
    found = {name: errors_of(tmp_path / f"{name}.yaml") for name in
             ("folder", "missing", "latin", "zeros")}
    assert {name: [one.code for one in errors] for name, errors in found.items()} == {
        "folder": ["LX102"],
        "missing": ["LX101"],
        "latin": ["LX105"],
        "zeros": ["LX107"],
    }
    assert (found["latin"][0].place.line, found["latin"][0].place.column) == (2, 10)
    assert (found["zeros"][0].place.line, found["zeros"][0].place.column) == (2, 7)


def test_surprises_of_older_yaml_are_ordinary_names(tmp_path):
    """`on`, `no`, `010` and `1:30` are truth values and numbers in YAML 1.1; here they are text."""
    text = HEAD + (
        "machines:\n  switch:\n    role: control\n    states: [off, on, no, y]\n"
        "    transitions: [{from: off, to: on, when: switch is off}, {from: no, to: y}]\n"
        "parameters: {a: 010 s}\n"
    )
    put(tmp_path, {"model.yaml": text})
    assert errors_of(tmp_path / "model.yaml") == ()


def test_a_byte_order_mark_and_windows_line_ends_are_read(tmp_path):
    put(tmp_path, {"model.yaml": ""})
    path = tmp_path / "model.yaml"
    path.write_bytes(b"\xef\xbb\xbf" + HEAD.replace("\n", "\r\n").encode() + b"term: x\r\n")
    found = errors_of(path)
    assert [(one.code, one.place.line, one.place.column) for one in found] == [("LX115", 5, 1)]
