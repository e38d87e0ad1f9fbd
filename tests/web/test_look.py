"""The look: one heat scale that everyone can tell apart, contrast, and pages without a mouse.

Contrast is WCAG 2.2 success criterion 1.4.3 / 1.4.6 with its relative luminance. Colour vision
is simulated after Viénot, Brettel and Mollon 1999 (Color Research and Application 24:243-252),
whose matrices stand here from memory; colour distance is CIE 1976 ΔE*ab under D65.
"""

from __future__ import annotations

import functools
import http.server
import itertools
import os
import re
import shutil
import sys
import threading
from importlib.util import module_from_spec, spec_from_file_location
from pathlib import Path

import numpy as np
import pytest

from heapwright.web import heat
from heapwright.web.drawing import svg

ROOT = Path(__file__).resolve().parents[2]
WEB = ROOT / "src" / "heapwright" / "web"
CSS = (WEB / "static" / "heapwright" / "notebook.css").read_text("utf-8")


@pytest.fixture(scope="module")
def gallery():
    import django
    from django.conf import settings

    if not settings.configured and "DJANGO_SETTINGS_MODULE" not in os.environ:
        settings.configure(LANGUAGE_CODE="en", STATIC_URL="/", INSTALLED_APPS=[])
    django.setup()
    spec = spec_from_file_location("gallery", ROOT / "docs" / "gallery.py")
    module = module_from_spec(spec)
    sys.modules["gallery"] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def html(gallery):
    return gallery.page()


def linear(colour: str) -> np.ndarray:
    channels = np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)]) / 255
    return np.where(channels <= 0.04045, channels / 12.92, ((channels + 0.055) / 1.055) ** 2.4)


def contrast(one: str, other: str) -> float:
    light, dark = sorted(
        (float(linear(c) @ [0.2126, 0.7152, 0.0722]) for c in (one, other)), reverse=True
    )
    return (light + 0.05) / (dark + 0.05)


RGB_TO_LMS = np.array(
    [[17.8824, 43.5161, 4.11935], [3.45565, 27.1554, 3.86714], [0.0299566, 0.184309, 1.46709]]
)
SEEN = {
    "usual": np.eye(3),
    "protanopia": np.array([[0, 2.02344, -2.52581], [0, 1, 0], [0, 0, 1]]),
    "deuteranopia": np.array([[1, 0, 0], [0.494207, 0, 1.24827], [0, 0, 1]]),
}


def lab(rgb: np.ndarray) -> np.ndarray:
    to_xyz = np.array(
        [
            [0.4124564, 0.3575761, 0.1804375],
            [0.2126729, 0.7151522, 0.0721750],
            [0.0193339, 0.1191920, 0.9503041],
        ]
    )
    x, y, z = np.cbrt(to_xyz @ np.clip(rgb, 0, 1) / [0.95047, 1.0, 1.08883])
    return np.array([116 * y - 16, 500 * (x - y), 200 * (y - z)])


def distance(one: str, other: str, eyes: str) -> float:
    see = np.linalg.inv(RGB_TO_LMS) @ SEEN[eyes] @ RGB_TO_LMS
    return float(np.linalg.norm(lab(see @ linear(one)) - lab(see @ linear(other))))


@pytest.mark.parametrize("eyes", SEEN)
@pytest.mark.parametrize("page", ["fill", "dark_fill"])
def test_any_two_heat_steps_are_told_apart_by_every_common_kind_of_colour_vision(eyes, page):
    for one, other in itertools.combinations(heat.STEPS, 2):
        apart = distance(getattr(one, page), getattr(other, page), eyes)
        assert apart >= 20, (one.name, other.name, round(apart, 1))


def test_a_grey_and_a_green_of_equal_lightness_would_be_caught():
    assert distance("#b05030", "#6f7a2c", "deuteranopia") < 20
    assert distance("#b05030", "#6f7a2c", "usual") > 40


@pytest.mark.parametrize("step", heat.STEPS, ids=lambda step: step.name)
def test_the_number_on_a_heat_colour_is_legible_in_light_and_dark(step):
    assert contrast(step.fill, step.text) >= 4.5
    assert contrast(step.dark_fill, step.dark_text) >= 4.5


def test_only_the_last_step_carries_a_pattern():
    assert [step.patterned for step in heat.STEPS] == [False] * 4 + [True]


@pytest.mark.parametrize(
    ("temp_c", "name"),
    [
        (-5, "slate"), (19.9, "slate"), (20, "olive"), (39.9, "olive"), (40, "amber"),
        (54.9, "amber"), (55, "brick"), (64.9, "brick"), (65, "dark crimson"), (90, "dark crimson"),
    ],
)  # fmt: skip
def test_a_limit_belongs_to_the_step_above_it(temp_c, name):
    assert heat.step_of(temp_c).name == name


def test_ranges_are_told_in_the_unit_asked_for():
    assert [heat.range_words(step) for step in heat.STEPS] == [
        "under 20", "20 to 40", "40 to 55", "55 to 65", "65 and over",
    ]  # fmt: skip
    assert heat.range_words(heat.STEPS[3], "F") == "131 to 149"
    assert heat.with_unit(55, "F") == "131 °F"


def variable(name: str, dark: bool) -> str:
    light_value, dark_value = re.search(
        rf"--{name}: light-dark\((#\w+), (#\w+)\)", CSS
    ).groups()  # fmt: skip
    return dark_value if dark else light_value


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
def test_text_has_a_contrast_of_seven_on_paper_and_on_wash(dark):
    for text in ("ink", "soft", "act"):
        assert contrast(variable(text, dark), variable("paper", dark)) >= 7, text
    assert contrast(variable("ink", dark), variable("wash", dark)) >= 7
    assert contrast(variable("on-act", dark), variable("act", dark)) >= 7


def test_the_style_sheet_holds_the_same_heat_scale_as_the_drawings():
    for step in heat.STEPS:
        n = step.number
        assert (variable(f"heat-{n}", False), variable(f"heat-{n}", True)) == (
            step.fill, step.dark_fill,
        )  # fmt: skip
        assert (variable(f"on-heat-{n}", False), variable(f"on-heat-{n}", True)) == (
            step.text, step.dark_text,
        )  # fmt: skip
        assert f"--heat-{n}: {step.fill};" in CSS


def test_the_plain_colours_of_browsers_without_a_dark_page_are_the_same_light_ones():
    for name in ("paper", "ink", "soft", "line", "wash", "earth", "act", "on-act"):
        assert f"--{name}: {variable(name, dark=False)};" in CSS


def test_every_colour_in_a_drawing_has_its_dark_counterpart(html):
    drawn = set(re.findall(r'(fill|stroke)="(#[0-9a-fA-F]{3,6})"', html))
    assert ("fill", svg.INK) in drawn
    missing = {pair for pair in drawn if f'[{pair[0]}="{pair[1]}"]' not in CSS}
    assert not missing


def test_pages_need_no_inline_style_or_script(html):
    assert not re.search(r"\sstyle=|<style|<script|\son\w+=|javascript:", html)


def test_the_brick_and_crimson_of_heat_are_used_for_nothing_but_heat():
    without_heat = re.sub(r"--(on-)?heat-\d: [^;]+;", "", CSS)
    without_heat = re.sub(r"[^\n]*var\(--(on-)?heat-\d\)[^\n]*", "", without_heat)
    for step in heat.STEPS:
        assert step.fill not in without_heat
        assert step.dark_fill not in without_heat


def test_what_was_typed_stays_and_the_error_stands_beside_its_field(html):
    field = re.search(r'<div class="field wrong"><label for="id_core".*?</div>\n</div>', html, re.S)
    text = field.group()
    assert 'value="61,x"' in text
    assert 'aria-invalid="true"' in text
    described = re.search(r'aria-describedby="([^"]+)"', text).group(1).split()
    assert described == ["id_core_helptext", "id_core_error"]
    for target in described:
        assert f'id="{target}"' in text
    assert "“61,x” is not a number" in text
    assert "Right would be: 61 or 61.5" in text


def test_a_group_of_choices_is_described_by_its_error(html):
    group = re.search(r"<fieldset.*?</fieldset>", html, re.S).group()
    assert 'aria-describedby="id_squeeze_error"' in group
    assert 'id="id_squeeze_error"' in group


def test_ids_are_unique(html):
    ids = re.findall(r'\sid="([^"]+)"', html)
    assert len(ids) == len(set(ids))


def test_every_table_has_headed_columns_a_caption_and_a_download(html):
    table = re.search(r'<div class="table-block">.*?</table></div>.*?</div>', html, re.S).group()
    assert "<caption" in table
    assert table.count('scope="col"') == 5
    assert 'aria-sort="descending"' in table
    assert "download" in table


def test_user_text_is_escaped_by_includes(gallery):
    from django.template import Context, Engine

    libraries = {
        "i18n": "django.templatetags.i18n",
        "codes": "heapwright.web.templatetags.codes",
    }
    engine = Engine(dirs=[str(WEB / "templates")], libraries=libraries)
    page = engine.get_template("heapwright/parts/task.html").render(
        Context({"task": {"number": 1, "title": "<b>x</b>", "why": "a & b", "left": "<i>"}})
    )
    assert "&lt;b&gt;x&lt;/b&gt;" in page
    assert "If left: &lt;i&gt;" in page
    assert "<b>" not in page


@pytest.fixture(scope="module")
def served(gallery, html, tmp_path_factory):
    folder = tmp_path_factory.mktemp("gallery")
    shutil.copytree(WEB / "static" / "heapwright", folder / "heapwright")
    page = re.sub(r'href="[^"]*heapwright/notebook.css"', 'href="heapwright/notebook.css"', html)
    (folder / "index.html").write_text(page, encoding="utf-8")
    handler = functools.partial(Quiet, directory=str(folder))
    server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), handler)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    yield f"http://127.0.0.1:{server.server_port}/index.html"
    server.shutdown()
    server.server_close()


class Quiet(http.server.SimpleHTTPRequestHandler):
    def log_message(self, *args):
        pass


@pytest.fixture(params=[360, 1280], ids=["phone", "laptop"])
def page(request, chromium, served):
    context = chromium.new_context(
        viewport={"width": request.param, "height": 800}, color_scheme=None
    )
    tab = context.new_page()
    tab.goto(served)
    yield tab
    context.close()


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_no_fault_in_the_look(page, scheme):
    from axe_playwright_python.sync_playwright import Axe

    page.emulate_media(color_scheme=scheme)
    paper = page.evaluate("getComputedStyle(document.documentElement).backgroundColor")
    assert paper == {"light": "rgb(250, 246, 236)", "dark": "rgb(24, 21, 16)"}[scheme]
    found = Axe().run(page).response
    assert [(v["id"], v["nodes"][0]["target"]) for v in found["violations"]] == []
    assert len(found["passes"]) > 25


def test_the_page_never_scrolls_sideways(page):
    assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")


def test_whatever_is_pressed_is_as_large_as_a_thumb(page):
    small = page.evaluate(
        """() => [...document.querySelectorAll(
             'a.act, a.plain-act, button, .rooms a, summary, select, input:not([type=radio]), '
             + '.field label:has(input), svg.drawing a')]
           .map(e => [e.textContent.trim().slice(0, 30), e.getBoundingClientRect()])
           .filter(([t, r]) => r.width > 0 && (r.height < 47.5 || r.width < 47.5))
           .map(([t, r]) => `${t} ${r.width} x ${r.height}`)"""
    )
    assert small == []


def test_lettering_never_collides_nor_leaves_its_drawing_as_really_drawn(page):
    clashes = page.evaluate(
        """() => {
          const out = [];
          let pairs = 0;
          for (const drawing of document.querySelectorAll('svg.drawing, svg.chart')) {
            const frame = drawing.getBoundingClientRect();
            if (!frame.width) continue;
            const boxes = [...drawing.querySelectorAll('text')].filter(t => t.textContent)
              .map(t => [t.textContent, t.getBoundingClientRect()]);
            boxes.forEach(([text, a], i) => {
              if (a.left < frame.left - 1 || a.right > frame.right + 1 || a.top < frame.top - 1
                  || a.bottom > frame.bottom + 1) out.push(`${drawing.id} ${text} leaves`);
              for (const [other, b] of boxes.slice(i + 1)) {
                pairs += 1;
                const across = Math.min(a.right, b.right) - Math.max(a.left, b.left);
                const down = Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top);
                // A line's box holds room for accents: lines set close overlap by that much.
                const leading = 0.32 * Math.min(a.height, b.height);
                if (across > 0.5 && down > leading) out.push([text, other]);
              }
            });
          }
          return {out, pairs};
        }"""
    )
    assert clashes["pairs"] > 500
    assert clashes["out"] == []


def test_print_is_black_on_white_and_leaves_out_what_cannot_be_pressed(page):
    page.emulate_media(media="print", color_scheme="dark")
    assert page.evaluate("getComputedStyle(document.documentElement).backgroundColor") == (
        "rgb(255, 255, 255)"
    )
    assert page.evaluate("getComputedStyle(document.documentElement).color") == "rgb(0, 0, 0)"
    assert not page.locator(".rooms").is_visible()
    assert not page.locator(".act-bar").is_visible()
    assert page.locator(".sign-line").is_visible()
    assert page.locator(".wide-only svg.drawing .on-heat-4").first.is_visible()
