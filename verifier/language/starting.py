"""Values left open in a model, and starting models made by opening those of a shipped one.

A value left open reads `to fill in` or `to fill in, WHAT`; the front end reports each (LX224). In a shipped
model a parameter that belongs to the place, and not to the kind of crossing, is marked by a remark at the end of
its line, `# site: WHAT; MEANING`. That is a remark and no key, because it changes nothing in the model.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from verifier.language.tree import Keys, Scalar

_OPEN = re.compile(r"to fill in(?:, *(?P<what>.+))?\Z", re.DOTALL)
_SITE = re.compile(r"(?P<gap> +)# site: (?P<what>[^;]+); (?P<meaning>.+?) *\Z")


def left_open(text: str) -> str | None:
    """What is to be written in place of ``text``, "" if it does not say; None when it is a value."""
    found = _OPEN.match(text)
    return None if found is None else (found["what"] or "")


@dataclass(frozen=True)
class SiteValue:
    """A parameter marked as the place's own: what is due, and what it means there."""

    name: str
    scalar: Scalar
    what: str
    meaning: str


def site_values(text: str, root: Keys) -> Iterator[SiteValue]:
    """The marked parameters of the model that ``text`` holds and ``root`` is the tree of."""
    lines = text.split("\n")
    parameters = root.get("parameters")
    for entry in parameters if isinstance(parameters, Keys) else ():
        value = entry.value
        if isinstance(value, Scalar):
            mark = _SITE.search(lines[value.place.line - 1], _end(value))
            if mark is not None:
                yield SiteValue(entry.key.text, value, mark["what"], mark["meaning"])


def _end(value: Scalar) -> int:
    return value.place.column - 1 + len(value.raw.rstrip())


def starting_text(text: str, root: Keys, remarks: Iterable[str]) -> str:
    """``text`` with ``remarks`` at its head, and the name of the crossing and all site values left open.

    Nothing else changes, so that whoever fills in the shipped values has the shipped model again.
    """
    lines = text.split("\n")
    for one in site_values(text, root):
        _replace(lines, one.scalar, f"to fill in, {one.what}  # {one.meaning}", to_end=True)
    crossing = root.get("crossing")
    if isinstance(crossing, Scalar):
        _replace(lines, crossing, "to fill in, the name of the crossing", to_end=False)
    return "\n".join([*(f"# {remark}" for remark in remarks), *lines])


def _replace(lines: list[str], value: Scalar, new: str, *, to_end: bool) -> None:
    line = lines[value.place.line - 1]
    rest = "" if to_end else line[_end(value) :]
    lines[value.place.line - 1] = line[: value.place.column - 1] + new + rest
