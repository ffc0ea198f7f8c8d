"""How hard a site's light is: shades measured under lights that are known, and shares of lights found from them."""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from scorer.kinds import load_model
from scorer.simulate import MARK_KINDS, TraySettings
from scorer.simulate.settings import LightKind
from scorer.simulate.tray_set import simulate_trays
from scorer.training.drawn_trays import in_its_light
from scorer.training.labelled import read_labelled
from scorer.training.measured import measure_trays
from scorer.training.site_light import SHADE_COLUMNS, light_chances, tray_shades
from scorer.training.site_look import SiteLook, look_of

SMALL = TraySettings(
    image_size=(1000, 750),
    fruit=2,
    habits=dict.fromkeys(MARK_KINDS, 0.0),
    lookalikes=0.0,
    look="yellow",
    floor="grey",
    card=True,
)


def seen_under(light: str, folder: Path, trays: int = 4) -> SiteLook:
    settings = replace(SMALL, light=light)
    photos = simulate_trays(folder / light, trays=trays, seed=5, jobs=1, settings=settings)
    measured = measure_trays([partial(read_labelled, photo) for photo in photos], [load_model().discriminant])[0]
    look = look_of(measured.fruit)
    assert look is not None
    assert len(look.shades) == trays
    return look


@pytest.fixture(scope="module")
def cloudy(tmp_path_factory: pytest.TempPathFactory) -> SiteLook:
    return seen_under("overcast", tmp_path_factory.mktemp("cloudy"))


def test_the_sun_leaves_a_dark_side_and_a_brighter_glint_than_clouds_do(cloudy: SiteLook, tmp_path: Path) -> None:
    # common practice, no source: a large soft light lights all sides, a small one leaves shade and glints
    sunny = np.array(seen_under("sun", tmp_path).shades)
    assert (np.median(sunny, axis=0) > np.median(cloudy.shades, axis=0)).all()


def told(look: SiteLook) -> dict[LightKind, float]:
    """How often each kind of light is found to lie over a look's trays."""
    found = in_its_light(replace(SMALL, skins=look.skins), look, of_each=3, seed=1)
    assert found.lights is not None
    assert sum(chance for _, chance in found.lights) == pytest.approx(1)
    return dict(found.lights)


def test_a_cloudy_sky_is_told_by_the_fruit_under_it(cloudy: SiteLook) -> None:
    chances = told(cloudy)
    # the simulator's cloudy sky gives 0.65 to 0.95 of the light from all around
    assert max(chances, key=chances.__getitem__).ambient_share == (0.6, 0.95)
    assert soft(chances) > 2 * hard(chances)


def test_the_sun_is_told_by_the_fruit_under_it(tmp_path: Path) -> None:
    chances = told(seen_under("sun", tmp_path))
    # the simulator's sun leaves 0.15 to 0.4 of the light to what comes from all around
    assert max(chances, key=chances.__getitem__).ambient_share[1] <= 0.35
    assert hard(chances) > 1.5 * soft(chances)


def soft(chances: dict[LightKind, float]) -> float:
    """Of a quarter of the kinds: those with the most light from all around."""
    return sum(chance for kind, chance in chances.items() if kind.ambient_share[0] >= 0.6)


def hard(chances: dict[LightKind, float]) -> float:
    """Of another quarter: those with the least."""
    return sum(chance for kind, chance in chances.items() if kind.ambient_share[1] <= 0.2)


def test_a_light_that_is_fixed_stays(cloudy: SiteLook) -> None:
    fixed = replace(SMALL, light="sun")
    assert in_its_light(fixed, cloudy, of_each=2, seed=1) == fixed


def test_one_tray_under_each_light_tells_nothing(cloudy: SiteLook) -> None:
    assert in_its_light(SMALL, cloudy, of_each=1, seed=1) == SMALL


def shades_around(middle: float, trays: int, seed: int) -> np.ndarray:
    return np.random.default_rng(seed).normal(middle, 0.1, (trays, len(SHADE_COLUMNS)))


DRAWN = [shades_around(middle, 40, seed) for seed, middle in enumerate((0.0, 1.0, 2.0))]


def test_shares_of_lights_that_are_told_apart_are_those_counted() -> None:
    site = np.vstack([shades_around(0.0, 30, 7), shades_around(2.0, 10, 8)])
    np.testing.assert_allclose(light_chances(site, DRAWN), np.array([30.5, 0.5, 10.5]) / 41.5, atol=1e-3)


@given(st.floats(-3, 5), st.integers(1, 3))
def test_few_trays_rule_no_light_out(middle: float, trays: int) -> None:
    chances = light_chances(np.full((trays, len(SHADE_COLUMNS)), middle), DRAWN)
    assert chances.sum() == pytest.approx(1)
    assert (chances >= 0.5 / (trays + 0.5 * len(DRAWN)) - 1e-9).all()


@given(st.permutations(range(6)))
def test_neither_the_order_of_fruit_nor_of_trays_matters(order: list[int]) -> None:
    fruit = pd.DataFrame(shades_around(1.0, 6, 3), columns=list(SHADE_COLUMNS)).assign(tray=list("aabbcc"))
    fruit.loc[5, list(SHADE_COLUMNS)] = np.nan
    shades = tray_shades(fruit)
    assert shades.shape == (3, len(SHADE_COLUMNS))
    np.testing.assert_array_equal(tray_shades(fruit.iloc[order]), shades)
