"""Spec pack files, read without a model: what they need and what they demand.

``specs/format.md`` section 4. ``binding`` joins a pack with a model.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

from verifier.diagnostics import Findings, Place, did_you_mean
from verifier.language.check import one_of
from verifier.language.kinds import JURISDICTIONS, KINDS
from verifier.language.properties import (
    FormKeys,
    Under,
    forms_of,
    property_keys,
    under_of,
    written,
)
from verifier.language.shape import (
    check_format,
    good_name,
    keys_of,
    list_of,
    mapping_of,
    says_of,
    text_of,
    words_of,
)
from verifier.language.tree import Entry, Keys, Node, Scalar
from verifier.language.yaml_reader import read_file

_ID = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]*\Z")


@dataclass(frozen=True, eq=False)
class Need:
    """A term a model must define. ``as_`` is "truth" or "command"; ``name`` may hold ``{group}``."""

    name: str
    as_: str
    says: str
    group: str
    place: Place
    entry: Entry


@dataclass(frozen=True, eq=False)
class PackProperty:
    """A property as its pack has it, before it is bound to a model."""

    id: str
    says: str
    source: str
    hazard: str
    group: str
    applies_to: tuple[str, ...]
    under: Under
    forms: tuple[FormKeys, ...]
    keys: Keys
    place: Place

    @property
    def texts(self) -> Mapping[str, str]:
        return written(self.keys)


@dataclass(frozen=True, eq=False)
class NotChecked:
    """A hazard that the pack knows and no property of it looks for at some kinds; ``says`` why."""

    hazard: str
    kinds: tuple[str, ...]
    says: str
    place: Place


@dataclass(frozen=True, eq=False)
class Pack:
    """One spec pack file. ``groups`` are those of the model it quantifies over."""

    name: str
    path: str
    says: str
    kinds: tuple[str, ...]
    jurisdiction: str
    groups: tuple[Scalar, ...]
    needs: tuple[Need, ...]
    properties: tuple[PackProperty, ...]
    not_checked: tuple[NotChecked, ...]
    body: Keys


def read_pack(path: str, findings: Findings, cited: Scalar | None = None) -> Pack | None:
    """Read one pack; None after a diagnostic without which there is nothing to bind."""
    root = read_file(path, findings, cited.spot if cited else None)
    if root is None:
        return None
    body = keys_of(
        root,
        findings,
        "a spec pack",
        must=("format", "pack", "kinds", "jurisdiction", "properties"),
        may=("says", "groups", "needs", "parameters", "terms", "observers", "not_checked"),
    )
    if not isinstance(root, Keys):
        return None
    check_format(body, findings)
    name = text_of(body.get("pack"), findings, "`pack`")
    kinds = _kinds(body.get("kinds"), findings)
    properties = [
        _read_property(item, kinds, findings)
        for item in list_of(body.get("properties"), findings, "`properties`")
    ]
    pack = Pack(
        name.text if name else path,
        path,
        says_of(body, findings),
        kinds,
        one_of(body.get("jurisdiction"), findings, "jurisdiction", JURISDICTIONS),
        words_of(body.get("groups"), findings, "a group"),
        tuple(_read_needs(body.get("needs"), findings)),
        tuple(one for one in properties if one is not None),
        tuple(_read_not_checked(body.get("not_checked"), kinds, findings)),
        body,
    )
    _report_repeated_ids(pack, findings)
    return pack


def _kinds(node: Node | None, findings: Findings) -> tuple[str, ...]:
    codes = [one_of(word, findings, "kind", KINDS) for word in words_of(node, findings, "a kind")]
    return tuple(code for code in codes if code)


def _read_needs(node: Node | None, findings: Findings) -> list[Need]:
    needs = []
    for entry in mapping_of(node, findings, "`needs`"):
        keys = keys_of(
            entry.value, findings, "a need of a pack", must=("as",), may=("says", "for each")
        )
        as_ = text_of(keys.get("as"), findings, "`as`")
        group = text_of(keys.get("for each"), findings, "`for each`")
        if as_ is not None and as_.text not in ("truth", "command"):
            mark = did_you_mean(as_.text, ("truth", "command")) or "known: truth, command"
            message = f"a need of a pack can't be a `{as_.text}`"
            findings.add("LX222", as_.spot, message, mark=mark)
        if not all(
            good_name(replace(entry.key, text=piece), findings, "a need")
            for piece in entry.key.text.split(".")
        ):
            continue
        needs.append(
            Need(
                entry.key.text,
                as_.text if as_ else "",
                says_of(keys, findings),
                group.text if group else "",
                entry.key.place,
                entry,
            )
        )
    return needs


def _read_property(node: Node, kinds: tuple[str, ...], findings: Findings) -> PackProperty | None:
    keys = property_keys(node, findings)
    if not isinstance(node, Keys):
        return None
    forms = forms_of(keys, findings)
    id_ = text_of(keys.get("id"), findings, "`id`")
    source = text_of(keys.get("source"), findings, "`source`")
    group = text_of(keys.get("for each"), findings, "`for each`")
    hazards = words_of(keys.get("hazard"), findings, "`hazard`")
    applies_to = _applies_to(keys, kinds, findings)
    if id_ is not None and not _ID.match(id_.text):
        findings.add(
            "LX206",
            id_.spot,
            f"`{id_.text}` can't name a property",
            mark="letters, digits, - and _ are due",
        )
    if id_ is None:
        return None
    return PackProperty(
        id_.text,
        says_of(keys, findings),
        " ".join(source.text.split()) if source else "",
        ", ".join(word.text for word in hazards),
        group.text if group else "",
        applies_to,
        under_of(keys, findings),
        forms,
        keys,
        id_.place,
    )


def _applies_to(keys: Keys, kinds: tuple[str, ...], findings: Findings) -> tuple[str, ...]:
    """Those of the pack's ``kinds`` that a property or an entry is about: all, if it does not say."""
    if "applies_to" not in keys:
        return kinds
    for word in words_of(keys.get("applies_to"), findings, "a kind"):
        if word.text in KINDS and word.text not in kinds:
            message = f"the pack is not for kind `{word.text}`"
            findings.add("LX402", word.spot, message, mark=f"it is for {', '.join(kinds)}")
    return _kinds(keys.get("applies_to"), findings)


def _read_not_checked(
    node: Node | None, kinds: tuple[str, ...], findings: Findings
) -> Iterator[NotChecked]:
    if node is None:
        return
    for item in list_of(node, findings, "`not_checked`"):
        what = "a hazard that is not checked"
        keys = keys_of(item, findings, what, must=("hazard", "says"), may=("applies_to",))
        says = says_of(keys, findings)
        applies_to = _applies_to(keys, kinds, findings)
        for word in words_of(keys.get("hazard"), findings, "`hazard`"):
            yield NotChecked(word.text, applies_to, says, word.place)


def _report_repeated_ids(pack: Pack, findings: Findings) -> None:
    first: dict[str, PackProperty] = {}
    for one in pack.properties:
        known = first.setdefault(one.id, one)
        if known is not one:
            sees = [(known.place, "it stands here first")]
            spot = one.keys.get("id").spot
            findings.add("LX407", spot, f"the property id `{one.id}` stands twice", sees=sees)
