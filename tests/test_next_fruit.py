"""Which fruit to label next: the least sure ones, spread over trays, none twice."""

from __future__ import annotations

import numpy as np
import pandas as pd
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import entropy

from scorer.kinds import class_probabilities, load_model
from scorer.marks.measure import MEASURES
from scorer.resources import models_folder
from scorer.training.model_folder import learned_from
from scorer.training.next_fruit import OF_A_TRAY, next_fruit

MODEL = load_model()
TABLE = learned_from(models_folder() / "marks")
SOME = TABLE[TABLE["tray"].isin(sorted(set(TABLE["tray"]))[:20])].reset_index(drop=True)


def test_the_first_is_the_fruit_with_most_entropy() -> None:
    bits = entropy(class_probabilities(SOME[list(MEASURES)].to_numpy(float), MODEL), base=2, axis=1)  # scipy's entropy
    of_fruit = pd.Series(bits).groupby([SOME["tray"], SOME["fruit"]]).sum()
    first = next_fruit(SOME, MODEL, 1).iloc[0]
    assert (first["tray"], first["fruit"]) == of_fruit.idxmax()
    assert first["unsure_bits"] == of_fruit.max()


@settings(max_examples=25, deadline=None)
@given(count=st.integers(1, 60), of_a_tray=st.integers(1, 6), seed=st.integers(0, 99))
def test_no_tray_gives_more_than_its_share_and_no_fruit_comes_twice(count: int, of_a_tray: int, seed: int) -> None:
    labelled = {(str(row.tray), int(row.fruit)) for row in SOME.sample(30, random_state=seed).itertuples()}
    listed = next_fruit(SOME, MODEL, count, labelled=labelled, of_a_tray=of_a_tray)
    pairs = list(zip(listed["tray"], listed["fruit"], strict=True))
    assert len(pairs) == len(set(pairs)) <= count
    assert not set(pairs) & labelled
    assert listed["tray"].value_counts().max() <= of_a_tray
    assert np.all(np.diff(listed["unsure_bits"]) <= 0)


def test_the_order_of_the_photos_does_not_matter() -> None:
    other = SOME.sample(frac=1, random_state=1)
    pd.testing.assert_frame_equal(next_fruit(SOME, MODEL, 40), next_fruit(other, MODEL, 40), check_exact=False)


def test_without_proposals_nothing_is_listed() -> None:
    assert next_fruit(SOME.head(0), MODEL, 5).empty
    assert len(next_fruit(SOME, MODEL, 999)) <= OF_A_TRAY * 20
