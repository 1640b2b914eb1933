"""Places in files and the diagnostics that point at them.

The code table and the rendering of messages live here, so that a checker only chooses a code and
names what is at fault. Nothing in this module knows about models or solvers. Explanations and the
inputs that trigger each code stand in ``codes.md`` beside this file.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from functools import cache
from pathlib import Path

_CODES_FILE = Path(__file__).with_name("codes.md")
_WIDEST_LINE = 110


@dataclass(frozen=True, order=True)
class Place:
    """Where something stands: ``file`` as the user named it, ``line`` and ``column`` from 1."""

    file: str
    line: int
    column: int

    def __str__(self) -> str:
        return f"{self.file}:{self.line}:{self.column}"


@dataclass(frozen=True)
class Spot:
    """A place and the number of characters to mark there, at least 1."""

    place: Place
    length: int = 1


@dataclass(frozen=True)
class Diagnostic:
    """One error: ``str()`` gives the whole message, without a line break at its end.

    ``source`` is the line at ``spot`` ("" for a whole file), ``mark`` says what is wrong right there,
    ``sees`` are other places with what each shows, ``try_next`` is a way out that works.
    """

    code: str
    spot: Spot
    message: str
    source: str = ""
    mark: str = ""
    sees: tuple[tuple[Place, str], ...] = ()
    try_next: str = ""

    @property
    def place(self) -> Place:
        return self.spot.place

    def __str__(self) -> str:
        lines = [f"{self.place}: {self.code}: {self.message}"]
        if self.source.strip():
            lines += _marked(self.source, self.place.column - 1, self.spot.length, self.mark)
        lines += [f"  see {place}: {text}" for place, text in self.sees]
        if self.try_next:
            lines.append(f"  try {self.try_next}")
        lines.append(f"  more: strikein explain {self.code}")
        return "\n".join(lines)


def _marked(source: str, start: int, length: int, mark: str) -> list[str]:
    """The source line and the line of marks below it, cut to what a screen shows."""
    text = "".join(c if c.isprintable() else " " for c in source)
    first = len(text) - len(text.lstrip())
    if start - first > _WIDEST_LINE - 20:
        first = start - _WIDEST_LINE // 2
    shown = text[first : first + _WIDEST_LINE].rstrip()
    start = max(start - first, 0)
    length = max(1, min(length, max(len(shown) - start, 1)))
    return [f"    {shown}", f"    {' ' * start}{'~' * length} {mark}".rstrip()]


class ModelErrors(Exception):
    """Input that cannot be used: ``diagnostics``, at least one, sorted by place.

    The caller prints them to stderr and exits with 2. ``str()`` is all of them, a blank line
    between two.
    """

    def __init__(self, diagnostics: Iterable[Diagnostic]):
        self.diagnostics = tuple(sorted(diagnostics, key=lambda d: (d.place, d.code)))
        super().__init__("\n\n".join(str(d) for d in self.diagnostics))


class Findings:
    """Collects diagnostics so that all are reported at once, one for a place."""

    def __init__(self) -> None:
        self._lines: dict[str, list[str]] = {}
        self._found: dict[tuple[Place, str], Diagnostic] = {}

    def keep_source(self, file: str, text: str) -> None:
        """Remember the text of ``file``, to show its lines in messages."""
        self._lines[file] = text.split("\n")

    def add(
        self,
        code: str,
        spot: Spot,
        message: str,
        *,
        mark: str = "",
        sees: Sequence[tuple[Place, str]] = (),
        try_next: str = "",
        once_for: str = "",
    ) -> None:
        """Add an error unless one was found at the same place before (it has the same cause).

        ``once_for`` tells apart causes that can only be shown at one place.
        """
        if code not in _codes():
            raise KeyError(code)
        if (spot.place, once_for) in self._found:
            return
        lines = self._lines.get(spot.place.file, [])
        number = spot.place.line - 1
        source = lines[number] if number < len(lines) else ""
        self._found[spot.place, once_for] = Diagnostic(
            code, spot, message, source, mark, tuple(sees), try_next
        )

    def __len__(self) -> int:
        return len(self._found)

    def __iter__(self) -> Iterator[Diagnostic]:
        return iter(self._found.values())

    def raise_if_any(self) -> None:
        """Raise ``ModelErrors`` with everything found so far, if there is anything."""
        if self._found:
            raise ModelErrors(self._found.values())


def did_you_mean(name: str, known: Iterable[str]) -> str:
    """``"did you mean `x`"`` for the one closest of ``known``, else ``""``."""
    close = get_close_matches(name, sorted(set(known)), n=1, cutoff=0.7)
    return f"did you mean `{close[0]}`" if close else ""


@dataclass(frozen=True)
class Example:
    """A file of an input that triggers a code: ``kind`` is how ``text`` becomes a file.

    ``"text"``: as it is; ``"folder"``: a folder of that name; ``"missing"``: no file;
    ``"pipe"``: a named pipe; ``"latin"``: one byte a character; ``"repeat N"``: the text N times.
    """

    name: str
    kind: str
    text: str


@dataclass(frozen=True)
class Code:
    """A code with its title, an explanation for people and an input that triggers it."""

    code: str
    title: str
    explanation: str
    examples: tuple[Example, ...]


@cache
def _codes() -> dict[str, Code]:
    """Read the code table: a heading a code, then text, then fenced example files."""
    table: dict[str, Code] = {}
    for section in re.split(r"^## ", _CODES_FILE.read_text(encoding="utf-8"), flags=re.M)[1:]:
        heading, _, body = section.partition("\n")
        code, _, title = heading.partition(" ")
        if code in table:
            raise ValueError(f"{code} stands twice in {_CODES_FILE.name}")
        examples = tuple(
            Example(name, kind.strip() or "text", text)
            for name, kind, text in re.findall(
                r"^```(\S+)([^\n]*)\n(.*?)^```$", body, flags=re.M | re.S
            )
        )
        table[code] = Code(code, title.strip(), body.partition("```")[0].strip(), examples)
    return table


def code_table() -> dict[str, Code]:
    """All codes in order of their number, each with explanation and example."""
    return dict(sorted(_codes().items()))


def explain(code: str) -> str | None:
    """The text for ``strikein explain CODE``, or None when there is no such code."""
    entry = _codes().get(code.upper())
    if entry is None:
        return None
    lines = [f"{entry.code}: {entry.title}", "", entry.explanation]
    for example in entry.examples:
        if example.kind == "text":
            lines += ["", f"For example, in {example.name}:", ""]
            lines += [f"    {line}".rstrip() for line in example.text.rstrip("\n").split("\n")]
    return "\n".join(lines)
