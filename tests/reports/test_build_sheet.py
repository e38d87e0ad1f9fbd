from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import date

import pytest
import typst
from tests.reports.reading import alternatives, kinds, pages, reader, size_mm, squeezed, text
from tests.reports.samples import HEAVY, HOSTILE, PRINTED, build, recipe_of

from heapwright.data.mixing import acceptable_limits
from heapwright.errors import InputError
from heapwright.reports import printing
from heapwright.reports.build_sheet import CAUTIONS, _containers, build_sheet, from_recipe
from heapwright.science.recipe import Blocked, Recipe


def test_the_sheet_says_what_goes_in_and_in_which_layers():
    data = build(build_on=date(2026, 5, 2), built_by="Mirela")
    made = build_sheet(data)
    words = text(made)
    assert "Alder Lane compost yard" in words
    assert "K-041" in words
    assert "2 May 2026" in words
    assert "Mirela" in words
    assert "Food scraps, mixed (kitchen and restaurant) 4 × 64 gal tote 0.53 240" in words
    assert "Water, sprinkled on the dry layers 30 L" in words
    assert "Together 2.25 550" in words
    assert "1.20 × 1.20 m" in words
    for line in CAUTIONS:
        assert line in words
    for number, layer in enumerate(data.layers, start=1):
        name = layer.name.split(" (")[0]
        assert f"{number} {name}" in words
    assert "Wood chips, mixed, base" in words
    assert "Leaves, dry loose, cap" in words
    assert "1.56 m" in words
    assert "Not every limit is met. C:N is 42.5; 20 to 40 is acceptable." in words
    assert "Sources: R. Rynk" in words
    assert size_mm(made) == (210, 297)


def test_in_us_units_on_letter_paper():
    made = build_sheet(build(), paper="letter", units="us")
    words = text(made)
    assert size_mm(made) == (216, 279)
    assert "0.69 529" in words  # 0.53 m³, 240 kg
    assert "7.9 gal" in words
    assert "3.9 × 3.9 ft" in words
    assert "lb/yd³" in words
    assert "Thickness and height reached: in." in words
    assert " kg" not in words


@pytest.mark.parametrize("paper", ["a4", "letter"])
@pytest.mark.parametrize("units", ["us", "metric"])
def test_many_layers_and_materials_run_over_pages_with_their_head(paper, units):
    data = build(HEAVY, side_m=1.2, place="The long bay behind the tool shed " * 2)
    made = build_sheet(data, paper=paper, units=units)
    told = pages(made)
    assert len(data.ingredients) == 12
    assert len(data.layers) >= 24
    assert 3 <= len(told) <= 6
    for number, page in enumerate(told, start=1):
        assert f"lot K-041, page {number} of {len(told)}" in page
    with_layers = [page for page in told if "Up to" in page]
    assert len(with_layers) >= 2
    words = " ".join(told)
    for number, layer in enumerate(data.layers, start=1):
        assert f"{number} {layer.name.split(' (')[0]}" in words


def test_the_pdf_is_tagged_titled_and_its_drawing_described():
    made = build_sheet(build())
    pdf = reader(made)
    assert pdf.metadata.title == "Build sheet, K-041"
    assert pdf.trailer["/Root"]["/Lang"] == "en"
    assert b"<pdfuaid:part>1<" in pdf.xmp_metadata.stream.get_data()
    assert {"/H1", "/H2", "/Table", "/TH", "/TD", "/Figure", "/L"} <= kinds(made)
    (drawing,) = alternatives(made)
    assert drawing.startswith("The layers drawn to scale, number 1 at the bottom: 1 Wood chips")


def test_a_blank_code_leaves_room_to_write_one():
    made = build_sheet(replace(build(), lot_code="", built_by=""))
    words = text(made)
    assert "build sheet for Bay 3, page 1 of" in words
    assert reader(made).metadata.title == "Build sheet, Bay 3"


@pytest.mark.parametrize("hostile", HOSTILE)
def test_hostile_text_is_printed_as_it_is(hostile):
    data = build(site=hostile, place=hostile, built_by=hostile)
    first = replace(data.ingredients[0], name=hostile, container=hostile)
    layers = tuple(replace(layer, name=hostile, container=hostile) for layer in data.layers)
    made = build_sheet(
        replace(
            data,
            ingredients=(first, *data.ingredients[1:]),
            layers=layers,
            notes=(hostile,),
            warnings=(hostile,),
            cautions=(hostile,),
            sources=(hostile,),
        )
    )
    shown = hostile.replace("\x00", "").replace("\x07", "").replace("\u202e", "")
    shown = shown.replace("\ud800", "").replace("  ", " ")
    read = squeezed(text(made))
    if "堆" not in hostile:  # a script that may have no font on this machine
        # of many layers each name is cut at a bracket
        assert read.count(squeezed(shown)) >= 5
    assert "K-041" in read


def test_a_script_without_a_font_prints_all_the_rest():
    made = build_sheet(build(site="堆肥 सामान 😀 \U00012000"))
    assert "K-041" in text(made)
    assert reader(made).trailer["/Root"]["/MarkInfo"]["/Marked"]


def test_a_machine_without_fonts_prints_with_those_of_the_compiler(monkeypatch):
    bare = typst.Fonts(include_system_fonts=False)
    monkeypatch.setattr(printing, "_fonts", lambda: bare)
    for paper in ("a4", "letter"):
        made = build_sheet(build(HEAVY, side_m=1.8), paper=paper, units="us")
        assert "K-041" in text(made)
        assert b"<pdfuaid:part>1<" in reader(made).xmp_metadata.stream.get_data()


def test_a_mix_without_layers_prints_without_them():
    words = text(build_sheet(replace(build(), layers=(), properties=())))
    assert "Layers, bottom first" not in words
    assert "Food scraps, mixed" in words


def test_no_layout_is_left_unsettled(monkeypatch):
    told = []

    real = typst.Compiler

    class Told:
        def __init__(self, *where, **settings):
            self.compiler = real(*where, **settings)

        def compile(self, **settings):
            made, warnings = self.compiler.compile_with_warnings(**settings)
            told.extend(one.message for one in warnings)
            return made

    monkeypatch.setattr(typst, "Compiler", Told)
    build_sheet(build(HEAVY, side_m=1.8), paper="letter")
    assert all(message.startswith("unknown font family") for message in told)


def test_nothing_to_build_is_refused_with_the_reason():
    none = Recipe(
        False, (), None, None, 0.9, 1.0, blocked_by=(Blocked("amount", "only 0.2 m³ on hand"),)
    )
    with pytest.raises(InputError, match=r"no mix to print: only 0\.2 m³ on hand"):
        from_recipe(none, acceptable_limits(), [], {}, site="x", place="y", printed_at=PRINTED)
    with pytest.raises(InputError, match="no mix to print"):
        build_sheet(replace(build(), ingredients=()))


def test_the_same_sheet_is_the_same_file_also_from_many_threads():
    data = build()
    with ThreadPoolExecutor(8) as pool:
        made = set(pool.map(lambda _: build_sheet(data), range(16)))
    assert len(made) == 1


def test_an_unknown_paper_is_refused():
    with pytest.raises(InputError, match="“a3” is not a paper"):
        build_sheet(build(), paper="a3")


def test_a_recipe_as_sure_as_wanted_and_in_range_carries_no_warning():
    amounts = (("food_scraps_mixed", 300.0), ("leaves_loose", 120.0), ("wood_chips", 100.0))
    recipe = recipe_of(amounts, water_kg=10.0)
    assert recipe.feasible
    assert "Not every limit is met" not in text(build_sheet(build(amounts)))


def test_less_than_a_quarter_of_a_container_is_not_called_none():
    assert _containers(0.0, "64-gallon cart") == "under ½ × 64-gallon cart"
    assert _containers(0.5, "64-gallon cart") == "½ × 64-gallon cart"
    assert _containers(None, "") == ""
