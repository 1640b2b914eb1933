"""What a YAML file holds, as plain trees in which every node knows its place.

Every scalar is text; there are no numbers, truth values or nulls here, so ``on``, ``no`` and
``010`` are what they look like.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

from verifier.diagnostics import Place, Spot


@dataclass(frozen=True, eq=False)
class Scalar:
    """Text. ``raw`` is the piece of the file it was read from, quotes and line breaks included."""

    text: str
    place: Place
    raw: str

    @property
    def spot(self) -> Spot:
        return Spot(self.place, max(len(self.raw.split("\n", 1)[0].rstrip()), 1))

    def spot_at(self, offset: int, length: int) -> Spot:
        """Where the piece of ``text`` at ``offset`` stands in the file."""
        position = self._raw_index(offset)
        before = self.raw[:position]
        line = self.place.line + before.count("\n")
        column = position - (before.rfind("\n") + 1) + 1
        if line == self.place.line:
            column += self.place.column - 1
        return Spot(Place(self.place.file, line, column), max(length, 1))

    def _raw_index(self, offset: int) -> int:
        """Walk text and raw side by side: they differ in quotes, escapes and line breaks only."""
        at = 0
        if self.raw[:1] in "'\"":
            at = 1
        elif self.raw[:1] in "|>":
            at = self.raw.find("\n") + 1
        for index, char in enumerate(self.text[: offset + 1]):
            if not char.isspace():
                found = self.raw.find(char, at)
                at = at if found < 0 else found
            if index < offset:
                at += 1
        return min(at, max(len(self.raw) - 1, 0))


@dataclass(frozen=True, eq=False)
class Items:
    """A list."""

    items: tuple["Node", ...]
    spot: Spot

    @property
    def place(self) -> Place:
        return self.spot.place


@dataclass(frozen=True, eq=False)
class Entry:
    key: Scalar
    value: "Node"


@dataclass(frozen=True, eq=False)
class Keys:
    """A mapping, in the order of the file; ``in_braces`` when written ``{...}``."""

    entries: dict[str, Entry] = field(default_factory=dict)
    spot: Spot = Spot(Place("", 1, 1))
    in_braces: bool = False

    @property
    def place(self) -> Place:
        return self.spot.place

    def __contains__(self, key: str) -> bool:
        return key in self.entries

    def __iter__(self) -> Iterator[Entry]:
        return iter(self.entries.values())

    def get(self, key: str) -> "Node | None":
        entry = self.entries.get(key)
        return entry.value if entry else None

    def key(self, key: str) -> Scalar:
        return self.entries[key].key


Node = Scalar | Items | Keys


def plain(node: Node) -> object:
    """The tree as lists, dictionaries and strings, for a schema check."""
    if isinstance(node, Scalar):
        return node.text
    if isinstance(node, Items):
        return [plain(item) for item in node.items]
    return {name: plain(entry.value) for name, entry in node.entries.items()}
