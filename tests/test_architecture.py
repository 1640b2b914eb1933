"""What each folder of ``verifier`` may import, read from the source with ``ast``.

The order of folders and the walls between readings are the owner's contract (design.md section 8); a
reading that borrowed from another would confirm its own mistakes.
"""

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
PACKAGE = ROOT / "verifier"
ORDER = ("diagnostics", "language", "semantics", "engines", "evidence", "studies", "views", "commands")

# The only places that may import a library that gives meaning, solves, reads or draws.
HOMES = {
    "z3": ("engines",),
    "dd": ("engines",),
    "pysat": ("engines",),
    "ruamel": ("language",),
    "yaml": ("language",),
    "pint": ("language",),
    "transitions": ("semantics/concrete",),
    "cvc5": ("evidence/recheck",),
    "graphviz": ("views",),
    "pygraphviz": ("views",),
    "jinja2": ("views",),
    "jsonschema": ("language", "views", "evidence/store"),
    "junitparser": ("views",),
    "click": ("commands",),
    "rich": ("commands", "views"),
}

# (importer, what it must not import), both as the beginning of a path below verifier/.
WALLS = (
    ("semantics/system", "semantics/concrete"),
    ("semantics/bare", "semantics/concrete"),
    ("semantics/formula", "semantics/concrete"),
    ("semantics/watch", "semantics/concrete"),
    ("semantics/concrete", "semantics/system"),
    ("semantics/concrete", "semantics/bare"),
    ("semantics/concrete", "semantics/formula"),
    ("semantics/concrete", "semantics/watch"),
    ("evidence/replay", "engines"),
    ("evidence/quieten", "engines"),
    ("evidence/judge", "engines"),
    ("evidence/crosscheck", "engines"),
    ("evidence/recheck", "engines"),
    ("evidence/replay", "semantics/system"),
    ("evidence/replay", "semantics/bare"),
    ("evidence/quieten", "semantics/system"),
    ("evidence/quieten", "semantics/bare"),
    ("evidence/judge", "semantics/system"),
    ("evidence/judge", "semantics/bare"),
    ("evidence/recheck", "semantics/system"),
    ("evidence/recheck", "semantics/bare"),
    ("evidence/recheck", "semantics/formula"),
    ("evidence/recheck", "semantics/watch"),
    ("evidence/recheck", "semantics/concrete"),
    ("views", "engines"),
    ("views", "semantics/system"),
    ("views", "semantics/bare"),
    ("views", "evidence/pipeline"),
    ("views", "evidence/verdicts"),
)


def modules() -> list[Path]:
    return sorted(PACKAGE.rglob("*.py"))


def imports(path: Path) -> set[str]:
    """Dotted names of everything a module imports, also inside functions."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: imports are written out in full"
            found |= {node.module, *(f"{node.module}.{alias.name}" for alias in node.names)}
    return found


def below(path: Path) -> str:
    return path.relative_to(PACKAGE).with_suffix("").as_posix()


def ours(names: set[str]) -> set[str]:
    """Paths below ``verifier/`` of the imports that are ours."""
    return {name.removeprefix("verifier.").replace(".", "/") for name in names
            if name.startswith("verifier.")}


def reached(start: Path) -> set[str]:
    """Everything of ours that importing ``start`` brings along, itself included."""
    seen: set[str] = set()
    waiting = [start]
    while waiting:
        path = waiting.pop()
        if below(path) in seen:
            continue
        seen.add(below(path))
        for name in ours(imports(path)):
            target = PACKAGE / f"{name}.py"
            if target.exists():
                waiting.append(target)
    return seen


@pytest.mark.parametrize("path", modules(), ids=below)
def test_folders_import_only_from_those_before_them(path):
    here = below(path).split("/")[0]
    if here == "__init__":
        allowed = set(ORDER)
    else:
        assert here in ORDER, f"{here} is no stage of design.md section 8"
        allowed = set(ORDER[: ORDER.index(here) + 1])
    assert {name.split("/")[0] for name in ours(imports(path))} <= allowed


@pytest.mark.parametrize("path", modules(), ids=below)
def test_libraries_stay_in_their_homes(path):
    for name in imports(path):
        homes = HOMES.get(name.split(".")[0])
        assert homes is None or below(path).startswith(homes), f"{below(path)} imports {name}"


@pytest.mark.parametrize(("importer", "wall"), WALLS)
def test_walls_between_readings(importer, wall):
    walled = [path for path in modules() if below(path).startswith(importer)]
    assert walled, f"no module {importer}"
    for path in walled:
        crossing = {name for name in reached(path) if name.startswith(wall)}
        assert not crossing, f"{below(path)} reaches {sorted(crossing)}"


def test_only_replay_recheck_and_crosscheck_make_tokens():
    """``verifier/evidence/result.py``: a verdict can't be said without one of these."""
    homes = {
        "ReplayedTrace": "evidence/replay",
        "RecheckedCertificate": "evidence/recheck",
        "CrossCheck": "evidence/crosscheck",
    }
    made = {name: set() for name in homes}
    for path in modules():
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in made:
                made[node.func.id].add(below(path))
    assert made == {name: {home} for name, home in homes.items()}


def test_no_broad_except_and_no_grab_bag():
    for path in modules():
        assert path.stem not in ("util", "utils", "common", "misc", "base", "manager", "helpers"), path
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.ExceptHandler):
                caught = ast.unparse(node.type) if node.type else "everything"
                assert not {"Exception", "BaseException", "everything"} & set(
                    caught.strip("()").split(", ")
                ), f"{path}:{node.lineno} catches {caught}"


def test_top_level_holds_what_it_should():
    """design.md section 8; build leftovers are ignored by ``.gitignore``."""
    leftovers = {"build", "strikein.egg-info"}
    found = {path.name for path in ROOT.iterdir() if path.name[0] != "."} - leftovers
    assert found == {"README.md", "DEVELOPERS.md", "pyproject.toml", "models", "verifier", "specs", "tests"}
