"""Standard output for results, standard error for everything else.

Whoever reads our output may stop reading (``| head``); that must not change the exit code, which says what
was found.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path

import click


class BadInput(click.ClickException):
    """Input that can't be used; one sentence for people, exit code 2."""

    exit_code = 2

    def show(self, file=None) -> None:
        say(f"strikein: {self.format_message()}")


def emit(text: str) -> None:
    """Write results to standard output."""
    emit_bytes(text.encode("utf-8"))


def emit_bytes(data: bytes) -> None:
    try:
        sys.stdout.flush()
        sys.stdout.buffer.write(data)
        sys.stdout.buffer.flush()
    except BrokenPipeError:
        # Python would flush once more at its end and complain; let that go nowhere.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def say(text: str) -> None:
    """One line or block for people on standard error."""
    click.echo(text, err=True)


def write_file(path: str, data: bytes) -> None:
    """Write a whole file, making no folders.

    Raises
    ------
    BadInput
        It can't be written; names the file and the reason.
    """
    try:
        Path(path).write_bytes(data)
    except OSError as error:
        raise BadInput(f"{path} cannot be written: {error.strerror or error}") from error


def read_text(path: str) -> str:
    """A whole UTF-8 file.

    Raises
    ------
    BadInput
        It can't be read as text; names the file and the reason.
    """
    try:
        return Path(path).read_text(encoding="utf-8")
    except OSError as error:
        raise BadInput(f"{path} cannot be read: {error.strerror or error}") from error
    except UnicodeDecodeError as error:
        raise BadInput(f"{path} is not text in UTF-8 (byte {error.start})") from error
