"""Guards and windows as text: what they group to, and where an error points."""

from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from verifier.diagnostics import Findings, Place
from verifier.language.grammar import parse_guard, parse_window
from verifier.language.syntax import (
    Arithmetic,
    Both,
    Compare,
    Edge,
    Either,
    Name,
    Number,
    Opposite,
    Over,
    Truth,
)
from verifier.language.tree import Scalar


def scalar(text):
    return Scalar(text, Place("f", 7, 11), text)


def bare(node):
    """The tree without offsets, as nested tuples."""
    match node:
        case Truth(value):
            return value
        case Name(word):
            return word.text
        case Compare(word, states, negated):
            return (word.text, "is not" if negated else "is", *(s.text for s in states))
        case Opposite(part):
            return ("not", bare(part))
        case Both(parts):
            return ("and", *map(bare, parts))
        case Either(parts):
            return ("or", *map(bare, parts))
        case Over(kind, group, part, _):
            return (kind, group.text, bare(part))
        case Number(value, unit, _):
            return (value, unit)
        case Edge(kind, word):
            return (kind, word.text)
        case Arithmetic(sign, left, right, _):
            return (sign, bare(left), bare(right))


def guard(text):
    findings = Findings()
    parsed = parse_guard(scalar(text), findings)
    assert len(findings) == 0
    return bare(parsed)


def failure(parse, text):
    findings = Findings()
    assert parse(scalar(text), findings) is None
    (found,) = findings
    assert found.place.line == 7
    return found.place.column - 11, found.spot.length, found


# specs/semantics.md section 2: `and` binds closer than `or`, `not` and the quantifiers take the
# comparison that follows and no more.
@pytest.mark.parametrize(
    "text, tree",
    [
        ("a or b and c", ("or", "a", ("and", "b", "c"))),
        ("a and b or c", ("or", ("and", "a", "b"), "c")),
        ("not a and b", ("and", ("not", "a"), "b")),
        ("not m is x", ("not", ("m", "is", "x"))),
        ("m is not x", ("m", "is not", "x")),
        ("m is x | y and b", ("and", ("m", "is", "x", "y"), "b")),
        ("m is not x|y", ("m", "is not", "x", "y")),
        ("some g has a and b", ("and", ("some", "g", "a"), "b")),
        ("some g has (a and b)", ("some", "g", ("and", "a", "b"))),
        ("some g has not m_{g} is x", ("some", "g", ("not", ("m_{g}", "is", "x")))),
        ("not every g has true", ("not", ("every", "g", True))),
        ("some g has another h has false", ("some", "g", ("another", "h", False))),
        ("a.b.c is x", ("a.b.c", "is", "x")),
        ("(a)", "a"),
        ("  a\n  or b ", ("or", "a", "b")),
    ],
)
def test_guards_group_as_written(text, tree):
    assert guard(text) == tree


# Where the text ends too soon, its last character is marked.
@pytest.mark.parametrize(
    "text, offset, length",
    [
        ("a or", 3, 1),
        ("a == b", 2, 2),
        ("a && b", 2, 2),
        ("a is", 3, 1),
        ("a is b.c", 5, 3),
        ("a b", 2, 1),
        ("(a or b", 6, 1),
        ("a or b)", 6, 1),
        ("some has a", 5, 3),
        ("some track a", 11, 1),
        ("not", 2, 1),
        ("a and is", 6, 2),
        ("3 is a", 0, 1),
        ("a AND b", 2, 3),
        ("é", 0, 1),
        ("a is b | | c", 9, 1),
    ],
)
def test_a_guard_that_cannot_be_read_is_marked_where_it_goes_wrong(text, offset, length):
    at, marked, found = failure(parse_guard, text)
    assert (found.code, at, marked) == ("LX203", offset, length)


@pytest.mark.parametrize(
    "text, instead", [("a == b", "is"), ("a != b", "is not"), ("a && b", "and"), ("a OR b", "or")]
)
def test_signs_of_other_languages_get_a_word_that_works(text, instead):
    _, _, found = failure(parse_guard, text)
    wrong = text.split()[1]
    assert found.try_next == f"`{instead}` instead of `{wrong}`"
    assert parse_guard(scalar(text.replace(wrong, instead)), Findings()) is not None


def window(text):
    findings = Findings()
    parsed = parse_window(scalar(text), findings)
    assert len(findings) == 0
    hi = None if parsed.hi is None else bare(parsed.hi)
    return (bare(parsed.lo), parsed.has_range, hi)


@pytest.mark.parametrize(
    "text, tree",
    [
        ("3 s", ((3, "s"), False, None)),
        ("3s", ((3, "s"), False, None)),
        ("0.1 s", ((Fraction(1, 10), "s"), False, None)),
        ("6 s .. 10 s", ((6, "s"), True, (10, "s"))),
        ("6 s..10 s", ((6, "s"), True, (10, "s"))),
        ("6 s ..", ((6, "s"), True, None)),
        ("low ..", ("low", True, None)),
        ("low..high", ("low", True, "high")),
        ("a - b - c", (("-", ("-", "a", "b"), "c"), False, None)),
        ("a / b * c", (("*", ("/", "a", "b"), "c"), False, None)),
        ("a + b * c", (("+", "a", ("*", "b", "c")), False, None)),
        ("(a + b) * c", (("*", ("+", "a", "b"), "c"), False, None)),
        ("90 km/h", ((90, "km/h"), False, None)),
        ("90 km / h", ((90, "km/h"), False, None)),
        ("90 km / speed", (("/", (90, "km"), "speed"), False, None)),
        ("20 s / s_long", (("/", (20, "s"), "s_long"), False, None)),
        ("earliest(w) + 2 s", (("+", ("earliest", "w"), (2, "s")), False, None)),
    ],
)
def test_windows_and_quantities_group_as_written(text, tree):
    assert window(text) == tree


@pytest.mark.parametrize(
    "text, offset",
    [("3 s +", 4), (".. 3 s", 0), ("3 s .. 4 s .. 5 s", 11), ("1:30", 1), ("latest w", 7),
     ("latest(3 s)", 7), ("(3 s", 3), ("3 s and 4 s", 4), ("-3 s", 0), ("1e5 s", 4)],
)
def test_a_quantity_that_cannot_be_read_is_marked_where_it_goes_wrong(text, offset):
    at, _, found = failure(parse_window, text)
    assert (found.code, at) == ("LX204", offset)


NAMES = st.sampled_from(["a", "b", "m_{g}", "part.term"])
TREES = st.recursive(
    st.one_of(
        st.booleans(),
        NAMES,
        st.tuples(NAMES, st.sampled_from(["is", "is not"]), st.sampled_from(["x", "y"])),
    ),
    lambda inner: st.one_of(
        st.tuples(st.just("not"), inner),
        st.tuples(st.sampled_from(["some", "every", "another"]), st.just("g"), inner),
        st.tuples(st.sampled_from(["and", "or"]), inner, inner, inner),
    ),
    max_leaves=8,
)


def written(tree):
    """A tree as text, with all brackets."""
    match tree:
        case bool():
            return "true" if tree else "false"
        case str():
            return tree
        case ("not", part):
            return f"not ({written(part)})"
        case ("some" | "every" | "another" as kind, group, part):
            return f"{kind} {group} has ({written(part)})"
        case ("and" | "or" as word, *parts):
            return f" {word} ".join(f"({written(part)})" for part in parts)
        case (name, word, state):
            return f"{name} {word} {state}"


@given(TREES)
@settings(max_examples=200, deadline=None)
def test_what_is_written_is_what_is_read(tree):
    assert guard(written(tree)) == tree


@given(st.text(alphabet="ab.|()<{}_ \n\"é0123sm+-*/=", max_size=30), st.sampled_from([0, 1]))
@settings(max_examples=300, deadline=None)
def test_any_text_is_read_or_reported_inside_it(text, which):
    parse = (parse_guard, parse_window)[which]
    findings = Findings()
    if parse(scalar(text), findings) is None:
        (found,) = findings
        assert 7 <= found.place.line <= 7 + text.count("\n")
        str(found)
