"""A page as its reader's browser takes it apart."""

import json
from dataclasses import dataclass, field
from html.parser import HTMLParser
from pathlib import Path

from tests.commands.running import run

VOID = {"meta", "br", "wbr", "input", "link", "img", "hr"}


@dataclass
class Page(HTMLParser):
    """Elements with their attributes, and the text of each kind of element."""

    markup: str
    elements: list[tuple[str, dict[str, str | None]]] = field(default_factory=list)
    texts: dict[str, list[str]] = field(default_factory=dict)

    def __post_init__(self):
        super().__init__()
        self._open: list[str] = []
        self.feed(self.markup)
        self.close()
        assert not self._open, f"never closed: {self._open}"

    def handle_starttag(self, tag, attrs):
        self.elements.append((tag, dict(attrs)))
        self.texts.setdefault(tag, []).append("")
        if tag not in VOID:
            self._open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.elements.append((tag, dict(attrs)))

    def handle_endtag(self, tag):
        assert self._open and self._open[-1] == tag, f"</{tag}> closes {self._open[-3:]}"
        self._open.pop()

    def handle_data(self, data):
        for tag in self._open:
            self.texts[tag][-1] += data

    def of(self, tag: str) -> list[dict[str, str | None]]:
        return [attributes for name, attributes in self.elements if name == tag]

    @property
    def runs(self) -> list[dict]:
        """What the player of each run is given."""
        scripts = zip(self.of("script"), self.texts["script"], strict=True)
        return [json.loads(text) for attributes, text in scripts if attributes.get("type") == "application/json"]


def page_of(folder: Path, *arguments: str) -> tuple[int, Page]:
    """The exit code of `strikein report` and the page it has written."""
    file = folder / "page.html"
    done = run("report", *arguments, "-o", str(file))
    return done.exit_code, Page(file.read_text("utf-8"))
