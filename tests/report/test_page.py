"""``strikein report``: everything that was judged stands on the page, and nothing of a model's text acts."""

import json
import re
from pathlib import Path

import pytest

from tests.commands.running import SMALL, run
from tests.report.reading import Page, page_of

HOSTILE = str(Path(__file__).with_name("hostile.yaml"))
FLAWED = "models/flawed/footpath_faster_trains.yaml"
# What the page itself is made of. Graphviz adds drawings; none of their elements can act.
OWN = set(
    "html head meta title style body a header h1 p main section h2 h3 h4 h5 div table thead tbody tr th td ul ol li "
    "strong span br wbr dl dt dd code article button label input select option details summary script footer".split()
)
DRAWN = {"svg", "g", "title", "polygon", "ellipse", "path", "text", "polyline"}


@pytest.fixture(scope="module")
def judged(tmp_path_factory) -> tuple[dict, Page]:
    """The document of `check --json` and the page, of one flawed model, a sound one and a small one."""
    models = (FLAWED, "models/footpath.yaml", SMALL)
    folder = tmp_path_factory.mktemp("page")
    done = run("check", *models, "--json")
    code, page = page_of(folder, *models)
    assert code == done.exit_code == 1
    return json.loads(done.stdout), page


def test_every_property_has_a_section_with_its_verdict(judged):
    document, page = judged
    said = [" ".join(text.split()) for text in page.texts["h4"]]
    for model in document["models"]:
        for result in model["properties"]:
            assert any(text.endswith(f" {result['verdict']} {result['id']}") for text in said), result["id"]
    assert len(said) >= sum(len(model["properties"]) for model in document["models"])


def test_what_needs_attention_comes_first(judged):
    document, page = judged
    first = page.texts["h4"][0]
    assert "violated never-train-and-user[slow]" in " ".join(first.split())
    assert "Needs attention" in page.texts["section"][0]


def test_digests_packs_assumptions_and_versions_are_named(judged):
    document, page = judged
    body = page.texts["body"][0]
    for model in document["models"]:
        assert model["digest"] in body
    assert "Taken for granted" in body and "Spec packs" in body
    for name, version in document["tool"]["libraries"].items():
        assert f"{name} {version}" in body


def test_the_caution_stands_at_both_ends(judged):
    _, page = judged
    for part in ("header", "footer"):
        assert "not a safety case, an approval or a design authority" in " ".join(page.texts[part][0].split())


def test_a_run_is_that_of_the_trace(judged):
    """States and violating moment of the player against the traces in the document of `check`."""
    document, page = judged
    traces = [one["trace"] for model in document["models"] for one in model["properties"] if one["trace"]]
    assert sorted(_of_trace(one) for one in traces) == sorted(_of_player(one) for one in page.runs)
    assert len(traces) >= 2


def _of_trace(trace: dict) -> str:
    states = [trace["start"]["machines"]]
    for step in trace["steps"]:
        states.append({**states[-1], **{one["machine"]: one["to"] for one in step["transitions"]}})
    return json.dumps([states, trace["violating_step"]], sort_keys=True)


def _of_player(shown: dict) -> str:
    assert len(shown["sentences"]) == len(shown["times"]) == len(shown["states"])
    return json.dumps([shown["states"], shown["violating"]], sort_keys=True)


def test_every_step_is_told_with_the_lines_that_say_so(judged):
    _, page = judged
    for line in (text for text in page.texts["li"] if text.startswith("At ")):
        assert re.match(r"At (about )?[\d.]+ s", line)
    assert any("(models/parts/" in text for text in page.texts["li"])
    assert any("violated here" in text for text in page.texts["li"])


def test_hazards_lead_to_properties_and_those_without_one_are_shown(tmp_path):
    code, page = page_of(tmp_path, "models/remote_open.yaml", "--property", "amber-before-red")
    body = " ".join(page.texts["body"][0].split())
    if code == 2:
        pytest.fail("the property of this test is gone")
    assert "no property asked here" in body
    links = [one["href"] for one in page.of("a") if (one.get("href") or "").startswith("#m1-p")]
    anchors = {one.get("id") for _, one in page.elements}
    assert links and all(link[1:] in anchors for link in links)


def test_nothing_is_fetched(judged):
    _, page = judged
    for _, attributes in page.elements:
        for name in ("src", "data", "action", "poster", "srcset"):
            assert name not in attributes
        for name in ("href", "xlink:href"):
            assert (attributes.get(name) or "#").startswith("#")
    assert not page.of("link") and "@import" not in page.texts["style"][0] and "url(" not in page.texts["style"][0]
    policy = [one["content"] for one in page.of("meta") if one.get("http-equiv") == "Content-Security-Policy"]
    assert policy and policy[0].startswith("default-src 'none'")


def test_hostile_text_stays_text(tmp_path):
    code, page = page_of(tmp_path, HOSTILE)
    assert code == 1
    assert {tag for tag, _ in page.elements} <= OWN | DRAWN
    for tag, attributes in page.elements:
        assert not any(name.startswith("on") for name in attributes), (tag, attributes)
    scripts = zip(page.of("script"), page.texts["script"], strict=True)
    assert [one.get("type", "") for one, _ in scripts] == ["application/json", ""]
    assert "hostile" not in page.texts["script"][-1]
    body = page.texts["body"][0]
    for number in (1, 2, 3, 10, 12, 13):
        assert f"window.hostile={number}" in body, "what the text says must still be read"
    assert "{{ 7*7 }}" in page.texts["title"][0]


def test_what_is_not_modelled_is_said(tmp_path):
    _, page = page_of(tmp_path, FLAWED)
    assert "Not modelled: sight in fog or darkness" in " ".join(page.texts["body"][0].split())


def test_fault_sets_are_shown_when_sought(tmp_path):
    pairs = "tests/faults/pairs.yaml"
    _, without = page_of(tmp_path, pairs)
    assert "Not sought for this page" in without.texts["body"][0]
    _, page = page_of(tmp_path, pairs, "--order", "2")
    body = " ".join(page.texts["body"][0].split())
    assert "Not sought for this page" not in body and "Sets of at most 2 faults that break a property" in body
    done = run("faults", pairs, "--json")
    for one in json.loads(done.stdout)["properties"]:
        for each in one["sets"]:
            assert " and ".join(name.replace("_", " ") for name in each["faults"]) in body
        assert (one["id"] in body.partition("Broken by no such set: ")[2].partition(".")[0]) is not bool(one["sets"])


def test_no_fault_set_is_claimed_where_nothing_was_asked(tmp_path):
    _, page = page_of(tmp_path, "tests/faults/pairs.yaml", "--order", "1", "--property", "dead")
    body = " ".join(page.texts["body"][0].split())
    assert "Nothing was asked: a fault can break none" in body and "properties is broken" not in body


@pytest.mark.parametrize("name", ["page.pdf", "page"])
def test_another_ending_is_refused(tmp_path, name):
    done = run("report", FLAWED, "-o", str(tmp_path / name))
    assert done.exit_code == 2 and ".html" in done.stderr
    assert not (tmp_path / name).exists()


def test_a_model_that_cannot_be_used_stands_on_the_page(tmp_path):
    broken = tmp_path / "broken.yaml"
    broken.write_text("format: 1\ncrossing: Nowhere\n", "utf-8")
    code, page = page_of(tmp_path, str(broken), FLAWED)
    assert code == 2
    assert "not judged" in page.texts["table"][0]


def test_same_input_gives_the_same_bytes(tmp_path):
    _, one = page_of(tmp_path, FLAWED)
    _, other = page_of(tmp_path, FLAWED)
    assert one.markup == other.markup


def test_no_two_rows_at_a_glance_look_alike(tmp_path):
    """The foundations are asked once for each number of faults that a property must bear."""
    _, page = page_of(tmp_path, "tests/faults/locked.yaml")
    rows = [" ".join(row.split()) for row in page.texts["tr"]]
    judged = [row for row in rows if row.startswith(("✓ proved", "✗ violated", "? undecided"))]
    assert len(judged) == len(set(judged)) > 5
    assert sum("ambiguous" in row and "(1 fault allowed" in row for row in judged) == 1
