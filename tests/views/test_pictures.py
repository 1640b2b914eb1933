"""Pictures: what must stand in the DOT, and that both renderers draw it.

How a picture looks is for eyes; these tests hold what it says.
"""

import re
import subprocess
import sys
from dataclasses import replace
from html import unescape
from xml.etree import ElementTree

import pytest

from tests.views.small_crossing import MODEL, TRAIN, late, proved, seconds, violated
from verifier.evidence.result import ReplayedTrace
from verifier.views import render as rendering
from verifier.views.chart import broken, chart
from verifier.views.drawing import arrows, machines_drawing, transition_label
from verifier.views.render import RenderError, render


def words(svg: bytes) -> str:
    """All text of an SVG in reading order of the file."""
    text = unescape(" ".join(re.findall(r">([^<>]+)</text>", svg.decode())))
    return text.replace("\xa0", " ").replace("\u200b", "")


def test_chart_says_who_acted_what_changed_and_where_it_is_violated():
    text = words(render(chart(MODEL, late()), "svg"))
    for said in ("Counterexample to lights-in-time", "train: away → approaching", "small_crossing.yaml:51",
                 "2.5 s later", "VIOLATED HERE", "HERE THE DEMAND BEGINS", "whenever: called",
                 "Why it is a violation"):
        assert said in text, said


def heads(dot: str) -> list[str]:
    return re.findall(r'<TD VALIGN="BOTTOM"><B>(.*?)</B>', dot)


def test_chart_has_a_lane_for_each_machine_that_changes_or_is_asked_about():
    asked = ["while: signal is<BR/>proceed", "then: crossing_<BR/>closed"]
    assert heads(chart(MODEL, violated())) == ["train", "lights", "signal", "detection", "barriers", *asked]
    assert heads(chart(MODEL, late()))[:3] == ["train", "lights", "detection"]
    assert "barriers" not in heads(chart(MODEL, late()))


@pytest.mark.parametrize("result", [violated(), late()], ids=lambda result: result.property.id)
def test_every_row_of_the_chart_fills_all_columns(result):
    """Row spans that do not add up would shift lanes, and the picture would lie."""
    dot = chart(MODEL, result)
    table = ElementTree.fromstring(dot[dot.index("<TABLE"): dot.rindex("</TABLE>") + len("</TABLE>")])
    n_columns = int(table[0][0].get("COLSPAN"))
    busy = [0] * n_columns
    for row in table:
        free = [i for i in range(n_columns) if busy[i] == 0]
        busy = [max(left - 1, 0) for left in busy]
        for cell in row:
            for _ in range(int(cell.get("COLSPAN", "1"))):
                busy[free.pop(0)] = int(cell.get("ROWSPAN", "1")) - 1
        assert free == []
    assert busy == [0] * n_columns


def test_shown_run_is_not_called_a_violation():
    text = words(render(chart(MODEL, replace(late(), verdict="shown")), "svg"))
    assert "SHOWN HERE" in text and "VIOLATED" not in text and "Counterexample" not in text


def test_violation_in_the_first_state_is_marked():
    start = violated().trace
    run = replace(start.run, steps=(), snapshots=start.run.snapshots[:1])
    text = words(render(chart(MODEL, replace(violated(), trace=ReplayedTrace(run, 0))), "svg"))
    assert "VIOLATED HERE" in text and "no steps" in text


@pytest.mark.parametrize("machine", MODEL.machines, ids=lambda machine: machine.name)
def test_machine_drawing_has_every_state_and_label(machine):
    svg = render(machines_drawing(MODEL, (machine.name,)), "svg")
    text = words(svg)
    for state in machine.states:
        assert state in text
    for _ends, label, _tooltip in arrows(machine, {}):
        for line in label.split("\\l"):
            assert line in text


def test_the_member_of_a_repeated_machine_is_filled_in():
    called = MODEL.terms["called"].guard
    one = replace(MODEL.machines[0].transitions[0], when=called, when_text="called_{track}")
    assert transition_label(one, {called: "called_up"}) == "when called_up"
    every = replace(one, when_text="every track has called_{track}")
    assert transition_label(every, {called: "called_up"}).replace("\\l", " ") == (
        "when every track has called_{track}")


def test_all_machines_in_one_drawing_keep_their_labels():
    text = words(render(machines_drawing(MODEL), "svg"))
    assert text.count("held 0 s") == 3 and "fault chain_breaks" in text


def test_names_cannot_break_the_picture():
    odd = replace(violated().property, id="<b>&", says='a "quoted" <word> & more \\N')
    text = words(render(chart(MODEL, replace(violated(), property=odd)), "svg"))
    assert "Counterexample to <b>&" in text and 'a "quoted" <word> & more \\N' in text


def test_png_and_dot():
    dot = machines_drawing(MODEL)
    assert render(dot, "png").startswith(b"\x89PNG\r\n")
    assert render(dot, "dot") == dot.encode()


def test_broken_dot_is_a_render_error():
    with pytest.raises(RenderError):
        render("digraph {", "svg")


def test_system_renderer_is_used_when_it_is_there(tmp_path, monkeypatch):
    program = tmp_path / "dot"
    program.write_text(f"#!{sys.executable}\nimport sys\nprint(sys.argv[1], len(sys.stdin.read()))\n")
    program.chmod(0o755)
    monkeypatch.setattr(rendering.shutil, "which", lambda name: str(program))
    assert render("digraph {}", "svg") == b"-Tsvg 10\n"
    program.write_text(f"#!{sys.executable}\nimport sys\nsys.exit('no such font')\n")
    with pytest.raises(RenderError, match="no such font"):
        render("digraph {}", "svg")


def test_drawing_is_silent_on_stderr():
    program = "from verifier.views.render import render; render('digraph { a -> b }', 'png')"
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, check=True)
    assert done.stderr == b""


def test_other_words_on_stderr_are_passed_on():
    program = (
        "import os\nfrom verifier.views.render import _font_warnings_dropped\n"
        "with _font_warnings_dropped():\n"
        "    os.write(2, b'Fontconfig warning: x\\nsomething else\\n')\n"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, check=True)
    assert done.stderr == b"something else\n"


def test_long_names_break_at_word_signs():
    assert broken("approach_lock_release_timer", 16) == ["approach_lock_", "release_timer"]
    assert broken("short", 16) == ["short"]
    assert broken("entrance: above_45 to below_45", 30) == ["entrance: above_45 to below_45"]
    assert broken("while: signal is proceed", 16) == ["while: signal is", "proceed"]
    assert broken("a" * 20, 16) == ["a" * 20] and broken("", 16) == [""]
    assert proved().trace is None


def test_machines_that_look_the_same_are_drawn_once():
    """Two trains that differ in their names only, and a third that takes longer."""
    other = replace(TRAIN, name="train_down", transitions=tuple(
        replace(one, machine="train_down") for one in TRAIN.transitions
    ))
    slow = replace(other, name="slow", transitions=tuple(
        replace(one, machine="slow", after=seconds(7)) if one.after else one for one in other.transitions
    ))
    text = words(render(machines_drawing(replace(MODEL, machines=(TRAIN, other, slow))), "svg"))
    assert "train, train_down" in text and "2 alike (train)" in " ".join(text.split())
    assert text.count("approaching") == 2
