"""The report in a real browser: what a person sees and does, from a file, without any network.

Needs Chromium (`apt-get install chromium`) and the test extra's playwright. Without them it is
skipped with the reason, except where CI is set: there a missing browser is a failure.
"""

from __future__ import annotations

import dataclasses
import os
import shutil

import numpy as np
import pytest

from cli.report import write_report
from matching.strip import AROUND_EXTREME
from refdb.cards import find_card
from tests.test_report import NASTY, recording, whole

CHROMIUM = next(
    filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), ""
)
AT = 612_345
SAMPLES = 2_000_000


def _must_run() -> bool:
    return bool(os.environ.get("CI"))


if not CHROMIUM and not _must_run():
    pytest.skip("no chromium here; apt-get install chromium", allow_module_level=True)
if _must_run():
    import playwright.sync_api as driver
else:
    driver = pytest.importorskip("playwright.sync_api", reason="pip install playwright")


@pytest.fixture(scope="module")
def browser():
    with driver.sync_playwright() as play:
        one = play.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        yield one
        one.close()


@pytest.fixture(scope="module")
def report(tmp_path_factory):
    """A report on 2 million samples of two channels, flat but for one sample of one channel."""
    data = np.random.default_rng(9).normal(0, 0.01, (2, SAMPLES))
    data[0, AT] = 5.0
    place = tmp_path_factory.mktemp("report") / "a.html"
    write_report(whole(recording=recording(data)), find_card("alternator-ripple"), place)
    return place


@pytest.fixture
def opened(browser):
    """Opens a report; afterwards nothing was asked of a network and nothing went wrong."""
    contexts, wrong = [], []

    def opens(place, wide=1280, high=900, scheme="light", touch=False):
        context = browser.new_context(
            viewport={"width": wide, "height": high}, color_scheme=scheme, has_touch=touch
        )
        contexts.append(context)
        page = context.new_page()
        page.on("console", lambda said: wrong.append(said.text) if said.type == "error" else None)
        page.on("pageerror", lambda error: wrong.append(str(error)))
        page.on("request", lambda r: None if r.url.startswith("file:") else wrong.append(r.url))
        page.goto(place.as_uri())
        page.wait_for_function("Strip !== null && document.querySelectorAll('canvas').length > 4")
        page.wait_for_timeout(150)
        return page

    yield opens
    for context in contexts:
        context.close()
    assert wrong == []


# The top fifth of the plot is dark in some column only where the glitch is drawn.
GLITCH = """(id) => {
  const canvas = document.querySelector('#' + id + ' canvas'), c = canvas.getContext('2d');
  const box = [...Page.plots].find((u) => u.root.closest('#' + id)).bbox;
  const top = c.getImageData(box.left, box.top, box.width, Math.round(box.height * 0.4)).data;
  const columns = new Set();
  for (let i = 3; i < top.length; i += 4)
    if (top[i] > 128 && top[i - 1] + top[i - 2] + top[i - 3] < 200)
      columns.add(((i - 3) / 4) % Math.round(box.width));
  return [...columns].map((x) => x / box.width);
}"""


def test_a_glitch_of_one_sample_is_seen_at_every_zoom(opened, report):
    page = opened(report)
    for span in (SAMPLES, SAMPLES // 7, 100_003, 9_973, 701, 40):
        for share in (0.1, 0.5, 0.83):
            page.evaluate(
                "([a, b]) => Strip.set(a, b)", [AT - share * span, AT + (1 - share) * span]
            )
            page.wait_for_timeout(60)
            view = page.evaluate("Strip.view")
            at = (AT - view["a"]) / (view["b"] - view["a"])
            columns = page.evaluate(GLITCH, "detail-0")
            assert columns, (span, share)
            # where it is: to two samples inside the close-up around it, else to its bin
            close = view["a"] >= AT - AROUND_EXTREME and view["b"] <= AT + AROUND_EXTREME
            samples = 2.1 if close else 1.1 * page.evaluate("Page.numbers.strip.width")
            off = max(0.004, samples / (view["b"] - view["a"]))
            assert all(abs(x - at) < off for x in columns), (span, share, columns, at)
            assert page.evaluate(GLITCH, "detail-1") != columns
    assert page.evaluate(GLITCH, "overview-0")


def test_drag_wheel_keys_and_buttons(opened, report):
    page = opened(report)
    view = lambda: page.evaluate("Strip.view")  # noqa: E731
    page.locator("#details").scroll_into_view_if_needed()
    box = page.locator("#detail-0 .u-over").bounding_box()
    page.mouse.move(box["x"] + 0.3 * box["width"], box["y"] + 30)
    page.mouse.wheel(0, -400)
    page.wait_for_timeout(100)
    zoomed = view()
    assert zoomed["b"] - zoomed["a"] < 0.6 * SAMPLES
    held = zoomed["a"] + 0.3 * (zoomed["b"] - zoomed["a"])
    assert abs(held - 0.3 * SAMPLES) < 0.01 * SAMPLES
    page.mouse.down()
    page.mouse.move(box["x"] + 0.2 * box["width"], box["y"] + 30)
    page.mouse.up()
    assert view()["a"] > zoomed["a"] + 0.05 * (zoomed["b"] - zoomed["a"])
    slider = page.locator("#window")
    slider.focus()
    for key, check in (
        ("0", lambda v: v["b"] - v["a"] == SAMPLES), ("+", lambda v: v["b"] - v["a"] < SAMPLES),
        ("End", lambda v: v["b"] == SAMPLES), ("ArrowLeft", lambda v: v["b"] < SAMPLES),
        ("Home", lambda v: v["a"] == 0),
    ):  # fmt: skip
        slider.press(key)
        page.wait_for_timeout(60)
        assert check(view()), key
    assert "ms" in slider.get_attribute("aria-valuetext")
    before = view()
    grip = slider.bounding_box()
    page.mouse.move(grip["x"] + grip["width"] / 2, grip["y"] + grip["height"] / 2)
    page.mouse.down()
    page.mouse.move(grip["x"] + grip["width"] / 2 + 100, grip["y"] + 5)
    page.mouse.up()
    assert view()["a"] > before["a"]
    page.get_by_role("button", name="see highest of ripple").click()
    page.wait_for_timeout(60)
    assert "Every sample is shown" in page.inner_text("#strip-said")


def test_references_and_events_are_one_tap_away(opened, report):
    page = opened(report)
    shown = "i => Overlay.plots[0].series[i].show"
    for name, index in (("nearest good #12", 5), ("nearest fault: open-diode #40", 6)):
        button = page.get_by_role("button", name=name)
        was = page.evaluate(shown, index)
        button.click()
        assert page.evaluate(shown, index) is not was
    tile = page.locator(".tile").nth(4)
    assert "odd 2.2" in tile.inner_text()
    tile.click()
    assert tile.get_attribute("aria-pressed") == "true" and page.evaluate(shown, 7) is True
    assert page.get_by_role("button", name="event 5 (tap to hide)").is_visible()
    page.get_by_label("odd ones only").check()
    assert page.locator(".tile:visible").count() == 1


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("wide", [1280, 360])
def test_it_fits_and_can_be_read(opened, report, scheme, wide):
    page = opened(report, wide, 740, scheme, touch=wide == 360)
    assert page.evaluate("document.documentElement.scrollWidth") <= wide
    assert page.evaluate("document.documentElement.dataset.theme") == scheme
    contrast = page.evaluate("""() => {
      const c = (v) => Page.colour(v).match(/[0-9a-f]/gi).map((h) => parseInt(h, 16));
      return [c('page')[0], c('capture')[0]];
    }""")
    assert abs(contrast[0] - contrast[1]) > 12  # of 15: the capture's line on the page
    top = page.locator("h1").bounding_box()
    assert top["y"] + top["height"] < 200
    assert page.locator(".gauge svg").bounding_box()["y"] < 740


def test_pinch(opened, report):
    page = opened(report, 360, 740, touch=True)
    page.locator("#details").scroll_into_view_if_needed()
    page.evaluate("""() => {
      const over = document.querySelector('#detail-0 .u-over'), box = over.getBoundingClientRect();
      over.setPointerCapture = () => {};
      const send = (type, id, x) => over.dispatchEvent(new PointerEvent(type, {
        pointerId: id, clientX: box.left + x * box.width, clientY: box.top + 20, bubbles: true }));
      send('pointerdown', 1, 0.4); send('pointerdown', 2, 0.6);
      send('pointermove', 1, 0.1); send('pointermove', 2, 0.9);
      send('pointerup', 1, 0.1); send('pointerup', 2, 0.9);
    }""")
    page.wait_for_timeout(80)
    view = page.evaluate("Strip.view")
    assert view["b"] - view["a"] == pytest.approx(SAMPLES / 4, rel=0.05)
    assert (view["a"] + view["b"]) / 2 == pytest.approx(SAMPLES / 2, rel=0.05)


def test_paper(opened, report):
    page = opened(report, scheme="dark")
    printed = page.pdf(format="A4")
    assert printed.startswith(b"%PDF-") and len(printed) > 20_000


def test_a_strangers_text_runs_nothing(opened, tmp_path):
    base = whole()
    one = dataclasses.replace(
        base, path=NASTY, summary=NASTY, fault=dataclasses.replace(base.fault, name=NASTY),
        overlay=dataclasses.replace(base.overlay, roles=(NASTY, "sync")),
        nearest_fault=(dataclasses.replace(base.nearest_fault[0], confirmed_fix="n" * 10_000),),
        deviations=(dataclasses.replace(base.deviations[0], channel=NASTY, unit=NASTY),),
    )  # fmt: skip
    place = tmp_path / "b.html"
    write_report(one, find_card("alternator-ripple"), place)
    page = opened(place, 360)
    assert "<script>alert(1)</script>" in page.inner_text(".summary")
    assert page.locator("img").count() == 0
    assert page.evaluate("document.documentElement.scrollWidth") <= 360
