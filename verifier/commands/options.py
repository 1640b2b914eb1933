"""The closed table of options: a word means the same for every verb.

A verb takes options from here with ``shared`` and defines none of its own, but for those of one verb only,
which stand here too so that no word is used twice.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import click

FORMATS = ("text", "json", "junit")

OPTIONS: dict[str, Callable[[Any], Any]] = {
    "spec": click.option(
        "--spec", "specs", multiple=True, metavar="PACK", type=click.Path(),
        help="Judge by this spec pack instead of those the model names or its kind has; repeatable.",
    ),
    "property": click.option(
        "--property", "property_ids", multiple=True, metavar="ID",
        help="Only this property; ID stands for ID[up], ID[down] too; repeatable.",
    ),
    "budget": click.option(
        "--budget", type=click.IntRange(min=0), metavar="N",
        help="Faults the world may spend, instead of what each property says.",
    ),
    "jobs": click.option(
        "--jobs", type=click.IntRange(min=1), metavar="N", help="Processes used at once.",
    ),
    "time-limit": click.option(
        "--time-limit", type=click.FloatRange(min=0, min_open=True), metavar="S",
        help="Seconds for each property; what is not decided by then is undecided.",
    ),
    "memory-limit": click.option(
        "--memory-limit", type=click.IntRange(min=1), metavar="MB",
        help="Memory for each process; what needs more is undecided.",
    ),
    "seed": click.option(
        "--seed", type=int, metavar="N", help="Seed of the random runs; same seed, same output.",
    ),
    "evidence": click.option(
        "--evidence", type=click.Path(file_okay=False), metavar="DIR",
        help="Keep certificates and traces here for `strikein recheck`.",
    ),
    "format": click.option(
        "--format", "output_format", type=click.Choice(FORMATS), default="text", show_default=True,
        help="How results are written to standard output.",
    ),
    "json": click.option("--json", "as_json", is_flag=True, help="The same as --format json."),
    "table-format": click.option(
        "--format", "output_format", type=click.Choice(("text", "json", "csv")), default="text",
        show_default=True, help="How the table is written to standard output.",
    ),
    "study-format": click.option(
        "--format", "output_format", type=click.Choice(("text", "json")), default="text",
        show_default=True, help="How the findings are written to standard output.",
    ),
    "page": click.option(
        "-o", "--output", "page", required=True, type=click.Path(dir_okay=False), metavar="FILE.html",
        help="The page to write.",
    ),
    "order": click.option(
        "--order", type=click.IntRange(min=1), default=2, show_default=True, metavar="N",
        help="Most faults that may happen in a run.",
    ),
    "page-order": click.option(
        "--order", type=click.IntRange(min=1), metavar="N",
        help="Seek the smallest sets of faults too, of at most N that happen in a run.",
    ),
    "rates": click.option(
        "--rates", "rates_file", type=click.Path(dir_okay=False), metavar="FILE",
        help="Failures per hour, CSV with the heads fault,per_hour; gives an estimate, with --hours.",
    ),
    "hours": click.option(
        "--hours", type=click.FloatRange(min=0, min_open=True), metavar="H", help="Hours the estimate is for.",
    ),
    "stories": click.option("--stories", is_flag=True, help="Tell the run of each set step by step."),
    "list": click.option("--list", "only_list", is_flag=True, help="Tell what can fail in MODEL, and ask nothing."),
    "tree": click.option(
        "-o", "--tree", type=click.Path(dir_okay=False, allow_dash=True), metavar="FILE",
        help="Draw the sets as a fault tree: .svg, .png or .dot.",
    ),
    "keep": click.option(
        "--keep", type=click.Path(file_okay=False), metavar="DIR",
        help="Keep what has been found here, and go on from what is there.",
    ),
    "plant": click.option(
        "--plant", "plant_ids", multiple=True, metavar="NUMBER",
        help="Only this planted error; repeatable.",
    ),
    "trace": click.option(
        "--trace", "trace_file", type=click.Path(dir_okay=False), metavar="FILE",
        help="Draw the counterexample in this file (from `check --json`, or of an evidence folder).",
    ),
    "machine": click.option(
        "--machine", "machines", multiple=True, metavar="NAME", help="Draw only this machine; repeatable.",
    ),
    "output": click.option(
        "-o", "--output", type=click.Path(dir_okay=False, allow_dash=True), metavar="FILE",
        help="The file to write: .svg, .png or .dot; - is standard output (SVG).",
    ),
    "new-model": click.option(
        "-o", "--output", required=True, type=click.Path(), metavar="FILE", help="The model to write, .yaml.",
    ),
    "overwrite": click.option(
        "--overwrite", is_flag=True, help="Replace FILE if it is there; parts are never replaced.",
    ),
}


def shared(*names: str) -> Callable[[Any], Any]:
    """The options of these names, listed by ``--help`` in this order."""

    def add(command: Any) -> Any:
        for name in reversed(names):
            command = OPTIONS[name](command)
        return command

    return add


def chosen_format(output_format: str, as_json: bool) -> str:
    """The format asked for; ``--json`` beside another ``--format`` is a contradiction.

    Raises
    ------
    click.UsageError
    """
    if as_json and output_format not in ("text", "json"):
        raise click.UsageError(f"--json and --format {output_format} contradict each other")
    return "json" if as_json else output_format
