"""Which found fruit may be learned from: whole fruit do, pieces of floor and badly parted fruit do not."""

from pathlib import Path

import numpy as np
import pytest

from scorer.training.labelled import LabelledTray

TRUE_FRUIT = np.zeros((120, 200), np.uint16)
TRUE_FRUIT[20:100, 20:80] = 1
TRUE_FRUIT[20:100, 80:140] = 2
TRAY = LabelledTray(Path("tray.jpg"), TRUE_FRUIT, np.zeros_like(TRUE_FRUIT), {})


def found(rows: slice, columns: slice) -> np.ndarray:
    mask = np.zeros(TRUE_FRUIT.shape, bool)
    mask[rows, columns] = True
    return mask


@pytest.mark.parametrize(
    ("rows", "columns"),
    [
        pytest.param(slice(20, 100), slice(20, 80), id="the fruit itself"),
        pytest.param(slice(20, 100), slice(22, 78), id="all but a thin rim"),
        pytest.param(slice(19, 101), slice(80, 142), id="a thin rim too many"),
    ],
)
def test_a_fruit_found_nearly_whole_is_learned_from(rows, columns):
    assert TRAY.is_one_fruit(found(rows, columns))


@pytest.mark.parametrize(
    ("rows", "columns"),
    [
        pytest.param(slice(20, 100), slice(150, 200), id="a piece of floor"),
        pytest.param(slice(20, 60), slice(20, 80), id="half a fruit"),
        pytest.param(slice(20, 100), slice(20, 140), id="two fruit in one"),
        pytest.param(slice(20, 100), slice(80, 155), id="a fruit with floor beside it"),
        pytest.param(slice(0, 0), slice(0, 0), id="nothing"),
    ],
)
def test_what_is_not_one_whole_fruit_is_not_learned_from(rows, columns):
    assert not TRAY.is_one_fruit(found(rows, columns))


def test_the_found_fruit_may_be_at_the_smaller_size_at_which_photos_are_scored():
    half = np.zeros((60, 100), bool)
    half[10:50, 10:40] = True

    assert TRAY.is_one_fruit(half)
    assert not TRAY.is_one_fruit(np.roll(half, 15, axis=1))
