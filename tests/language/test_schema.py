"""The schemas for editors: every shipped file fits, and what the program refuses by shape does not."""

import json
from pathlib import Path

import jsonschema
import pytest
from ruamel.yaml import YAML

from verifier.diagnostics import Findings, code_table
from verifier.language.kinds import JURISDICTIONS, KINDS
from verifier.language.tree import plain
from verifier.language.yaml_reader import read_file

ROOT = Path(__file__).resolve().parents[2]
SCHEMA = ROOT / "verifier" / "language" / "schema"
MODELS = sorted((ROOT / "models").rglob("*.yaml"))
PACKS = sorted((ROOT / "specs").glob("*.yaml"))
VALIDATORS = {
    kind: jsonschema.Draft202012Validator(
        json.loads((SCHEMA / f"{kind}.schema.json").read_text(encoding="utf-8"))
    )
    for kind in ("model", "pack")
}


@pytest.mark.parametrize("kind", VALIDATORS)
def test_the_schemas_are_schemas(kind):
    jsonschema.Draft202012Validator.check_schema(VALIDATORS[kind].schema)


def test_there_are_models_and_packs_to_validate():
    assert MODELS and PACKS


@pytest.mark.parametrize("file", [*MODELS, *PACKS], ids=lambda file: file.name)
def test_shipped_files_fit_as_text_and_as_an_editor_reads_them(file):
    validator = VALIDATORS["pack" if file.parent.name == "specs" else "model"]
    validator.validate(plain(read_file(str(file), Findings())))
    # An editor takes `format: 1` for a number and `when: true` for a truth value (YAML 1.2).
    validator.validate(YAML(typ="safe", pure=True).load(file.read_text(encoding="utf-8")))


@pytest.mark.parametrize(
    "code", ["LX115", "LX116", "LX117", "LX118", "LX206", "LX220", "LX222", "LX223", "LX311", "LX314"]
)
def test_errors_of_shape_are_seen_by_the_schema_too(code, tmp_path):
    refused = []
    for example in code_table()[code].examples:
        path = tmp_path / example.name
        path.write_text(example.text, encoding="utf-8")
        refused.append(not VALIDATORS["model"].is_valid(plain(read_file(str(path), Findings()))))
    assert any(refused)


@pytest.mark.parametrize("code", ["LX405", "LX411"])
def test_errors_of_shape_in_packs_are_seen_by_the_schema_too(code, tmp_path):
    example = next(e for e in code_table()[code].examples if e.name.startswith("specs/"))
    path = tmp_path / "pack.yaml"
    path.write_text(example.text, encoding="utf-8")
    assert not VALIDATORS["pack"].is_valid(plain(read_file(str(path), Findings())))


def test_the_schemas_list_the_closed_tables():
    model = VALIDATORS["model"].schema["$defs"]["model_file"]["properties"]
    assert model["kind"]["enum"] == list(KINDS)
    assert model["jurisdiction"]["enum"] == list(JURISDICTIONS)
    pack = VALIDATORS["pack"].schema["properties"]
    assert pack["jurisdiction"]["enum"] == list(JURISDICTIONS)
    assert pack["kinds"]["anyOf"][1]["items"]["enum"] == list(KINDS)
