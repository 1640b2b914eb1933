"""Quantities: exact values, dimensions, and how they are shown."""

from fractions import Fraction

import pytest

from tests.language.files import HEAD, errors, loaded

LAMP = """machines:
  lamp:
    role: equipment
    states: [dark, lit]
    transitions: [{from: dark, to: lit, after: WINDOW}]
"""


def seconds(folder, window, parameters="{}"):
    text = HEAD + f"parameters: {parameters}\n" + LAMP.replace("WINDOW", f'"{window}"')
    model, _ = loaded(folder, {"model.yaml": text})
    after = model.machine("lamp").transitions[0].after
    return after.lo, after.hi


@pytest.mark.parametrize(
    "text, value",
    [
        ("3 s", 3),
        ("1500 ms", Fraction(3, 2)),
        ("2 min", 120),
        ("0.5 h", 1800),
        ("0.1 s + 0.2 s", Fraction(3, 10)),
        ("1900 m / (90 km/h)", 76),
        ("1900 m / 90 km/h", 76),
        # 1 mph = 0.44704 m/s exactly (1 yard = 0.9144 m, agreement of 1959; from memory):
        # 1900 / (90 * 0.44704) = 1900 / 40.2336 s
        ("1900 m / 90 mph", Fraction(1900) / (90 * Fraction("0.44704"))),
        ("1 mile / 60 mph", 60),
        ("1760 yd / 60 mph", 60),
        ("5280 ft / 60 mph", 60),
        ("80 ch / 60 mph", 60),
        ("88 ft / (88 ft/s)", 1),
        ("20 m/s / (0.5 m/s2)", 40),
        ("1 km / (10 m/s)", 100),
        ("2 * 3 s - 1 s", 5),
    ],
)
def test_times_are_exact(text, value, tmp_path):
    assert seconds(tmp_path, text) == (value, value)


@pytest.mark.parametrize(
    "text, window",
    [
        ("6 s .. 10 s", (6, 10)),
        ("6 s ..", (6, None)),
        ("lowering", (6, 10)),
        ("earliest(lowering)", (6, 6)),
        ("latest(lowering) .. 1 min", (10, 60)),
        ("0 s .. 0 s", (0, 0)),
        ("open", (20, None)),
        ("earliest(open)", (20, 20)),
        ("earliest(single) .. latest(single)", (4, 4)),
    ],
)
def test_windows_in_seconds(text, window, tmp_path):
    parameters = "{open: 20 s .., lowering: 6 s .. 10 s, single: 4 s}"
    assert seconds(tmp_path, text, parameters) == window


def test_parameters_use_each_other_in_any_order_and_are_shown(tmp_path):
    parameters = (
        "{run: strike_in / speed, speed: 90 mph, strike_in: 1900 m, factor: 3 / 2, "
        "braking: speed * speed / (2 * 0.5 m/s2), lowering: 6 s .. 10 s, later: 6 s ..}"
    )
    model, _ = loaded(tmp_path, {"model.yaml": HEAD + f"parameters: {parameters}\n"})
    assert {name: p.value for name, p in model.parameters.items()} == {
        "run": "about 47.224 s",
        "speed": "90 mph",
        "strike_in": "1900 m",
        "factor": "1.5",
        "braking": "about 1618.743 m",
        "lowering": "6 s .. 10 s",
        "later": "6 s ..",
    }
    assert model.parameters["run"].text == "strike_in / speed"


@pytest.mark.parametrize(
    "text, code, column",
    [
        ("3", "LX215", 49),
        ("3 s + 4", "LX214", 53),
        ("3 m", "LX214", 49),
        ("3 s * 2 s", "LX214", 49),
        ("3 furlongs", "LX216", 49),
        ("3 s .. 4", "LX214", 56),
        ("3 .. 4", "LX215", 49),
        ("4 s .. 3 s", "LX218", 49),
        ("1 s - 3 s", "LX218", 49),
        ("1 s / 0", "LX221", 53),
        ("lowering + 1 s", "LX217", 49),
        ("latest(open)", "LX217", 56),
        ("lowring", "LX201", 49),
        ("lamp", "LX201", 49),
    ],
)
def test_quantities_without_a_sensible_value_are_marked(text, code, column, tmp_path):
    parameters = "{open: 20 s .., lowering: 6 s .. 10 s}"
    model = HEAD + f"parameters: {parameters}\n" + LAMP.replace("WINDOW", f'"{text}"')
    (found,) = errors(tmp_path, {"model.yaml": model})
    assert (found.code, found.place.line, found.place.column) == (code, 10, column)


def test_an_unknown_quantity_gets_the_closest_name(tmp_path):
    text = HEAD + "parameters: {lowering: 6 s, twice: 2 * lowring}\n"
    (found,) = errors(tmp_path, {"model.yaml": text})
    assert (found.code, found.mark) == ("LX201", "did you mean `lowering`")
