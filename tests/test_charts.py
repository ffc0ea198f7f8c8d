"""Charts: what is drawn is what the table says, an interval stands with every share, and nothing comes from outside."""

from __future__ import annotations

import json
from pathlib import Path

import cv2
import numpy as np
import pandas as pd
import pytest

from scorer.charts.look import CLAY
from scorer.charts.on_page import ROW_PX, shares_to_pick
from scorer.charts.reliability import said_against_true
from scorer.charts.shares import chart_of_kinds, chart_of_shares
from scorer.charts.write import ENDINGS, picture_of, write_chart
from scorer.crews.breakdown import shares_by_kind
from scorer.crews.shares import defect_share
from tests.test_breakdown import season


@pytest.fixture(scope="module")
def shares() -> pd.DataFrame:
    return defect_share(season(), cluster="lot")


def test_every_crew_has_its_point_and_its_interval(shares: pd.DataFrame) -> None:
    drawn = chart_of_shares(shares).to_dict()
    marks = [(layer["mark"]["type"], layer["encoding"]) for layer in drawn["layer"]]
    (interval,) = (encoding for mark, encoding in marks if mark == "rule")
    assert (interval["x"]["field"], interval["x2"]["field"]) == ("low", "high")
    (point,) = (encoding for mark, encoding in marks if mark == "point")
    assert point["x"]["field"] == "share"
    (rows,) = drawn["datasets"].values()
    assert [row["crew"] for row in rows] == list(shares["crew"])


def test_the_target_is_drawn_and_said(shares: pd.DataFrame) -> None:
    text = json.dumps(chart_of_shares(shares, target=0.05).to_dict(), ensure_ascii=False)
    assert "Dashed line: the target, 5 %." in text
    assert CLAY in text


def test_a_crew_without_fruit_is_not_drawn_as_faultless() -> None:
    fruit = season().assign(crew=lambda table: pd.Categorical(table["crew"], ["Brolga", "Curlew", "Quandong"]))
    (rows,) = chart_of_shares(defect_share(fruit, cluster="lot")).to_dict()["datasets"].values()
    assert {row["crew"] for row in rows} == {"Brolga", "Curlew"}


@pytest.mark.parametrize("ending", ENDINGS)
def test_a_chart_is_a_file_of_its_kind_with_nothing_from_outside(
    shares: pd.DataFrame, tmp_path: Path, ending: str
) -> None:
    path = tmp_path / f"shares{ending}"
    write_chart(chart_of_shares(shares), path)
    data = path.read_bytes()
    assert data.startswith({".png": b"\x89PNG", ".svg": b"<svg", ".pdf": b"%PDF"}[ending])
    if ending == ".svg":
        assert "Brolga" in path.read_text()
        assert 'href="http' not in path.read_text()


def test_words_are_drawn_and_not_left_out_for_want_of_a_font(shares: pd.DataFrame) -> None:
    """The row of the title holds ink: an unknown font would leave it empty."""
    picture = cv2.imdecode(np.frombuffer(picture_of(chart_of_shares(shares), ppi=72), np.uint8), cv2.IMREAD_GRAYSCALE)
    assert (picture[8:26] < 100).sum() > 300


def test_kinds_are_panels_with_intervals() -> None:
    drawn = chart_of_kinds(shares_by_kind(season())).to_dict()
    assert drawn["facet"]["sort"] == ["sap burn", "abrasion", "cut", "stem puncture", "crease", "unsure"]
    assert {layer["mark"]["type"] for layer in drawn["spec"]["layer"]} == {"rule", "point"}


@pytest.mark.parametrize("target", [None, 0.05])
def test_rows_of_a_page_keep_their_height_however_many_there_are(shares: pd.DataFrame, target: float | None) -> None:
    """Drawn by Vega itself: dark points lie a row apart, and scale and title take nothing from that."""
    many = pd.concat([shares.assign(crew=shares["crew"] + ending) for ending in ("", " two", " three")])
    for table in (shares, many):
        chart = shares_to_pick(table, str, target=target).properties(width=600)
        picture = cv2.imdecode(np.frombuffer(picture_of(chart, ppi=72), np.uint8), cv2.IMREAD_GRAYSCALE)
        disc = cv2.morphologyEx((picture < 60).astype(np.uint8), cv2.MORPH_OPEN, np.ones((8, 8), np.uint8))
        count, _, _, centres = cv2.connectedComponentsWithStats(disc)
        assert count - 1 == len(table)
        assert np.diff(np.sort(centres[1:, 1])) == pytest.approx(ROW_PX, abs=1)


def test_probabilities_that_hold_lie_on_the_line_and_each_point_has_its_number() -> None:
    """A reliability diagram: Murphy and Winkler 1977, Applied Statistics 26: 41-47 (from memory)."""
    points = pd.DataFrame({"said": [0.1, 0.9], "true": [0.2, 0.85], "n": [40, 12]})
    drawn = said_against_true(points, str.upper).to_dict()
    line, _, point, number = drawn["layer"]
    ends = [(row["said"], row["true"]) for row in drawn["datasets"][line["data"]["name"]]]
    assert ends == [(0, 0), (1, 1)]
    encoded = {name: point["encoding"][name]["field"] for name in ("x", "y")}
    assert (encoded, number["encoding"]["text"]["field"]) == ({"x": "said", "y": "true"}, "n")
    assert {tuple(point["encoding"][name]["scale"]["domain"]) for name in ("x", "y")} == {(0, 1)}
    assert point["encoding"]["x"]["title"] == "SAID: PROBABILITY OF BEING A MARK"
    assert picture_of(said_against_true(points, str).properties(width=300), ppi=72).startswith(b"\x89PNG")
