"""Typed access to trees: which keys a mapping may have, and that a value is text, list or mapping.

Each function reports what does not fit and then gives back something harmless, so that reading
goes on and all errors come out at once.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence

from verifier.diagnostics import Findings, did_you_mean
from verifier.language.tree import Items, Keys, Node, Scalar

RESERVED = frozenset("is not and or true false some every another has earliest latest".split())

_WORD = re.compile(r"[A-Za-z](?:[A-Za-z0-9_]|\{[A-Za-z][A-Za-z0-9_]*\})*\Z")
_PLACEHOLDER = re.compile(r"\{([A-Za-z][A-Za-z0-9_]*)\}")


def keys_of(
    node: Node | None,
    findings: Findings,
    what: str,
    *,
    may: Sequence[str] = (),
    must: Sequence[str] = (),
) -> Keys:
    """``node`` as a mapping with all keys of ``must`` and no others than these and ``may``."""
    keys = mapping_of(node, findings, what)
    if node is None or not isinstance(node, Keys):
        return keys
    known = [*must, *may]
    for entry in keys:
        if entry.key.text in known:
            continue
        if keys.in_braces and isinstance(entry.value, Scalar) and not entry.value.text:
            findings.add(
                "LX113",
                entry.key.spot,
                f"a comma ends a value inside braces, so `{entry.key.text}` is read as a key",
                mark="was this part of the text before the comma?",
                try_next="putting the text that holds the comma between double quotes",
            )
            continue
        hint = did_you_mean(entry.key.text, known)
        findings.add(
            "LX115",
            entry.key.spot,
            f"{what} has no key `{entry.key.text}`",
            mark=hint or f"known here: {', '.join(known)}",
        )
    for name in must:
        if name not in keys:
            findings.add("LX116", keys.spot, f"{what} lacks the key `{name}`")
    return keys


def mapping_of(node: Node | None, findings: Findings, what: str) -> Keys:
    """``node`` as a mapping with any keys; nothing and an empty value count as no keys."""
    if isinstance(node, Keys):
        return node
    if node is not None and not _is_blank(node):
        findings.add("LX117", node.spot, f"{what} must be a mapping of keys", mark=_shape(node))
    return Keys()


def list_of(node: Node | None, findings: Findings, what: str) -> tuple[Node, ...]:
    """``node`` as a list; nothing and an empty value count as the empty list."""
    if isinstance(node, Items):
        return node.items
    if node is not None and not _is_blank(node):
        findings.add("LX117", node.spot, f"{what} must be a list", mark=_shape(node))
    return ()


def text_of(node: Node | None, findings: Findings, what: str) -> Scalar | None:
    """``node`` as text that is not blank, or None after a diagnostic (none when ``node`` is None)."""
    if node is None:
        return None
    if isinstance(node, Scalar) and node.text.strip():
        return node
    findings.add("LX117", node.spot, f"{what} must be text", mark=_shape(node))
    return None


def words_of(node: Node | None, findings: Findings, what: str) -> tuple[Scalar, ...]:
    """``node`` as one text or a list of texts."""
    if isinstance(node, Items):
        texts = [text_of(item, findings, what) for item in node.items]
        return tuple(text for text in texts if text)
    text = text_of(node, findings, what)
    return (text,) if text else ()


def says_of(keys: Keys, findings: Findings) -> str:
    """The sentence under ``says``, or ""."""
    text = text_of(keys.get("says"), findings, "`says`")
    return " ".join(text.text.split()) if text else ""


def check_format(body: Keys, findings: Findings) -> None:
    """Report a ``format`` other than 1."""
    text = text_of(body.get("format"), findings, "`format`")
    if text is not None and text.text != "1":
        message = f"format `{text.text}` is not known"
        findings.add("LX118", text.spot, message, mark="this program reads format 1")


def good_name(name: Scalar, findings: Findings, what: str) -> bool:
    """Whether ``name`` may name a ``what``; reports it when not."""
    if name.text in RESERVED:
        findings.add("LX206", name.spot, f"`{name.text}` is a reserved word and can't name {what}")
        return False
    if not _WORD.match(name.text):
        findings.add(
            "LX206",
            name.spot,
            f"`{name.text}` can't name {what}",
            mark="a name is a letter, then letters, digits and _",
        )
        return False
    return True


def placeholders(text: str) -> tuple[str, ...]:
    """The groups named in braces within ``text``."""
    return tuple(_PLACEHOLDER.findall(text))


def fill(text: str, members: Mapping[str, str]) -> str:
    """``text`` with ``{group}`` replaced by its member; groups without one stay as they are."""
    return _PLACEHOLDER.sub(lambda m: members.get(m.group(1), m.group(0)), text)


def _is_blank(node: Node) -> bool:
    return isinstance(node, Scalar) and not node.text.strip()


def _shape(node: Node) -> str:
    if isinstance(node, Items):
        return "this is a list"
    if isinstance(node, Keys):
        return "this is a mapping"
    return "this is text" if node.text.strip() else "this is empty"
