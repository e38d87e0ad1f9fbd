"""The sheets of the site's own lots, on a real database."""

from __future__ import annotations

import pytest
from tests.reports.reading import pages, text
from tests.yard.acting import NOW, Yard, at, kg
from tests.yard.conftest import yard  # noqa: F401

from heapwright.reports.of_lot import label_pdf, log_sheet_pdf, made_of, proof_pdf
from heapwright.science.sanitation import Stated
from heapwright.yard import tend, use
from heapwright.yard.acts import first_lot
from heapwright.yard.errors import FieldError, NotFoundError
from heapwright.yard.models import Lot, LotKind
from heapwright.yard.strike import strike

TURNED = Stated(method="turned")
METRIC = {"paper": "a4", "units": "metric", "now": NOW}
US = {"paper": "letter", "units": "us", "now": NOW}


@pytest.fixture
def pile(yard: Yard) -> Lot:  # noqa: F811
    """Return a pile with seventeen hot days and five turnings."""
    food, leaves = yard.deliver(0, 100), yard.deliver(0, 60, "leaves_loose")
    made = yard.build(1, (food, None), (leaves, None))
    for day in range(1, 18):
        yard.read(1 + day, made, 62.0, "core")
        if day in (3, 6, 9, 12, 15):
            yard.turn(1 + day + 0.1, made)
    return made


def test_the_proof_of_a_pile_with_what_it_is_made_of(pile):
    words = text(proof_pdf(pile.code, "NY-W", stated=TURNED, **METRIC))
    assert "Met on " in words
    assert "Alder Lane yard" in words
    assert f"lot {pile.code}, page 1 of" in words
    assert "Stands in B1" in words
    assert "America/Los_Angeles" in words
    assert "Food scraps, mixed (kitchen and restaurant) School kitchen 1 Mar 2026 100 62" in words
    assert "Leaves, dry loose School kitchen 1 Mar 2026 60 38" in words


def test_a_struck_turning_no_longer_counts(yard, pile):  # noqa: F811
    strike(pile.entries.filter(kind="turn").first().uuid, "not done", yard.lead, now=NOW)
    words = text(proof_pdf(pile.code, "NY-W", stated=TURNED, **US))
    assert "Met on" not in words
    assert "4 turnings count; 5 are asked." in words
    assert "143.6" in words  # 62 °C


def test_what_was_not_stated_stands_as_not_stated(pile):
    words = text(proof_pdf(pile.code, "NY-W", **METRIC))
    assert "Method not stated Zone read not stated" in words
    assert "Insulation not stated" in words
    assert "Cannot be shown" in text(proof_pdf(pile.code, "US-PFRP-V", **METRIC))


def test_screened_compost_carries_the_proof_and_its_make_up(yard, pile):  # noqa: F811
    yard.declare(60, pile, "curing")
    screened = use.screen(
        use.Screen(
            happened_at=at(61),
            lot=pile.code,
            compost=use.Output(place="SC", quantity=kg(40)),
            overs=use.Output(place="S2", quantity=kg(20)),
        ),
        yard.lead,
        now=NOW,
    )
    compost = first_lot(screened, LotKind.COMPOST)
    words = text(proof_pdf(compost.code, "NY-W", stated=TURNED, **METRIC))
    assert "Met on " in words
    assert sum(one.share for one in made_of(compost)) == pytest.approx(1)
    overs = first_lot(screened, LotKind.OVERS)
    with pytest.raises(FieldError, match="a proof is for a pile or compost"):
        proof_pdf(overs.code, "NY-W", **METRIC)


def test_combined_piles_print_each_log(yard, pile):  # noqa: F811
    cold = yard.build(1, (yard.deliver(0, 80), None), place="B2")
    yard.read(2, cold, 35.0, "core")
    for one in (pile, cold):
        yard.declare(60, one, "curing")
    both = tend.combine(
        tend.Combine(happened_at=at(61), lots=(pile.code, cold.code), place="CP"),
        yard.lead,
        now=NOW,
    )
    words = text(proof_pdf(first_lot(both).code, "NY-W", stated=TURNED, **METRIC))
    assert "Log 1 of 2" in words
    assert "Log 2 of 2" in words
    assert "Met on" not in words


def test_log_sheets_name_the_piles_and_what_the_rule_asks(yard, pile):  # noqa: F811
    other = yard.build(2, (yard.deliver(1, 30), None), place="B2")
    urls = {pile.code: "https://yard.example/e/1"}
    told = pages(log_sheet_pdf([pile.code, other.code], rule_id="NY-W", urls=urls, **US))
    assert len(told) == 2
    assert pile.code in told[0]
    assert "B2" in told[1]
    assert "131 °F (55 °C)" in told[0]
    assert len(pages(log_sheet_pdf([pile.code, other.code], as_round=True, **METRIC))) == 1
    assert len(pages(log_sheet_pdf([], **METRIC))) == 1


def test_labels_say_where_a_lot_stands_and_since_when(yard, pile):  # noqa: F811
    stock = yard.deliver(3, 40)
    words = text(label_pdf([pile.code, stock.code], paper="a4", now=NOW))
    assert pile.code in words
    assert "Composting: not for beds yet" in words
    assert "Stock" in words
    assert "2 Mar 2026" in words


@pytest.mark.django_db
def test_an_unknown_lot_or_rule_is_named(pile):
    with pytest.raises(NotFoundError, match="no lot “K-999”"):
        proof_pdf("K-999", "NY-W", **METRIC)
    with pytest.raises(NotFoundError, match="no rule “XX”; they are US-PSRP"):
        proof_pdf(pile.code, "XX", **METRIC)
    with pytest.raises(NotFoundError, match="no lot"):
        label_pdf(["K-999"], paper="a4")
    with pytest.raises(NotFoundError, match="no lot"):
        log_sheet_pdf(["K-999"], **METRIC)
