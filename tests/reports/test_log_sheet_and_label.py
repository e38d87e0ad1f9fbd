from __future__ import annotations

from datetime import date

import pytest
from tests.reports.reading import alternatives, pages, reader, size_mm, squeezed, text
from tests.reports.samples import HOSTILE, PRINTED

from heapwright.data.sanitation import rules
from heapwright.errors import InputError
from heapwright.reports.label import Label, LabelSheet, labels, what_of
from heapwright.reports.log_sheet import ROWS, LoggedPile, LogSheet, log_sheet
from heapwright.reports.qr import qr_svg
from heapwright.reports.rule_words import asks

URL = "https://yard.example/lots/K-041/entry"


def sheet(*piles: LoggedPile, **more) -> LogSheet:
    return LogSheet(
        site=more.pop("site", "Alder Lane compost yard"), piles=piles, printed_at=PRINTED, **more
    )


@pytest.mark.parametrize(("paper", "size"), [("a4", (297, 210)), ("letter", (279, 216))])
@pytest.mark.parametrize(("units", "degree"), [("us", "°F"), ("metric", "°C")])
def test_a_page_a_pile_with_rows_to_write_and_what_the_rule_asks(paper, size, units, degree):
    piles = [LoggedPile(f"K-04{n}", f"Bay {n}", URL, rules()["NY-W"]) for n in range(3)]
    made = log_sheet(sheet(*piles), paper=paper, units=units)
    told = pages(made)
    assert size_mm(made) == size
    assert len(told) == 3
    for number, page in enumerate(told):
        assert page.count(f"K-04{number}") == 2  # in the box and at the foot
        assert f"Bay {number}" in page
        assert page.count("D C H P R") == ROWS
        assert page.count(degree) >= 5
        assert "5 turnings while it is hot" in page
        assert "15 days in a row with every point at or above" in page
        for column in ("Date", "Time", "Depth", "Squeeze", "Smell", "Turned", "Wetted", "Initials"):
            assert column in page
        assert "a guess never counts" in page
    assert len([alt for alt in alternatives(made) if "opens the entry form" in alt]) == 3


@pytest.mark.parametrize("rule", list(rules()))
def test_the_needs_of_every_rule_fit_the_page(rule):
    pile = LoggedPile("2026-W41-NORTH-B3-17", "x " * 40, URL, rules()[rule])
    for paper in ("a4", "letter"):
        for units in ("us", "metric"):
            (page,) = pages(log_sheet(sheet(pile), paper=paper, units=units))
            said = asks(rules()[rule], units)
            assert said
            assert squeezed("".join(said)) in squeezed(page)


def test_a_round_has_a_row_for_each_pile_and_blank_rows_besides():
    piles = [LoggedPile(f"K-{n:03}", f"Bay {n}") for n in range(13)]
    told = pages(log_sheet(sheet(*piles, as_round=True), paper="letter", units="us"))
    assert len(told) == 2
    assert [page.count("D C H P R") for page in told] == [ROWS, ROWS]
    assert all(f"K-{n:03}" in told[n // ROWS] for n in range(13))


def test_a_sheet_without_a_pile_leaves_room_and_points_can_be_fewer():
    made = log_sheet(sheet(LoggedPile(), points=3))
    assert len(pages(made)) == 1
    assert text(made).count("°C") == 3 + 2  # and the two warnings
    for wrong in (0, 6):
        with pytest.raises(InputError, match="1 to 5"):
            log_sheet(sheet(LoggedPile(), points=wrong))
    with pytest.raises(InputError, match="at least one pile"):
        log_sheet(sheet())


@pytest.mark.parametrize("hostile", HOSTILE)
def test_hostile_text_is_printed_as_it_is(hostile):
    shown = squeezed("".join(c for c in hostile if c not in "\x00\x07\u202e\ud800"))
    made = log_sheet(sheet(LoggedPile(hostile, hostile, URL), site=hostile))
    label = labels(LabelSheet(hostile, (Label(hostile, "Compost", hostile),), PRINTED))
    for pdf in (made, label):
        assert len(reader(pdf).pages) == 1
        if "堆" not in hostile:
            assert squeezed(text(pdf)).count(shown) >= 2


@pytest.mark.parametrize(("paper", "size"), [("a4", (210, 297)), ("letter", (216, 279))])
def test_four_labels_a_page_with_code_words_and_a_square_code(paper, size):
    five = tuple(
        Label(f"K-04{n}", what_of("pile"), f"Bay {n}", date(2026, 3, 1 + n), URL) for n in range(5)
    )
    made = labels(LabelSheet("Alder Lane compost yard", five, PRINTED), paper=paper)
    told = pages(made)
    assert size_mm(made) == size
    assert [page.count("Point a phone here to log.") for page in told] == [4, 1]
    assert "K-042" in told[0]
    assert "Composting: not for beds yet" in told[0]
    assert "5 Mar 2026" in told[1]
    assert "Square code that opens the entry form of K-044" in alternatives(made)
    assert b"<pdfuaid:part>1<" in reader(made).xmp_metadata.stream.get_data()
    with pytest.raises(InputError, match="no label"):
        labels(LabelSheet("x", (), PRINTED))


@pytest.mark.parametrize(("paper", "size"), [("a4", (297, 210)), ("letter", (279, 216))])
def test_a_single_label_fills_its_sheet(paper, size):
    one = Label("K-042", what_of("pile"), "Bay 2", date(2026, 3, 2), URL)
    made = labels(LabelSheet("Alder Lane compost yard", (one,), PRINTED), paper=paper)
    assert len(pages(made)) == 1
    page = reader(made).pages[0]
    across, along = sorted(size)
    assert sorted(
        (
            round(float(page.mediabox.width) * 25.4 / 72),
            round(float(page.mediabox.height) * 25.4 / 72),
        )
    ) == [across, along]
    assert float(page.mediabox.width) > float(page.mediabox.height) or page.rotation in (90, 270)
    for words in ("K-042", "Composting: not for beds yet", "Bay 2", "2 Mar 2026"):
        assert words in text(made)
    assert "Square code that opens the entry form of K-042" in alternatives(made)


def test_a_label_says_of_each_kind_of_lot_what_it_is():
    assert len({what_of(kind) for kind in ("pile", "compost", "stock", "overs")}) == 4


def test_the_square_code_depends_on_its_address():
    assert qr_svg(URL) != qr_svg(URL.replace("K-041", "K-042"))
    assert qr_svg(URL).startswith("<?xml")
