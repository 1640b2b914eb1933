"""YAML 1.2 text to trees with places. The only file that knows the YAML library.

The tree is put together here from the library's events, one at a time, so that deep nesting,
aliases and repeated keys are found where they stand and before anything grows. Aliases and tags
are refused: a model needs neither, and both let a small file mean something large or surprising.
"""

from __future__ import annotations

import os
import stat

from ruamel.yaml import YAML
from ruamel.yaml.error import MarkedYAMLError, YAMLError
from ruamel.yaml.events import (
    AliasEvent,
    DocumentStartEvent,
    MappingEndEvent,
    MappingStartEvent,
    ScalarEvent,
    SequenceEndEvent,
    SequenceStartEvent,
)
from ruamel.yaml.reader import ReaderError

from verifier.diagnostics import Findings, Place, Spot
from verifier.language.tree import Entry, Items, Keys, Node, Scalar

LARGEST_FILE = 256 * 1024
DEEPEST_NESTING = 30


class _Refused(Exception):
    """The rest of the file is not read; the reason has been reported."""


def read_file(path: str, findings: Findings, cited: Spot | None = None) -> Node | None:
    """Read one file into a tree.

    Parameters
    ----------
    path : str
        As it shall stand in messages.
    cited : Spot, optional
        Where another file names this one; a file that is missing is reported there.

    Returns
    -------
    Node or None
        None after a diagnostic (LX1xx) was added to ``findings``.
    """
    text = _read_text(path, findings, cited or Spot(Place(path, 1, 1)))
    if text is None:
        return None
    findings.keep_source(path, text)
    return read_text(text, path, findings)


def _read_text(path: str, findings: Findings, spot: Spot) -> str | None:
    try:
        status = os.stat(path)
        if stat.S_ISDIR(status.st_mode):
            findings.add("LX102", spot, f"`{path}` is a folder, not a file")
            return None
        if not stat.S_ISREG(status.st_mode):
            findings.add("LX103", spot, f"`{path}` is not an ordinary file")
            return None
        if status.st_size > LARGEST_FILE:
            size = f"{status.st_size} bytes, more than {LARGEST_FILE}"
            findings.add("LX104", spot, f"`{path}` is too large: {size}")
            return None
        with open(path, "rb") as file:
            content = file.read(LARGEST_FILE + 1)
    except FileNotFoundError:
        findings.add("LX101", spot, f"there is no file `{path}`")
        return None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        findings.add("LX103", spot, f"`{path}` can't be read: {reason.lower()}")
        return None
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        column = error.start - (content.rfind(b"\n", 0, error.start) + 1) + 1
        message = f"byte 0x{content[error.start]:02x} is not UTF-8"
        findings.add("LX105", Spot(Place(path, line, column)), message)
        return None
    return text.replace("\r\n", "\n")


def read_text(text: str, file: str, findings: Findings) -> Node | None:
    """As ``read_file``, for text at hand; ``file`` stands in the places."""
    try:
        node = _Composer(text, file, findings).compose()
    except _Refused:
        return None
    except MarkedYAMLError as error:
        _report_syntax(error, text, file, findings)
        return None
    except ReaderError as error:
        before = text[: error.position]
        column = len(before) - (before.rfind("\n") + 1) + 1
        spot = Spot(Place(file, before.count("\n") + 1, column))
        message = f"character U+{error.character:04X} is not allowed in YAML"
        findings.add("LX107", spot, message)
        return None
    except (YAMLError, ValueError, AssertionError) as error:
        # The library lets the last two through for escapes beyond Unicode and odd directives.
        message = f"this is not YAML: {str(error).splitlines()[0]}"
        findings.add("LX107", Spot(Place(file, 1, 1)), message)
        return None
    if node is None:
        findings.add("LX106", Spot(Place(file, 1, 1)), f"`{file}` is empty")
    return node


def _report_syntax(error: MarkedYAMLError, text: str, file: str, findings: Findings) -> None:
    mark = error.problem_mark or error.context_mark
    if mark is None:
        findings.add("LX107", Spot(Place(file, 1, 1)), f"this is not YAML: {error.problem}")
        return
    spot = Spot(Place(file, mark.line + 1, mark.column + 1))
    lines = text.split("\n")
    line = lines[mark.line] if mark.line < len(lines) else ""
    rest = line[mark.column :]
    if rest.startswith("{") and line[: mark.column][-1:].isalnum() or _ends_in_name(line, mark):
        findings.add(
            "LX114",
            spot,
            "a brace inside a name ends the text here",
            mark="YAML takes this for the start of a mapping",
            try_next="putting the whole text between double quotes",
        )
        return
    sees = []
    start = error.context_mark
    if start is not None and (start.line, start.column) != (mark.line, mark.column):
        sees = [(Place(file, start.line + 1, start.column + 1), error.context)]
    findings.add("LX107", spot, f"this is not YAML: {error.problem}", sees=sees)


def _ends_in_name(line: str, mark) -> bool:
    return line[mark.column : mark.column + 1] == "{" and line[: mark.column].endswith("_")


class _Composer:
    """Builds the tree of one document from the event stream, without recursion."""

    def __init__(self, text: str, file: str, findings: Findings):
        self._text = text
        self._file = file
        self._findings = findings
        self._documents = 0
        self._root: Node | None = None
        self._open: list[list] = []  # [start event, children]

    def compose(self) -> Node | None:
        # The "safe" kind reads no comments and so is the fastest; values are never resolved.
        for event in YAML(typ="safe", pure=True).parse(self._text):
            if isinstance(event, ScalarEvent):
                self._refuse_extras(event)
                self._close(self._scalar(event))
            elif isinstance(event, MappingStartEvent | SequenceStartEvent):
                self._refuse_extras(event)
                self._open.append([event, []])
                if len(self._open) > DEEPEST_NESTING:
                    self._refuse("LX109", event, f"nested deeper than {DEEPEST_NESTING} levels")
            elif isinstance(event, SequenceEndEvent):
                start, children = self._open.pop()
                self._close(Items(tuple(children), self._spot(start, event)))
            elif isinstance(event, MappingEndEvent):
                start, children = self._open.pop()
                self._close(self._mapping(start, event, children))
            elif isinstance(event, AliasEvent):
                self._refuse("LX108", event, f"the alias `*{event.anchor}` is not allowed")
            elif isinstance(event, DocumentStartEvent):
                self._documents += 1
                if self._documents > 1:
                    self._refuse("LX111", event, "a second document begins here")
        root = self._root
        is_blank = isinstance(root, Scalar) and not root.text
        return None if is_blank else root

    def _close(self, node: Node) -> None:
        if self._open:
            self._open[-1][1].append(node)
        else:
            self._root = node

    def _scalar(self, event: ScalarEvent) -> Scalar:
        start, end = event.start_mark, event.end_mark
        place = Place(self._file, start.line + 1, start.column + 1)
        if any("\ud800" <= char <= "\udfff" for char in event.value):
            self._refuse("LX107", event, "an escape stands for half a character")
        return Scalar(event.value, place, self._text[start.index : end.index])

    def _mapping(self, start, end, children: list[Node]) -> Keys:
        entries: dict[str, Entry] = {}
        for key, value in zip(children[::2], children[1::2], strict=True):
            if not isinstance(key, Scalar):
                self._refuse("LX107", start, "a key must be text", key.spot)
            if key.text in entries:
                first = entries[key.text].key
                self._findings.add(
                    "LX110",
                    key.spot,
                    f"the key `{key.text}` stands twice in one mapping",
                    sees=[(first.place, "it stands here first")],
                )
                continue
            entries[key.text] = Entry(key, value)
        return Keys(entries, self._spot(start, end), bool(start.flow_style))

    def _spot(self, start, end) -> Spot:
        place = Place(self._file, start.start_mark.line + 1, start.start_mark.column + 1)
        last = end.end_mark
        one_line = last.line == start.start_mark.line
        return Spot(place, max(last.column - start.start_mark.column, 1) if one_line else 1)

    def _refuse_extras(self, event) -> None:
        if event.anchor is not None:
            self._refuse("LX108", event, f"the anchor `&{event.anchor}` is not allowed")
        tag = getattr(event, "tag", None)
        if tag is not None:
            self._refuse("LX112", event, f"the tag `{tag}` is not allowed")

    def _refuse(self, code: str, event, message: str, spot: Spot | None = None) -> None:
        mark = event.start_mark
        here = Spot(Place(self._file, mark.line + 1, mark.column + 1))
        self._findings.add(code, spot or here, message)
        raise _Refused
