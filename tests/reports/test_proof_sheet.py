from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from tests.reports.reading import alternatives, kinds, pages, reader, size_mm, squeezed, text
from tests.reports.samples import HOSTILE, judged, log_of, made_of, proof

from heapwright.data.sanitation import rules
from heapwright.errors import InputError
from heapwright.reports.proof_sheet import CAUTIONS, proof_sheet

FIVE = ("front left", "front right", "core", "back left", "back right")


def test_a_rule_that_was_met_says_so_with_the_log_day_by_day():
    made = proof_sheet(proof())
    words = text(made)
    assert "Proof of sanitation NY-W, Windrow, aerobic" in words
    assert "Met on 17 Mar 2026" in words
    assert "18 hot days, 18 of them in a row; 15 are asked." in words
    assert "5 turnings count; 5 are asked." in words
    assert "15 days in a row with every point at or above 55 °C (131 °F)" in words
    assert "New York, 6 NYCRR 361-3.7(a)(1)(i)(a), current text." in words
    assert "Published; its text as read on 25 Nov 2026." in words
    assert "1 Mon 2 Mar – – – – no no reading on the first day" in words
    assert "4 Thu 5 Mar 62.4 63.4 64.4 62.4 1 3 every point at or above the limit" in words
    assert "5 Mar 2026, 11:00 yes turned while hot" in words
    assert "America/Los_Angeles" in words
    assert "Food scraps, mixed 1 School kitchen 20 Feb 2026 to 21 Feb 2026 400 33" in words
    assert "Site lead: name and signature" in words
    for line in CAUTIONS:
        assert line in words
    assert size_mm(made) == (210, 297)


def test_readings_of_whole_degrees_are_printed_whole():
    log = log_of()
    log = replace(log, readings=replace(log.readings, temp_c=np.round(log.readings.temp_c)))
    words = text(proof_sheet(proof(log)))
    assert "4 Thu 5 Mar 62 63 64 62 1 3 every point at or above the limit" in words
    assert ".0" not in words[words.index("The log") : words.index("Turnings")]


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_forty_days_of_five_points_in_fahrenheit_over_several_pages(paper):
    log = log_of(40, FIVE, temp_c=57.0, turned=(3, 6, 9, 12, 13), cold=(4, 5, 20), gaps=(17, 30))
    data = proof(log, lot_code="2026-W41-NORTH-B3-17", made_of=made_of(12, source="y" * 80),
                 stated={"probe_error_c": 1.0, "zone": "core"})  # fmt: skip
    made = proof_sheet(data, paper=paper, units="us")
    told = pages(made)
    assert 3 <= len(told) <= 5
    for number, page in enumerate(told, start=1):
        assert f"lot 2026-W41-NORTH-B3-17, page {number} of {len(told)}" in page
    assert sum("Why it counts, or not" in page for page in told) >= 2  # heads are repeated
    words = " ".join(told)
    assert "Not yet met" in words
    assert "1.8 °F taken off each reading" in words
    assert "No reading on 2 days: 19 March 2026, 1 April 2026." in words
    assert "lowest 122.5 °F (50.3 °C) less 1.8 °F of probe error is below 131 °F (55 °C)" in words
    counts = [line.counts for line in data.logs[0].days]
    assert len(counts) == 41
    for line in data.logs[0].days:
        assert f"{line.day:%a} {line.day.day} {line.day:%b}" in words
    assert "5 Mar 2026, 11:00 no outside the unbroken run that counts" in words
    assert "12 deliveries" in words


def test_the_figures_are_those_of_the_proof_and_the_log():
    log = log_of(10, cold=(6,), turned=(3, 6))
    found = judged(log)
    words = text(proof_sheet(proof(log)))
    assert f"{found.days_credited} hot days, {found.longest_run_days} of them in a row" in words
    for day in found.days:
        if day.lowest_temp_c is not None:
            assert f" {math.floor(10 * day.lowest_temp_c) / 10} " in words
    assert "At the earliest on " in words


@pytest.mark.parametrize("rule", list(rules()))
@pytest.mark.parametrize("units", ["us", "metric"])
def test_every_rule_prints_and_only_met_says_met(rule, units):
    found = judged(log_of(), rule)
    made = proof_sheet(proof(rule=rule), units=units)
    words = text(made)
    says = {"met": "Met on", "not met": "Not met", "not yet": "Not yet met",
            "cannot be shown": "Cannot be shown"}  # fmt: skip
    assert says[found.verdict] in words
    assert ("Met on" in words) == (found.verdict == "met")
    assert rule in words
    assert "--" not in words  # no option of the command line


def test_on_paper_a_person_states_what_a_command_would_take_as_an_option():
    words = text(proof_sheet(proof(rule="US-PFRP-V", stated={"method": None})))
    assert "The log does not say that it is a vessel; state the method: vessel." in words
    words = text(proof_sheet(proof(rule="CA-A", stated={"method": "aerated"})))
    assert "cover of 15.24 cm; state its depth and log “covered”." in words


def test_two_logs_are_as_good_as_the_weaker():
    made = proof_sheet(proof(log_of(), log_of(6, turned=(2,))))
    words = text(made)
    assert "each has to meet the rule" in words
    assert "Log 1 of 2: Met" in words
    assert "Log 2 of 2: Not yet met" in words
    assert "Not yet met What the log shows" in words
    assert "Met on" not in words
    both = proof_sheet(proof(log_of(), log_of(20, temp_c=60.0)))
    assert "Met on 17 Mar 2026" in text(both)


def test_an_empty_log_proves_nothing():
    made = proof_sheet(proof(log_of(0, turned=())))
    words = text(made)
    assert "Met on" not in words
    assert "no reading" in words


def test_more_points_than_columns_shows_the_lowest_of_all():
    points = tuple(f"p{n}" for n in range(9))
    words = text(proof_sheet(proof(log_of(points=points))))
    assert "4 Thu 5 Mar 62.4 1 3 every point" in words
    assert "9 points, all of them every day" in words


def test_a_rule_from_memory_says_that_it_is():
    rule = next(one.id for one in rules().values() if one.mark == "from memory")
    assert "From memory, to be checked before relying on it" in text(proof_sheet(proof(rule=rule)))


def test_the_pdf_is_tagged_titled_and_its_boxes_described():
    made = proof_sheet(proof())
    pdf = reader(made)
    assert pdf.metadata.title == "Proof of lot K-041 by NY-W"
    assert pdf.trailer["/Root"]["/Lang"] == "en"
    assert b"<pdfuaid:part>1<" in pdf.xmp_metadata.stream.get_data()
    assert {"/H1", "/H2", "/H3", "/Table", "/TH", "/Figure"} <= kinds(made)
    (boxes,) = alternatives(made)
    assert "Mon 2 Mar no reading, Tue 3 Mar counts" in boxes


@pytest.mark.parametrize("hostile", HOSTILE)
def test_hostile_text_is_printed_as_it_is(hostile):
    data = proof(
        log_of(points=(hostile, "2")), site=hostile, place=hostile,
        made_of=made_of(2, material=hostile, source=hostile),
    )  # fmt: skip
    made = proof_sheet(data, paper="letter")
    shown = squeezed("".join(c for c in hostile if c not in "\x00\x07\u202e\ud800"))
    read = squeezed(text(made))
    assert "Meton17Mar2026" in read
    if "堆" not in hostile:
        assert read.count(shown) >= 6


def test_proofs_by_different_rules_or_of_nothing_are_refused():
    first, second = proof(), proof(rule="US-FDA-T")
    with pytest.raises(InputError, match="by one rule"):
        proof_sheet(type(first)(site="x", lot_code="K", place="", printed_at=first.printed_at,
                                logs=first.logs + second.logs))  # fmt: skip
    with pytest.raises(InputError, match="has no log"):
        proof_sheet(type(first)(site="x", lot_code="K", place="", printed_at=first.printed_at,
                                logs=()))  # fmt: skip


def test_every_print_of_a_proof_carries_the_word_evidence_on_its_first_page():
    first = pages(proof_sheet(proof()))[0]
    assert "evidence of the process, not a laboratory result" in first
