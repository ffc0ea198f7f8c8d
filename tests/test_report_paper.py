"""The report as PDF, read back by another library (pypdf): every word is there, on every page the fair use."""

from __future__ import annotations

import io

import numpy as np
import pandas as pd
import pypdf
from hypothesis import given, settings
from hypothesis import strategies as st

from scorer.charts.shares import chart_of_shares
from scorer.charts.write import picture_of
from scorer.crew_report.paper import Section, report_pdf
from scorer.crews.shares import defect_share
from tests.test_breakdown import season

FAIR_USE = ["For coaching; not for pay or discipline on a sample of this size.", "Look for the cause with the crew."]


def pages(data: bytes) -> list[str]:
    return [" ".join(page.extract_text().split()) for page in pypdf.PdfReader(io.BytesIO(data)).pages]


def test_sections_flow_over_pages_with_the_fair_use_on_each() -> None:
    chart = picture_of(chart_of_shares(defect_share(season(), cluster="lot")))
    table = pd.DataFrame({"crew": [f"Crew {n}" for n in range(80)], "share": ["5 %"] * 80})
    data = report_pdf(
        "Crew figures",
        "March 2026",
        FAIR_USE,
        [Section("Defective fruit", ["What it says."], [chart]), Section("Days", table=table, notes=["A note."])],
    )
    read = pages(data)
    assert len(read) >= 3
    assert all(FAIR_USE[0] in page for page in read)
    assert "Look for the cause with the crew." in read[0]
    whole = " ".join(read)
    for words in ("Crew figures", "Defective fruit", "What it says.", "A note.", "Crew 0", "Crew 79"):
        assert words in whole
    assert sum(page.count("crew share") for page in read) >= 2, "the head of a table stands on each of its pages"


def test_the_same_report_has_the_same_bytes() -> None:
    sections = [Section("A", ["b"], table=pd.DataFrame({"c": ["d"]}))]
    assert report_pdf("Crew figures", "", FAIR_USE, sections) == report_pdf("Crew figures", "", FAIR_USE, sections)


@settings(max_examples=30, deadline=None)
@given(st.text(st.characters(min_codepoint=33, max_codepoint=0x24F), min_size=1, max_size=200))
def test_any_name_of_a_crew_is_text_and_breaks_nothing(name: str) -> None:
    table = pd.DataFrame({"crew": [name, "<b>&amp;"], "share": ["5 %", "-"]})
    read = pages(report_pdf("Crew figures", name, FAIR_USE, [Section(name, [name], table=table, notes=[name])]))
    assert np.any(["<b>&amp;" in page for page in read])
