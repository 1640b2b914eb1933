"""What is installed: all code, the schemas, the packs and the written meaning, models to start from."""

import tomllib
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
SETTINGS = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
SETUPTOOLS = SETTINGS["tool"]["setuptools"]


def test_every_folder_of_code_is_a_package():
    folders = {path.parent for path in (ROOT / "verifier").rglob("*.py")}
    named = {".".join(folder.relative_to(ROOT).parts) for folder in folders}
    assert set(SETUPTOOLS["packages"]) == named | {"verifier.specs", "verifier.models"}
    assert SETUPTOOLS["package-dir"]["verifier.specs"] == "specs"
    assert SETUPTOOLS["package-dir"]["verifier.models"] == "models"


def test_every_file_beside_the_code_is_package_data():
    patterns = SETUPTOOLS["package-data"]
    for folder, package in ((ROOT / "verifier", "verifier"), (ROOT / "specs", "verifier.specs")):
        data = {path for path in folder.rglob("*") if path.is_file() and path.suffix not in (".py", ".pyc")}
        packed = {path for pattern in patterns[package] for path in folder.glob(pattern)}
        assert data and data <= packed, sorted(data - packed)


def test_the_models_to_start_from_and_their_parts_are_package_data():
    """Flawed and textbook models are for this repository."""
    patterns = SETUPTOOLS["package-data"]["verifier.models"]
    packed = {path for pattern in patterns for path in (ROOT / "models").glob(pattern)}
    assert packed == {
        path for path in (ROOT / "models").rglob("*") if path.parent.name in ("models", "parts") and path.is_file()
    }


def test_the_command_is_the_entry_point():
    assert SETTINGS["project"]["scripts"] == {"strikein": "verifier.commands.main:main"}
