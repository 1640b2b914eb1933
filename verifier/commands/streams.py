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
    """Write a whole file or nothing, making no folders: what stood there stays until all is written.

    Raises
    ------
    BadInput
        It can't be written; names the file and the reason.
    """
    target = Path(path)
    try:
        if target.exists() and not target.is_file():
            target.write_bytes(data)
            return
        written = target.with_name(f".{target.name}.{os.getpid()}")
        try:
            written.write_bytes(data)
            written.replace(target)
        finally:
            written.unlink(missing_ok=True)
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
