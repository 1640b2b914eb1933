"""DOT text to SVG or PNG: by the system's ``dot`` if there is one, else by pygraphviz's own libraries.

pygraphviz 2 carries the Graphviz libraries in its wheel, so a picture needs no program beside Python.
Their font library writes a warning about its own sample configuration straight to file descriptor 2;
whatever else is written there is passed on.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager

FORMATS = ("svg", "png", "dot")


class RenderError(Exception):
    """The picture could not be drawn; the message is what Graphviz said."""


def render(dot: str, picture_format: str) -> bytes:
    """Draw ``dot``.

    Parameters
    ----------
    dot : str
        A whole graph in the DOT language.
    picture_format : str
        One of ``FORMATS``; ``dot`` gives the text itself in UTF-8.

    Raises
    ------
    RenderError
        Neither renderer could draw it.
    """
    if picture_format == "dot":
        return dot.encode()
    system_dot = shutil.which("dot")
    if system_dot:
        return _by_program(system_dot, dot, picture_format)
    return _by_library(dot, picture_format)


def _by_program(program: str, dot: str, picture_format: str) -> bytes:
    done = subprocess.run(
        [program, f"-T{picture_format}"], input=dot.encode(), capture_output=True, check=False
    )
    if done.returncode != 0 or not done.stdout:
        raise RenderError(done.stderr.decode(errors="replace").strip() or f"{program} drew nothing")
    return done.stdout


def _by_library(dot: str, picture_format: str) -> bytes:
    import pygraphviz  # 0.2 s, so only when something is drawn

    with _font_warnings_dropped():
        try:
            with pygraphviz.AGraph(string=dot) as graph:
                return graph.draw(path=None, format=picture_format, prog="dot")
        except (ValueError, OSError, pygraphviz.DotError) as error:
            raise RenderError(str(error)) from error


@contextmanager
def _font_warnings_dropped() -> Iterator[None]:
    """Hold back what is written to file descriptor 2 meanwhile, then pass on all but font warnings."""
    sys.stderr.flush()
    kept = os.dup(2)
    with tempfile.TemporaryFile() as held:
        os.dup2(held.fileno(), 2)
        try:
            yield
        finally:
            os.dup2(kept, 2)
            os.close(kept)
            held.seek(0)
            rest = [line for line in held.read().splitlines(True) if b"Fontconfig" not in line]
            os.write(2, b"".join(rest))
