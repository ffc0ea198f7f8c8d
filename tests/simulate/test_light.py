"""Light over a tray: drawn within what its kind allows, and as often as wanted."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from scorer.simulate.light import draw_light
from scorer.simulate.settings import LightKind, TraySettings

BARE_BULB = LightKind("bare bulb", (2800, 3200), (0.1, 0.2), (0.005, 0.03), (1, 1))
CLOUDS = LightKind("clouds", (5500, 7500), (0.6, 0.9), (0.2, 0.5), (2, 3))


@pytest.mark.parametrize("kind", [BARE_BULB, CLOUDS], ids=lambda kind: kind.name)
@given(st.integers(0, 2**32))
def test_a_light_is_drawn_within_its_kind(kind: LightKind, seed: int) -> None:
    lights = tuple((each, float(each is kind)) for each in (BARE_BULB, CLOUDS))
    rig = draw_light(np.random.default_rng(seed), TraySettings(lights=lights))
    assert rig.name == kind.name
    assert kind.kelvin[0] <= rig.kelvin <= kind.kelvin[1]
    assert kind.lamps[0] <= len(rig.lamps) <= kind.lamps[1]
    for lamp in rig.lamps:
        assert kind.lamp_radius_rad[0] <= lamp.size <= kind.lamp_radius_rad[1]
    # Rec. ITU-R BT.709-6, table 1: luminance of linear blue, green and red; four decimals are off by up to 0.0002
    ambient_share = rig.ambient @ [0.0722, 0.7152, 0.2126]
    assert 0.9998 * kind.ambient_share[0] <= ambient_share <= 1.0002 * kind.ambient_share[1]


def test_kinds_of_light_are_drawn_as_often_as_wanted() -> None:
    settings = TraySettings(lights=((BARE_BULB, 0.25), (CLOUDS, 0.75)))
    rng = np.random.default_rng(3)
    cloudy = [draw_light(rng, settings).name == CLOUDS.name for _ in range(400)]
    assert np.mean(cloudy) == pytest.approx(0.75, abs=0.087)  # four standard errors of a share of 400 draws


@pytest.mark.parametrize("chances", [(), (0.9,), (0.5, 0.6), (-1.0, 2.0)])
def test_chances_that_do_not_add_up_to_one_are_refused(chances: tuple[float, ...]) -> None:
    with pytest.raises(ValueError, match="lights must be drawn with chances that add up to 1"):
        TraySettings(lights=tuple((CLOUDS, chance) for chance in chances))
