"""The page of a run and the page of histories, opened in a real browser and looked at as a reader would."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

pytest.importorskip("playwright", reason="playwright is not installed")

from harness.history import read_history, render
from harness.report.page import render as render_run
from tests.browser.looking import DESKTOP, LOOKS, PHONE, browser, opened, program
from tests.software.history.stores import decided, filled
from tests.software.record.contents import record_of
from tests.software.report.sample import number, record, verdict

pytestmark = pytest.mark.skipif(program() is None, reason="no Chromium on this machine")

LEAST_PX = 10.0
"""Height of the smallest letters on the screen. Arbitrary; below it labels of drawings were hard to read on a phone."""
LONG = "because the quantity needs a multimeter across two motor terminals, which this rig does not have"


def every_word() -> dict[str, Any]:
    """A record with each word of a verdict, a stop, long names and reasons, large and small numbers."""
    made = record(missing=[{"what": "an oscilloscope", "adds": LONG}])
    made["measurements"] += [
        number("leaf.step.stability_margin", 1234567.0, "1", 3.0),
        number("leaf.step.loop_jitter", 4.2e-7, "s", 1e-9),
        number("wheel.commutation.step_spread", -0.00042, "rad", 0.00021),
    ]
    made["verdicts"] += [
        verdict("leaf.step.stability_margin", "cannot tell", "1", None, 2e6, reason=LONG),
        verdict("leaf.step.loop_jitter", "undecided", "s", -1e-6, 1e-6, requirement={"low": None, "high": 5e-7}),
        verdict("wheel.commutation.step_spread", "nonconforming", "rad", -1e-4, 1e-4, reason=LONG,
                requirement={"low": -1e-4, "high": 1e-4}),
        verdict("wheel.step.limits", "nonconforming", "", None, None, reason="speed over its limit"),
    ]  # fmt: skip
    made["curves"][0]["series"] = {f"{place}, amplitude 0.3": rows for place, rows in
                                   enumerate(list(made["curves"][0]["series"].values()) * 3)}  # fmt: skip
    made["curves"][1]["y_label"], made["curves"][1]["y_unit"] = "torque referred to 20 degC and nominal supply", "N m"
    return made


@pytest.fixture(scope="module")
def chromium():
    with browser() as found:
        yield found


@pytest.fixture(scope="module")
def pages(tmp_path_factory) -> dict[str, Path]:
    folder = tmp_path_factory.mktemp("pages")
    unfinished = record(
        finished=False, stop={"kind": "bench", "message": "Ctrl-C", "by_hand": "SWITCH THE POWER OFF BY HAND"},
        verdicts=[], measurements=[], curves=[],
    )  # fmt: skip
    with filled(folder / "runs") as store:
        decided(store)
        decided(store, word="release", firmware_version="1.4.0")
        decided(store, word="undecided", firmware_version="1.4.0")
        many = render(read_history(store), beside=folder)
    texts = {
        "run": render_run(record_of(every_word())),
        "unfinished": render_run(record_of(unfinished)),
        "history": many,
    }
    paths = {}
    for name, text in texts.items():
        paths[name] = folder / f"{name}.html"
        paths[name].write_text(text, encoding="utf-8")
    return paths


@pytest.mark.parametrize(
    ("width", "scheme"),
    [
        (PHONE, "light"),
        (DESKTOP, "dark"),
        pytest.param(PHONE, "dark", marks=pytest.mark.slow),
        pytest.param(DESKTOP, "light", marks=pytest.mark.slow),
    ],
)
@pytest.mark.parametrize("name", ["run", "unfinished", "history"])
def test_a_careful_reader_has_nothing_to_complain_of(chromium, pages, name, scheme, width):
    with opened(chromium, pages[name], width=width, scheme=scheme) as seen:
        assert seen.all() == {}
        assert seen.problems("small", LEAST_PX) == []


@pytest.mark.parametrize("name", ["run", "unfinished", "history"])
def test_it_prints(chromium, pages, name):
    with opened(chromium, pages[name], width=DESKTOP, scheme="dark") as seen:
        assert seen.page.pdf(format="A4").startswith(b"%PDF")
        seen.page.emulate_media(media="print")
        assert seen.problems("contrast") == []
        assert seen.problems("crowded") == []


def test_a_mark_takes_the_reader_to_its_run(chromium, pages):
    with opened(chromium, pages["history"], width=DESKTOP, scheme="light") as seen:
        link = seen.page.locator("#s2-leaf-stiffness-open_loop svg a").first
        link.click()
        assert seen.page.url.endswith("/runs/a0/report.html#q-leaf-stiffness-open_loop")


STYLE = "document.head.appendChild(document.createElement('style')).textContent = '{}'"
BROKEN = [
    ("contrast", STYLE.format(".verdict { color: #888 !important; }")),
    ("contrast", STYLE.format("td { opacity: .5; }")),
    ("contrast", STYLE.format("svg .tick { fill: #9a9a9a; }")),
    ("contrast", STYLE.format("header { background: #777; }")),
    ("contrast", STYLE.format("[data-is]::before { color: #aaa !important; }")),
    ("contrast", "document.querySelector('svg text').before((() => { const r = document.createElementNS("
     "'http://www.w3.org/2000/svg', 'rect'); for (const [k, v] of Object.entries({x: 0, y: 0, width: 700, height: 500,"
     " fill: '#444'})) r.setAttribute(k, v); return r; })())"),
    ("headings", "document.querySelector('h2').outerHTML = '<h4>skipped</h4>'"),
    ("headings", "document.querySelector('main').prepend(document.createElement('h1'))"),
    ("headings", "document.querySelector('h1').remove()"),
    ("overflow", STYLE.format("header { width: 800px; }")),
    ("clipped", STYLE.format("th { max-width: 2rem; overflow: hidden; white-space: nowrap; display: block; }")),
    ("clipped", STYLE.format("svg text { font-size: 60px !important; }")),
    ("crowded", STYLE.format("svg text { font-size: 60px !important; }")),
    ("small", STYLE.format("figure svg { max-width: 200px; }")),
    ("anchors", "document.querySelector('a').setAttribute('href', '#nowhere')"),
    ("anchors", "document.querySelectorAll('section')[1].id = document.querySelectorAll('section')[0].id"),
    ("scripts", "document.body.appendChild(document.createElement('script'))"),
    ("scripts", "document.querySelector('p').setAttribute('onclick', 'x()')"),
    ("colourless", "document.querySelectorAll('.verdict').forEach(e => { e.textContent = 'verdict'; })"),
    ("colourless", "document.querySelectorAll('.verdict span').forEach(e => { e.textContent = '●'; })"),
]  # fmt: skip


@pytest.mark.slow
def test_every_complaint_can_be_made(chromium, pages):
    """Each page is broken in one way at a time, and the look that is for it sees it."""
    assert {look for look, _ in BROKEN} >= set(LOOKS)
    with opened(chromium, pages["run"], width=PHONE, scheme="light") as seen:
        for look, breaking in BROKEN:
            seen.load()
            seen.page.evaluate(breaking)
            arguments = [LEAST_PX] if look == "small" else []
            assert seen.problems(look, *arguments), f"{look} does not see {breaking}"


def test_whatever_is_fetched_is_seen(chromium, pages):
    with opened(chromium, pages["run"], width=PHONE, scheme="light") as seen:
        with seen.page.expect_request("**/spy.png"):
            seen.page.evaluate("document.body.appendChild(new Image()).src = 'http://127.0.0.1:9/spy.png'")
        assert seen.requests == ["http://127.0.0.1:9/spy.png"]
