"""The figures on a card as tables: as fitting writes them, and whatever another hand may have written there."""

from __future__ import annotations

import math
from typing import Any

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from scorer.kinds import load_model
from scorer.model_shelf.card_figures import (
    compared_with_shipped,
    is_found_worse,
    kind_figures,
    reliability,
    whole_figures,
)
from scorer.model_shelf.compare import Judged
from scorer.model_shelf.figures import calibration_of, figures_of

FRUIT = pd.DataFrame(
    {
        "tray": ["a", "a", "b", "b"],
        "fruit": [1, 2, 1, 2],
        "true_downgraded": pd.array([True, False, True, True], dtype="boolean"),
        "said_downgraded": [True, False, False, True],
        "true_brown_mm2": [10.0, 0.0, 40.0, 20.0],
        "said_brown_mm2": [12.0, 0.0, 30.0, 20.0],
    }
)
MARKS = pd.DataFrame(
    {
        "tray": ["a", "b", "b"],
        "fruit": [1, 1, 2],
        "true_kind": ["cut", "cut", "not_a_mark"],
        "said_kind": ["cut", "not_a_mark", "cut"],
    }
)


@pytest.fixture
def card() -> dict[str, Any]:
    """What fitting writes of four fruit and two cuts."""
    said = pd.DataFrame({"not_a_mark": [0.95, 0.05, 0.08]})
    learned = pd.DataFrame({"kind": ["not_a_mark", "cut", "cut"]})
    figures = figures_of(Judged("x", FRUIT, MARKS))
    return {
        "figures_held_out": figures | calibration_of(learned, said),
        "figures_of_the_shipped_model": figures,
        "compared": {"verdict": "worse", "sentence": "Worse, on 4 labelled fruit of 2 trays."},
    }


def test_what_fitting_writes_is_read_back(card: dict[str, Any]) -> None:
    kinds = kind_figures(card).set_index("kind")
    # of two cuts one is found, and one other thing is called a cut: precision, recall and F1 are all 1/2
    assert kinds.loc["cut", ["n", "f1_value", "precision_value", "recall_value"]].to_list() == [2, 0.5, 0.5, 0.5]
    assert math.isnan(kinds.loc["crease", "recall_value"])
    whole = whole_figures(card).set_index(["figure", "of_shipped"])["value"]
    assert whole["verdicts_right", False] == whole["verdicts_right", True] == 0.75
    assert whole["brown_error_mm2", False] == pytest.approx((2 + 0 + 10 + 0) / 4)
    points = reliability(card)
    assert points["n"].to_list() == [1, 2]
    assert points["true"].to_list() == [0.0, 1.0]
    assert is_found_worse(card)
    assert compared_with_shipped(card).startswith("Worse, on 4")


def test_the_shipped_model_has_a_card_without_a_sheds_own_figures() -> None:
    card = load_model().card
    assert kind_figures(card).empty
    assert reliability(card).empty
    assert not is_found_worse(card)


_ANYTHING = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(
            st.sampled_from(
                ["per_kind", "cut", "f1", "value", "low", "n", "said", "true", "reliability", "verdicts_right"]
            ),
            inner,
            max_size=4,
        )
    ),
    max_leaves=12,
)


@given(held_out=_ANYTHING, shipped=_ANYTHING, said=_ANYTHING)
def test_whatever_stands_on_a_card_it_is_a_table(held_out: Any, shipped: Any, said: Any) -> None:
    card = {
        "figures_held_out": held_out,
        "figures_of_the_shipped_model": shipped,
        "compared": {"sentence": said, "verdict": said},
    }
    points = reliability(card)
    assert points.empty or points["said"].between(0, 1).all()
    assert set(kind_figures(card)["kind"]) <= {"cut"}
    assert len(whole_figures(card)) <= 6
    assert isinstance(compared_with_shipped(card), str)
