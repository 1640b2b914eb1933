"""From a file's name to a checked model and its properties: the door of the front end."""

from __future__ import annotations

import os
import re
from collections.abc import Sequence
from pathlib import Path

from verifier.diagnostics import Findings, Place, Spot
from verifier.language.binding import bind_pack
from verifier.language.check import ModelCheck
from verifier.language.kinds import pack_fits
from verifier.language.model import Form, Model, Property
from verifier.language.overlay import read_model
from verifier.language.packs import Pack, read_pack
from verifier.language.parts import beside
from verifier.language.shape import words_of
from verifier.language.tree import Items, Scalar

# Where the packs are that come with the program: inside an installed package, or in a checkout.
_HOME = Path(__file__).resolve().parent.parent
_OWN_PACKS = (_HOME / "specs", _HOME.parent / "specs")

_BUILT_IN = (
    (Form.AMBIGUOUS, "9.1", "no control machine ever has two enabled transitions to different states"),
    (Form.DOES_NOT_SETTLE, "9.2", "the control always comes to rest"),
    (Form.TIME_STOPS, "9.3", "time can always pass without end"),
    (Form.ORDER_MATTERS, "9.4", "the order in which control machines act never changes the outcome"),
    (Form.PULSE, "9.5", "no control state that is read outside is entered and left within one settle"),
    (Form.DEAD, "9.6", "every state is entered and every transition taken in some run"),
)


def load(path: str, packs: Sequence[str] = ()) -> tuple[Model, tuple[Property, ...]]:
    """Read, check and bind one model.

    Parameters
    ----------
    path : str
        A model or overlay file; places in messages begin with it as given.
    packs : sequence of str
        Spec packs to judge by, as paths; they replace those the model names. With none of either,
        packs of the model's kind and jurisdiction are taken from the nearest folder ``specs``
        above the model that has any, else from those that come with the program.

    Returns
    -------
    Model
        With the observers of the packs at the end of ``machines``.
    tuple of Property
        In order of packs and files, without the built-in ones.

    Raises
    ------
    ModelErrors
        All errors found, sorted by place; nothing of the model may be used.
    """
    findings = Findings()
    root, files = read_model(path, findings)
    if root is None:
        findings.raise_if_any()
    check = ModelCheck(root, path, findings)
    chosen = _chosen_packs(check, packs)
    properties: list[Property] = []
    for pack, prefix in zip(chosen, _prefixes(chosen, check), strict=True):
        bound = bind_pack(pack, check, prefix)
        _report_clashes(properties, bound, findings)
        properties += bound
    findings.raise_if_any()
    read = (*files, *check.draft.files[1:], *(pack.path for pack in chosen))
    return check.model(tuple(dict.fromkeys(read))), tuple(properties)


def built_in_properties(model: Model, properties: Sequence[Property] = ()) -> tuple[Property, ...]:
    """The six properties of every model (``specs/semantics.md`` section 9), asked of it beside
    ``properties``: what answers to a fault is dead only where the faults they allow do not wake it."""
    place = Place(model.path, 1, 1)
    most = max((prop.budget for prop in properties), default=0)
    return tuple(
        Property(form.value, form, says, f"specs/semantics.md {section}", "", place,
                 budget=most if form is Form.DEAD else 0)
        for form, section, says in _BUILT_IN
    )


def packs_in(folder: str | Path, findings: Findings) -> tuple[Pack, ...]:
    """All packs of a folder, by file name, for ``strikein list``."""
    packs = [read_pack(str(file), findings) for file in sorted(Path(folder).glob("*.yaml"))]
    return tuple(pack for pack in packs if pack is not None)


def own_packs_folder() -> Path:
    """The folder of the packs that come with the program."""
    return next((folder for folder in _OWN_PACKS if folder.is_dir()), _OWN_PACKS[0])


def _chosen_packs(check: ModelCheck, asked: Sequence[str]) -> list[Pack]:
    findings, header = check.findings, check.header
    if asked:
        found = [_fitting(read_pack(path, findings), check, None) for path in asked]
    elif "specs" in check.body:
        node = check.body.get("specs")
        words = words_of(node, findings, "a spec pack")
        if isinstance(node, Items) and not node.items:
            findings.add("LX401", node.spot, "the list of spec packs is empty")
        found = [
            _fitting(read_pack(_spec_path(word), findings, word), check, word) for word in words
        ]
    elif header.kind and header.jurisdiction:
        before = len(findings)
        found = _packs_by_kind(check)
        if not found and len(findings) == before:
            message = f"no spec pack for kind {header.kind} and jurisdiction {header.jurisdiction}"
            findings.add(
                "LX401",
                check.body.get("kind").spot,
                message,
                try_next="naming one under `specs` in the model",
            )
    else:
        return []
    return [pack for pack in found if pack is not None]


def _fitting(pack: Pack | None, check: ModelCheck, word: Scalar | None) -> Pack | None:
    """``pack``, or None after an LX402 when it is not for the model."""
    header = check.header
    if pack is None or not (header.kind and header.jurisdiction and pack.kinds):
        return None
    if pack_fits(pack.kinds, pack.jurisdiction, header.kind, header.jurisdiction):
        return pack
    own = f"kind {header.kind} and jurisdiction {header.jurisdiction}"
    its = f"{', '.join(pack.kinds)} and jurisdiction {pack.jurisdiction}"
    spot = word.spot if word else check.body.get("kind").spot
    check.findings.add("LX402", spot, f"the pack `{pack.name}` is for {its}; the model is of {own}")
    return None


def _spec_path(word: Scalar) -> str:
    """A pack named in a model: beside it, else from a folder above that holds ``specs/``, else our own."""
    near = beside(word.place.file, word.text)
    if os.path.exists(near):
        return near
    for folder in _folders_above(word.place.file):
        if os.path.isdir(os.path.join(folder, "specs")):
            path = os.path.normpath(os.path.join(folder, word.text))
            if os.path.exists(path):
                return path
    folder, name = os.path.split(word.text)
    own = own_packs_folder() / name
    return str(own) if folder == "specs" and own.is_file() else near


def _folders_above(file: str) -> list[str]:
    """The folders from that of ``file`` up to the root, as short as the user's own words allow."""
    folder = os.path.dirname(file) or "."
    above = []
    for _ in Path(os.path.abspath(folder)).parts:
        above.append(folder)
        folder = os.path.normpath(os.path.join(folder, ".."))
    return above


def _packs_by_kind(check: ModelCheck) -> list[Pack]:
    header = check.header
    folders = [
        os.path.normpath(os.path.join(folder, "specs")) for folder in _folders_above(check.path)
    ]
    nearest = next((f for f in folders if os.path.isdir(f) and list(Path(f).glob("*.yaml"))), None)
    for folder in dict.fromkeys([*filter(None, [nearest]), *map(str, _OWN_PACKS)]):
        found = []
        before = len(check.findings)
        for file in sorted(Path(folder).glob("*.yaml")):
            if not _mentions(file, header.kind):
                continue
            pack = read_pack(os.path.join(folder, file.name), check.findings)
            if pack and pack_fits(pack.kinds, pack.jurisdiction, header.kind, header.jurisdiction):
                found.append(pack)
        # a pack that can't be read must not be replaced silently by another of the same kind
        if found or len(check.findings) > before:
            return found
    return []


def _mentions(file: Path, kind: str) -> bool:
    """Whether a pack can be for ``kind``: a quick look that saves reading all packs as YAML."""
    try:
        text = file.read_text(encoding="utf-8", errors="replace")
    except OSError:
        return True
    return re.search(rf"(?<![A-Za-z+-]){re.escape(kind)}(?![A-Za-z+-])", text) is not None


def _prefixes(packs: Sequence[Pack], check: ModelCheck) -> list[str]:
    """A short name for each pack, unlike all others and unlike any name in the model."""
    taken = {name.split(".")[0] for name in check.scope.names}
    prefixes = []
    for pack in packs:
        stem = re.sub(r"[^A-Za-z0-9_]", "_", Path(pack.path).stem)
        stem = stem if stem[:1].isalpha() else f"pack_{stem}"
        while stem in taken:
            stem += "_"
        taken.add(stem)
        prefixes.append(stem)
    return prefixes


def _report_clashes(
    known: Sequence[Property], bound: Sequence[Property], findings: Findings
) -> None:
    ids = {one.id: one for one in known}
    for one in bound:
        other = ids.get(one.id)
        if other is not None:
            sees = [(other.place, f"it stands in the pack `{other.pack}` too")]
            message = f"the property id `{one.id}` stands in two packs"
            findings.add("LX407", Spot(one.place, len(one.id)), message, sees=sees)
