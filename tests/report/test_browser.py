"""The page in a real browser, opened as a file, with the network off.

Needs Debian's chromium (or another one named in the variable CHROMIUM). Rules of accessibility are those of
axe-core 4, as the package axe-playwright-python brings it.
"""

import json
import os
import shutil
import time
from pathlib import Path

import pytest

from tests.report.long_run import STEPS, long_page
from tests.report.reading import page_of

pytestmark = pytest.mark.browser

FLAWED = ("models/flawed/full_exit_without_detector.yaml", "--property", "exit-waits-for-detector")
SEVERAL = ("models/flawed/footpath_faster_trains.yaml", "models/footpath.yaml", "tests/commands/small.yaml")
HOSTILE = str(Path(__file__).with_name("hostile.yaml"))
# A page of A4 across, less its margins of 12 mm, at 96 dots an inch.
SHEET = 1032


@pytest.fixture(scope="module")
def browser():
    from playwright.sync_api import sync_playwright

    program = os.environ.get("CHROMIUM") or shutil.which("chromium")
    assert program, "these tests need a browser: install Debian's package chromium, or name one in CHROMIUM"
    with sync_playwright() as playwright:
        found = playwright.chromium.launch(
            executable_path=program, args=["--no-sandbox", "--disable-gpu", "--disable-background-networking"]
        )
        yield found
        found.close()


@pytest.fixture(scope="module")
def files(tmp_path_factory) -> dict[str, Path]:
    folders = {name: tmp_path_factory.mktemp(name) for name in ("flawed", "several", "hostile", "long")}
    page_of(folders["flawed"], *FLAWED)
    page_of(folders["several"], *SEVERAL)
    page_of(folders["hostile"], HOSTILE)
    (folders["long"] / "page.html").write_text(long_page(folders["long"]), "utf-8")
    return {name: folder / "page.html" for name, folder in folders.items()}


@pytest.fixture
def opened(browser, files):
    """Opens one of the files at a width; at the end nothing may have been said on the console."""
    said, contexts = [], []

    def open_(name: str, width: int = 1400):
        context = browser.new_context(viewport={"width": width, "height": 900}, offline=True)
        contexts.append(context)
        page = context.new_page()
        page.on("console", lambda message: said.append(message.text))
        page.on("pageerror", lambda error: said.append(str(error)))
        page.on("request", lambda request: request.url.startswith("file:") or said.append(request.url))
        page.goto(files[name].as_uri())
        return page

    yield open_
    for context in contexts:
        context.close()
    assert said == []


def run_of(page) -> dict:
    return json.loads(page.locator("script[type='application/json']").first.text_content())


def test_a_run_plays_to_its_end(opened):
    from playwright.sync_api import expect

    page = opened("flawed")
    run = run_of(page)
    player = page.locator(".player").first
    player.locator("[data-do=pace]").select_option("4")
    player.locator("[data-do=play]").click()
    assert player.locator("[data-do=play]").text_content() == "Pause"
    expect(player.locator("[data-do=play]")).to_have_text("Play", timeout=20_000)
    assert player.locator("[data-do=scrub]").input_value() == str(len(run["states"]) - 1)
    assert player.locator(".now").text_content() == run["sentences"][-1]


def test_each_step_says_what_the_trace_says(opened):
    page = opened("flawed")
    run, player = run_of(page), page.locator(".player").first
    chart = page.locator("table.chart").first
    for step, sentence in enumerate(run["sentences"]):
        assert player.locator(".now").text_content() == sentence
        assert player.locator(".plan svg").get_attribute("aria-label") == sentence
        assert chart.locator("tr.here").get_attribute("data-step") == str(step)
        shown = player.locator(".plan").text_content() + player.locator(".tiles").text_content()
        for piece in run["plan"]:
            assert run["states"][step][piece["name"]].replace("_", " ") in shown
        assert ("VIOLATED HERE" in player.locator(".plan").text_content()) == (step == run["violating"])
        player.locator("[data-do=next]").click()


def test_it_can_be_worked_from_the_keyboard(opened):
    page = opened("flawed")
    scrub = page.locator("[data-do=scrub]").first
    plan = page.locator(".plan").first
    plan.focus()
    page.keyboard.press("ArrowRight")
    page.keyboard.press("ArrowRight")
    page.keyboard.press("ArrowLeft")
    assert scrub.input_value() == "1"
    scrub.focus()
    page.keyboard.press("End")
    assert page.locator(".now").first.text_content() == run_of(page)["sentences"][-1]
    page.locator("[data-do=back]").first.focus()
    page.keyboard.press("Enter")
    assert int(scrub.input_value()) == len(run_of(page)["states"]) - 2


@pytest.mark.parametrize("name", ["flawed", "several", "hostile", "long"])
@pytest.mark.parametrize("width", [1400, 390])
def test_rules_of_accessibility_hold(opened, name, width):
    from axe_playwright_python.sync_playwright import Axe

    found = Axe().run(opened(name, width))
    assert found.violations_count == 0, found.generate_report()


@pytest.mark.parametrize("name", ["flawed", "several", "hostile", "long"])
def test_a_phone_need_not_scroll_sideways(opened, name):
    """But for wide tables and plans, which scroll within themselves."""
    page = opened(name, 390)
    assert page.evaluate("document.documentElement.scrollWidth") <= 390


@pytest.mark.parametrize("name", ["flawed", "several", "long"])
def test_no_table_is_cut_on_paper(opened, name):
    page = opened(name, SHEET)
    page.emulate_media(media="print")
    page.wait_for_selector("table.chart")
    cut = page.evaluate(
        "[...document.querySelectorAll('table, svg')].filter(one => one.getBoundingClientRect().right > "
        f"{SHEET} + 1).map(one => one.parentElement.getAttribute('aria-label'))"
    )
    assert cut == []
    over = page.evaluate(
        "[...document.querySelectorAll('td, th')].filter(one => one.scrollWidth > one.clientWidth + 1)"
        ".map(one => one.textContent)"
    )
    assert over == []
    assert page.pdf(prefer_css_page_size=True).startswith(b"%PDF")


def test_folded_parts_are_printed(opened):
    page = opened("long")
    folded = page.locator("details:not([open])").count()
    assert folded > 0 and not page.locator("table.chart").first.is_visible()
    page.emulate_media(media="print")
    page.wait_for_selector("table.chart")
    assert page.locator("details:not([open])").count() == 0
    page.emulate_media(media="screen")
    page.wait_for_selector("table.chart", state="hidden")
    assert page.locator("details:not([open])").count() == folded


def test_hostile_text_does_nothing(opened):
    page = opened("hostile")
    page.locator("[data-do=last]").first.click()
    page.wait_for_timeout(200)
    assert page.evaluate("window.hostile") is None
    assert "<script>window.hostile=12</script>" in page.locator("h4 + p.says").first.text_content()


def test_a_long_run_opens_at_once_and_is_small(browser, files):
    """Sixty steps of forty machines: under 2 s until the plan is drawn, under 3 MB. The least of three."""
    assert files["long"].stat().st_size < 3_000_000
    lasted = []
    for _ in range(3):
        page = browser.new_page(viewport={"width": 1400, "height": 900})
        started = time.monotonic()
        page.goto(files["long"].as_uri())
        page.wait_for_selector(".plan svg")
        lasted.append(time.monotonic() - started)
        assert len(run_of(page)["states"]) == STEPS + 1
        page.close()
    assert min(lasted) < 2
