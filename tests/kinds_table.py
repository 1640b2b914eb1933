"""README's table of kinds: what each shipped model is judged by, and how.

The verdicts are kept in ``tests/readme/kinds.json``, each with a digest of the model and of every demand made
on it, so that a change shows without a run; ``made_anew`` runs what has changed.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections import Counter
from collections.abc import Sequence
from pathlib import Path

from verifier.evidence.pipeline import Limits, verify
from verifier.language.check import guard_text
from verifier.language.kinds import KINDS
from verifier.language.load import built_in_properties, load
from verifier.language.model import Model, Property

ROOT = Path(__file__).resolve().parent.parent
KEPT = ROOT / "tests" / "readme" / "kinds.json"
LIMITS = Limits(time_limit_s=600)
HEAD = (
    "| kind | model | spec packs | properties | verdicts | what is not modelled |\n"
    "| --- | --- | --- | --- | --- | --- |\n"
)
NO_LOGIC = (
    "| `BRIDGE` bridge or underpass | none | none | 0 | none | there is no control logic to judge: road and railway "
    "do not meet |\n"
)

_NOT_MODELLED = re.compile(r"^# not modelled: (.+)$", re.MULTILINE)

Row = dict[str, object]


def model_paths() -> list[Path]:
    """The models of kinds, not those of textbook problems."""
    return sorted((ROOT / "models").glob("*.yaml"))


def asked_of(path: Path) -> tuple[Model, tuple[Property, ...]]:
    model, properties = load(str(path))
    return model, (*built_in_properties(model, properties), *properties)


def digest(model: Model, properties: Sequence[Property]) -> str:
    """Of the model and of all that is demanded of it, without sentences and places."""
    lines = [model.digest]
    for prop in properties:
        guards = " ; ".join(map(guard_text, (prop.p, prop.q, prop.r)))
        needs = " ".join(sorted(prop.needs))
        faults = " ".join((str(prop.budget), *prop.faults_of))
        lines.append(f"{prop.id} {prop.form.value} {guards} {prop.bound} {faults} {needs}")
    return hashlib.sha256("\n".join(lines).encode()).hexdigest()


def kept() -> dict[str, Row]:
    """The rows last made, by the name of the model's file."""
    return json.loads(KEPT.read_text(encoding="utf-8")) if KEPT.exists() else {}


def row_of(path: Path) -> Row:
    """The row of one model, from a run of every property."""
    model, properties = asked_of(path)
    found = Counter(result.verdict for result in verify(model, properties, LIMITS).results)
    return described(path) | {"verdicts": dict(sorted(found.items()))}


def described(path: Path) -> Row:
    """What of a row needs no run."""
    model, properties = asked_of(path)
    packs = sorted(Path(f).name for f in model.files if Path(f).parent.name == "specs")
    left_out = _NOT_MODELLED.search(path.read_text(encoding="utf-8"))
    return {
        "kind": model.kind,
        "digest": digest(model, properties),
        "packs": packs,
        "properties": len(properties),
        "not modelled": left_out[1] if left_out else "",
    }


def made_anew(*, everything: bool) -> list[str]:
    """Run the models that are new or have changed, or all, and keep the rows; the names that were run."""
    before, rows, run = kept(), {}, []
    for path in model_paths():
        now, old = described(path), before.get(path.name)
        if everything or old is None or old["digest"] != now["digest"]:
            print(f"judging {path.name}", flush=True)
            rows[path.name] = row_of(path)
            run.append(path.name)
        else:
            rows[path.name] = now | {"verdicts": old["verdicts"]}
    KEPT.write_text(json.dumps(rows, indent=1) + "\n", encoding="utf-8")
    return run


def table(rows: dict[str, Row]) -> str:
    """The rows as a table in Markdown, in the order of the table of kinds."""
    order = list(KINDS)
    lines = []
    for name, row in sorted(rows.items(), key=lambda one: (order.index(one[1]["kind"]), one[0])):
        packs = ", ".join(f"[{Path(p).stem}](specs/{p})" for p in row["packs"])
        verdicts = ", ".join(f"{count} {verdict}" for verdict, count in row["verdicts"].items())
        lines.append(
            f"| `{row['kind']}` {KINDS[row['kind']]} | [{Path(name).stem}](models/{name}) | {packs} | "
            f"{row['properties']} | {verdicts} | {row['not modelled']} |\n"
        )
    return HEAD + "".join(lines) + NO_LOGIC
