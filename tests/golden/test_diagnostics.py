"""Whole messages for small faulty files. Each faulty line is marked ``# error: CODE`` as well.

The marks guard against accepting a changed golden file unread: they must fit what is found, line by
line, and no line without a mark may have an error. ``--update-golden`` writes the texts anew.
"""

import os
import re
from pathlib import Path

import pytest

from verifier.diagnostics import ModelErrors
from verifier.language.load import load

FOLDER = Path(__file__).with_name("diagnostics")
INPUTS = sorted(FOLDER.glob("*.yaml"))


@pytest.fixture(scope="module", params=INPUTS, ids=lambda path: path.stem)
def case(request):
    """The input, the diagnostics and their whole text."""
    before = os.getcwd()
    os.chdir(FOLDER)  # so that messages name the files shortly, wherever the tests run
    try:
        load(request.param.name)
    except ModelErrors as errors:
        return request.param, errors.diagnostics, str(errors) + "\n"
    finally:
        os.chdir(before)
    raise AssertionError(f"{request.param.name} loads")


def test_every_marked_line_has_its_error_and_no_other_line_has_one(case):
    path, found, _ = case
    lines = path.read_text(encoding="utf-8").split("\n")
    marked = {
        (number, code)
        for number, line in enumerate(lines, start=1)
        for code in re.findall(r"# error: (LX\d+)", line)
    }
    assert marked
    # A line may have more errors than one; the mark names the first.
    first: dict[int, str] = {}
    for one in found:
        assert one.place.file == path.name
        first.setdefault(one.place.line, one.code)
    assert set(first.items()) == marked


def test_the_whole_text_is_the_one_kept(case, request):
    path, _, text = case
    kept = path.with_suffix(".txt")
    if request.config.getoption("--update-golden"):
        kept.write_text(text, encoding="utf-8")
    assert text == kept.read_text(encoding="utf-8")
