"""A trace as one picture: time runs down, one lane for each machine that changes or that the property reads.

A lane is a column of blocks, one block for each stay in a state, so that what was true together stands
side by side. The last lanes are the conditions of the property and the terms it names. The violating
moment is a framed row that says so in words and restates every lane.
"""

from __future__ import annotations

import re
import textwrap
from collections.abc import Callable, Sequence
from html import escape

from verifier.evidence.result import Result
from verifier.language.model import Model
from verifier.views.amounts import allowed_text, count_text, short_seconds_text
from verifier.views.lanes import Lane, machine_lanes, truth_lanes
from verifier.views.palette import (
    ALARM, ALARM_TINT, FONT, INK, ONSET, ONSET_TINT, QUIET, RULE, look_of,
)
from verifier.views.story import Moment, Story, endless_text, tell

HEAD_CHARS = 16
EVENT_CHARS = 48
# Wide enough for EVENT_CHARS at 11 points; given to every step, so that the columns inside agree.
EVENT_POINTS = 330


def chart(model: Model, result: Result) -> str:
    """The DOT text of the picture of ``result.trace``; the result must have one."""
    import graphviz

    assert result.trace is not None, "only a result with a trace can be drawn"
    story = tell(model, result.trace)
    lanes = machine_lanes(model, result.property, story) + truth_lanes(model, result, story)
    graph = graphviz.Digraph("trace", graph_attr={"margin": "0.2", "bgcolor": "white"})
    graph.node("chart", label="<" + table(model, result, story, lanes) + ">", shape="plain",
               fontname=FONT, fontsize="11", fontcolor=INK)
    return graph.source


def table(model: Model, result: Result, story: Story, lanes: Sequence[Lane]) -> str:
    """The picture as a Graphviz table: heads, one row for each state, a key at the foot."""
    n_columns = 2 + len(lanes)
    rows = [title_row(model, result, story, n_columns), group_row(lanes), head_row(lanes)]
    for index in range(len(story.moments) + 1):
        rows.append(state_row(result, story, lanes, index))
    rows.append(foot_row(model, result, story, n_columns))
    return (
        f'<TABLE BORDER="0" CELLBORDER="1" CELLSPACING="0" CELLPADDING="5" COLOR="{RULE}">'
        + "".join(rows)
        + "</TABLE>"
    )


def title_row(model: Model, result: Result, story: Story, n_columns: int) -> str:
    kind = "A run that shows" if result.verdict == "shown" else "Counterexample to"
    lines = [
        f'<FONT POINT-SIZE="17"><B>{shown(kind)} {shown(result.property.id)}</B></FONT>',
        *(f'<FONT POINT-SIZE="13">{shown(line)}</FONT>'
          for line in textwrap.wrap(result.property.says, 90)),
        f'<FONT COLOR="{QUIET}">{shown(model.crossing)} ({shown(model.kind)}), '
        f"{shown(model.path)}: {count_text(len(story.moments), 'step')}, "
        f"{short_seconds_text(story.snapshot(len(story.moments)).time)}. Time runs down the page.</FONT>",
    ]
    return f'<TR><TD BORDER="0" COLSPAN="{n_columns}" ALIGN="LEFT">{left(lines)}</TD></TR>'


def group_row(lanes: Sequence[Lane]) -> str:
    """One head over each run of lanes of a group."""
    cells = ['<TD BORDER="0" COLSPAN="2"></TD>']
    start = 0
    while start < len(lanes):
        end = start
        while end < len(lanes) and lanes[end].group == lanes[start].group:
            end += 1
        word = {"property": "what the property asks", "terms": "terms"}.get(
            lanes[start].group, lanes[start].group
        )
        cells.append(
            f'<TD COLSPAN="{end - start}" BGCOLOR="{lanes[start].strong}">'
            f'<FONT COLOR="white" POINT-SIZE="10"><B>{shown(word.upper())}</B></FONT></TD>'
        )
        start = end
    return f"<TR>{''.join(cells)}</TR>"


def head_row(lanes: Sequence[Lane]) -> str:
    heads = ["time", "who acts, what changes, and where the file says so"]
    cells = [f'<TD VALIGN="BOTTOM" ALIGN="LEFT"><B>{text}</B></TD>' for text in heads]
    for lane in lanes:
        lines = broken(lane.title, HEAD_CHARS)
        cells.append(
            '<TD VALIGN="BOTTOM"><B>' + "<BR/>".join(shown(line) for line in lines) + "</B></TD>"
        )
    return f"<TR>{''.join(cells)}</TR>"


def state_row(result: Result, story: Story, lanes: Sequence[Lane], index: int) -> str:
    """The row of one state: its time, the step that led to it, and the blocks that begin here."""
    is_violating = index == story.violating
    cells = []
    if starts_instant(story, index):
        cells.append(time_cell(story, index, rows_of_instant(story, index)))
    cells.append(event_cell(result, story, index))
    for lane in lanes:
        if starts_block(lane, story, index):
            cells.append(block_cell(lane, story, index, is_violating))
    return f"<TR>{''.join(cells)}</TR>"


def starts_instant(story: Story, index: int) -> bool:
    """Whether a time cell begins here: at a new time, and around the framed row."""
    if index in (0, story.violating, story.violating + 1):
        return True
    return story.snapshot(index).time != story.snapshot(index - 1).time


def starts_block(lane: Lane, story: Story, index: int) -> bool:
    return lane.begins[index] or index in (0, story.violating, story.violating + 1)


def rows_until(story: Story, index: int, starts: Callable[[int], bool]) -> int:
    """Rows from ``index`` to the next one that starts something."""
    end = index + 1
    while end <= len(story.moments) and not starts(end):
        end += 1
    return end - index


def rows_of_instant(story: Story, index: int) -> int:
    return rows_until(story, index, lambda i: starts_instant(story, i))


def time_cell(story: Story, index: int, rows: int) -> str:
    time = story.snapshot(index).time
    lines = [f'<FONT POINT-SIZE="13"><B>{shown(short_seconds_text(time))}</B></FONT>']
    if index > 0 and time != story.snapshot(index - 1).time:
        later = short_seconds_text(time - story.snapshot(index - 1).time)
        lines.append(f'<FONT POINT-SIZE="9" COLOR="{QUIET}">{shown(later)} later</FONT>')
    colour, border = (ALARM, 3) if index == story.violating else (RULE, 1)
    return (
        f'<TD ROWSPAN="{rows}" VALIGN="TOP" ALIGN="LEFT" COLOR="{colour}" BORDER="{border}">'
        f"{left(lines)}</TD>"
    )


def event_cell(result: Result, story: Story, index: int) -> str:
    """The step before this state in words, under the mark that the state carries, if any."""
    rows = []
    is_violating = index == story.violating
    is_onset = index == story.onset and story.onset != story.violating
    if index == 0:
        rows.append(words_row("", "the start: every machine in its first state"))
    else:
        rows += step_rows(story.moments[index - 1])
    if is_onset:
        rows.append(mark_row("&#9654; HERE THE DEMAND BEGINS", ONSET))
    if is_violating:
        word = "SHOWN HERE" if result.verdict == "shown" else "VIOLATED HERE"
        rows.append(mark_row(f"&#9632; {word} &#9632;", ALARM))
    tint = ALARM_TINT if is_violating else ONSET_TINT if is_onset else "white"
    colour, border = (ALARM, 3) if is_violating else (RULE, 1)
    return (
        f'<TD ALIGN="LEFT" VALIGN="TOP" BGCOLOR="{tint}" COLOR="{colour}" BORDER="{border}">'
        f'<TABLE BORDER="0" CELLBORDER="0" CELLSPACING="0" CELLPADDING="2">'
        f'{"".join(rows)}</TABLE></TD>'
    )


def step_rows(moment: Moment) -> list[str]:
    if not moment.changes:
        return [words_row(str(moment.number), "time passes, nothing acts")]
    rows = []
    for position, change in enumerate(moment.changes):
        look = look_of(change.machine)
        transition = change.transition
        text = f"{change.machine.name}: {transition.source} \N{RIGHTWARDS ARROW} {transition.target}"
        if transition.source == transition.target:
            text = f"{change.machine.name}: stays {transition.source}, its time starts again"
        if transition.fault:
            text += f" (fault {transition.fault})"
        lines = [shown(line) for line in broken(text, EVENT_CHARS)]
        where = f"{transition.place.file}:{transition.place.line}"
        lines.append(f'<FONT POINT-SIZE="8" COLOR="{QUIET}">{shown(where)}</FONT>')
        number = str(moment.number) if position == 0 else ""
        rows.append(
            f'<TR><TD ALIGN="RIGHT" VALIGN="TOP" WIDTH="20">{number}</TD>'
            f'<TD VALIGN="TOP" WIDTH="72"><TABLE BORDER="0" CELLBORDER="0" CELLSPACING="0" '
            f'CELLPADDING="2"><TR><TD WIDTH="68" BGCOLOR="{look.strong}">'
            f'<FONT COLOR="white" POINT-SIZE="9">{look.word}</FONT></TD></TR></TABLE></TD>'
            f'<TD ALIGN="LEFT" VALIGN="TOP" BALIGN="LEFT" WIDTH="{EVENT_POINTS}">'
            f'{"<BR/>".join(lines)}</TD></TR>'
        )
    return rows


def words_row(number: str, text: str) -> str:
    return (
        f'<TR><TD ALIGN="RIGHT" WIDTH="20">{number}</TD>'
        f'<TD COLSPAN="2" ALIGN="LEFT" WIDTH="{EVENT_POINTS + 72}">'
        f'<FONT COLOR="{QUIET}">{shown(text)}</FONT></TD></TR>'
    )


def mark_row(text: str, colour: str) -> str:
    return (
        f'<TR><TD COLSPAN="3" ALIGN="LEFT" BGCOLOR="{colour}">'
        f'<FONT COLOR="white" POINT-SIZE="13"><B>{text}</B></FONT></TD></TR>'
    )


def block_cell(lane: Lane, story: Story, index: int, is_violating: bool) -> str:
    """One stay in a state: white while it is what it was at the start, tinted otherwise."""
    rows = rows_until(story, index, lambda i: starts_block(lane, story, i))
    value = lane.values[index]
    if lane.is_truth:
        tint, text = ("#37424e", "white") if value == "true" else ("white", INK)
    else:
        tint, text = ("white", QUIET) if value == lane.values[0] else (lane.tint, INK)
    colour, border = (ALARM, 3) if is_violating else (RULE, 1)
    weight = ("<B>", "</B>") if is_violating or lane.is_truth else ("", "")
    name = "<BR/>".join(shown(line) for line in broken(value, HEAD_CHARS))
    return (
        f'<TD ROWSPAN="{rows}" VALIGN="TOP" BGCOLOR="{tint}" COLOR="{colour}" BORDER="{border}">'
        f'<FONT COLOR="{text}">{weight[0]}{name}{weight[1]}</FONT></TD>'
    )


def foot_row(model: Model, result: Result, story: Story, n_columns: int) -> str:
    """The key to the picture, and why the marked moment breaks the property."""
    lines = []
    if story.why:
        word = "Why it counts" if result.verdict == "shown" else "Why it is a violation"
        lines += [f'<FONT POINT-SIZE="13">{shown(line)}</FONT>'
                  for line in textwrap.wrap(f"{word}: {story.why}", 100)]
    lines += [shown(line) for line in textwrap.wrap(endless_text(story), 100)]
    key = (
        "How to read it: each column is one machine and each block one stay in a state, named at its top. "
        "White: the state it started in. Tinted: any other. Dark: true. Thick frame: the marked moment, "
        "every column restated. Machines without a column never change here. Steps at one time follow "
        "one another without delay."
    )
    lines += [f'<FONT COLOR="{QUIET}" POINT-SIZE="10">{shown(line)}</FONT>'
              for line in textwrap.wrap(key, 80 + 12 * (n_columns - 2))]
    lines.append(
        f'<FONT COLOR="{QUIET}" POINT-SIZE="10">Model digest {model.digest[:16]}; '
        f"{allowed_text(result.budget, result.property.faults_of)}; replayed on the concrete machine. "
        "Holds for the model as written; not a safety case.</FONT>"
    )
    return f'<TR><TD BORDER="0" COLSPAN="{n_columns}" ALIGN="LEFT">{left(lines)}</TD></TR>'


def shown(text: str) -> str:
    """Text from outside, as Graphviz must read it.

    A sign without width keeps a backslash from making one of Graphviz's own escapes (``\\N``).
    """
    return escape(text).replace("\\", "\\\u200b")


def left(lines: Sequence[str]) -> str:
    """Lines of one cell, each set to the left."""
    return "".join(f'{line}<BR ALIGN="LEFT"/>' for line in lines)


def broken(text: str, width: int) -> list[str]:
    """``text`` in lines of at most ``width`` signs, broken after blanks, ``_`` and ``.`` where it can be."""
    lines = [""]
    for piece in re.findall(r"[^\s_.]*[\s_.]|[^\s_.]+$", text):
        if lines[-1] and len(lines[-1] + piece.rstrip()) > width:
            lines.append("")
        lines[-1] += piece
    return [line.strip() for line in lines]
