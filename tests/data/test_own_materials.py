"""A site's own table of materials adds and overrides, and never edits what is shipped."""

from __future__ import annotations

import pytest

from heapwright import data
from heapwright.data.tables import read_text
from heapwright.errors import InputError
from heapwright.files.materials import read_materials

LIBRARY = data.materials()
HEAD = (
    "material,name,category,moisture_pct,n_pct_dry,c_pct_dry,cn,vs_pct_dry,"
    "bulk_density_kg_m3,method,price_per_tonne\n"
)


@pytest.fixture
def read(tmp_path):
    def read(text: str):
        path = tmp_path / "OWN.csv"
        path.write_text(text, encoding="utf-8")
        return read_materials(path, LIBRARY)

    return read


def test_a_measured_value_replaces_one_figure_and_narrows_it(read):
    shipped = read_text("materials.csv")
    own = read("material,moisture_pct,method\nleaves_loose,22,microwave\n")["leaves_loose"]
    assert (own.moisture_pct.low, own.moisture_pct.typical, own.moisture_pct.high) == (19, 22, 25)
    assert own.moisture_pct.origin == "measured"
    assert "microwave" in own.moisture_pct.note
    assert own.cn == LIBRARY["leaves_loose"].cn
    assert LIBRARY["leaves_loose"].moisture_pct.typical == 38
    assert read_text("materials.csv") == shipped


def test_the_spread_is_that_of_the_method(read):
    squeezed = read("material,moisture_pct,method\nleaves_loose,22,squeeze\n")["leaves_loose"]
    stated = read("material,moisture_pct\nleaves_loose,22\n")["leaves_loose"]
    assert squeezed.moisture_pct.high == 29
    assert stated.moisture_pct.high == 25


def test_several_methods_serve_the_figures_they_measure(read):
    text = "material,moisture_pct,bulk_density_kg_m3,method\nsawdust,40,250,bucket oven\n"
    own = read(text)["sawdust"]
    assert own.moisture_pct.high == 41.5
    assert own.bulk_density_kg_m3.high == pytest.approx(262.5)


def test_a_spread_stays_within_what_is_possible(read):
    own = read("material,moisture_pct\nnewsprint,1\n")["newsprint"]
    assert own.moisture_pct.low == 0


def test_a_new_material_is_added(read):
    text = HEAD + "cider_lees,Lees of our cider,processing,90,1.5,,20,,,laboratory,0\n"
    found = read(text)
    own = found["cider_lees"]
    assert (own.name, own.category, own.layer_role) == ("Lees of our cider", "processing", "food")
    assert own.price_per_tonne == 0
    assert own.n_pct_dry.origin == "measured"
    assert len(found) == len(LIBRARY) + 1
    assert data.find_material("lees of our cider", found) is own


def test_a_known_material_may_be_named_in_full_and_priced(read):
    own = read('material,price_per_tonne\n"Straw, wheat",85\n')["straw_wheat"]
    assert own.price_per_tonne == 85
    assert own.cn == LIBRARY["straw_wheat"].cn


def row(**cells: str) -> str:
    columns = HEAD.strip().split(",")
    cells = {"material": "leaves_loose", **cells}
    return HEAD + ",".join(cells.get(column, "") for column in columns) + "\n"


@pytest.mark.parametrize(
    ("text", "column", "message"),
    [
        (row(moisture_pct="101"), "moisture_pct", "above 100"),
        (row(moisture_pct="-3"), "moisture_pct", "below 0"),
        (row(n_pct_dry="46"), "n_pct_dry", "above 20"),
        (row(n_pct_dry="-1"), "n_pct_dry", "below 0"),
        (row(c_pct_dry="61"), "c_pct_dry", "above 60"),
        (row(cn="0"), "cn", "below 1"),
        (row(vs_pct_dry="130"), "vs_pct_dry", "above 100"),
        (row(bulk_density_kg_m3="3000"), "bulk_density_kg_m3", "above 2500"),
        (row(price_per_tonne="-5"), "price_per_tonne", "below 0"),
        (row(n_pct_dry="4.7", cn="15"), "cn", "make 70 % carbon"),
        (row(n_pct_dry="1", c_pct_dry="50", cn="20"), "c_pct_dry", "disagrees"),
        (row(moisture_pct="4-27"), "moisture_pct", "is a date"),
        (row(moisture_pct="50", method="guess"), "method", "“guess” is not a method"),
        (row(category="hays", cn="50"), "category", "“hays” is not a category"),
        (row(material="", cn="50"), "material", "is blank"),
        (row(material="food_scrap", cn="15"), "material", "did you mean food_scraps_mixed"),
        (row(material="Our Mash", name="Mash", category="food"), "material", "small letters"),
        (row(material="mash", name="Sawdust", category="wood"), "name", "have the same name"),
        (row(), None, "states no figure"),
    ],
)
def test_bad_rows_are_refused_with_file_row_and_column(read, text, column, message):
    with pytest.raises(InputError) as caught:
        read(text)
    assert (caught.value.file, caught.value.row, caught.value.column) == ("OWN.csv", 2, column)
    assert message in str(caught.value)


def test_a_material_that_stands_twice_is_refused(read):
    text = row(cn="50") + "Leaves_Loose,,,30,,,,,,,\n"
    with pytest.raises(InputError, match=r"row 3.*stands in row 2 already"):
        read(text)


def test_a_file_with_a_byte_order_mark_is_read(tmp_path):
    path = tmp_path / "OWN.csv"
    path.write_bytes(b"\xef\xbb\xbfmaterial,cn\r\nsawdust,300\r\n")
    assert read_materials(path, LIBRARY)["sawdust"].cn.typical == 300


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"", "is empty"),
        (b"material;cn\nsawdust;300\n", "semicolons"),
        (b"material,cn\nsawdust,300,5\n", "cells"),
        (b"material,colour\nsawdust,brown\n", "not a known column"),
        ("material,cn\nsäge,3\n".encode("latin-1"), "not UTF-8"),
    ],
)
def test_a_bad_file_is_refused(tmp_path, content, message):
    path = tmp_path / "OWN.csv"
    path.write_bytes(content)
    with pytest.raises(InputError, match=message):
        read_materials(path, LIBRARY)
