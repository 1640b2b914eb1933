"""The code table: every input triggers its code, alone, fast and readably."""

import re
import time
from pathlib import Path

import pytest

from tests.language.files import errors_of, put, put_example
from verifier.diagnostics import code_table, explain

CODES = code_table()
LANGUAGE = Path(__file__).resolve().parents[2] / "verifier" / "language"


@pytest.mark.parametrize("code", CODES)
def test_the_input_of_a_code_triggers_it_alone(code, tmp_path):
    for example in CODES[code].examples:
        put_example(tmp_path, example)
    if not (tmp_path / "specs").exists() and code != "LX401":
        put(tmp_path, {})
    start = time.monotonic()
    found = errors_of(tmp_path / "model.yaml")
    assert time.monotonic() - start < 2
    assert [one.code for one in found] == [code], "\n".join(map(str, found))
    text = str(found[0])
    first, *_, last = text.split("\n")
    assert re.match(rf".+:\d+:\d+: {code}: \S.*[^.]$", first)
    assert last == f"  more: strikein explain {code}"


def test_every_code_in_use_is_in_the_table_and_the_reverse():
    used = set()
    for file in LANGUAGE.glob("*.py"):
        used |= set(re.findall(r"LX\d{3}", file.read_text(encoding="utf-8")))
    assert used == set(CODES)


def test_a_retired_number_is_not_used_again():
    head = (LANGUAGE.parent / "codes.md").read_text(encoding="utf-8").partition("\n## ")[0]
    retired = re.findall(r"LX\d{3}", head)
    assert retired == ["LX410"] and not set(retired) & set(CODES)


@pytest.mark.parametrize("code", CODES)
def test_a_code_is_explained_with_its_input(code):
    entry = CODES[code]
    assert entry.title and entry.explanation and entry.examples
    text = explain(code)
    assert text.startswith(f"{code}: {entry.title}\n")
    assert entry.explanation in text
    assert all(
        line in text for one in entry.examples if one.kind == "text" for line in one.text.split("\n")
    )


def test_explain_knows_no_other_codes():
    assert explain("LX999") is None
    assert explain("lx101") == explain("LX101")
