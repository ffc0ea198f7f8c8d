"""Mass by the published regressions, and the size codes that follow."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from scorer.limits import available_limits, load_limits
from scorer.mass import THICKNESS_PER_WIDTH, mass_g, size_code

dimensions = st.floats(20, 250)


# Horticulturae 2023, 9(1), 54 (abstract): 0.5472 L W T and 0.5439 L ((W + T) / 2)^2, in cm and g; L 12.0,
# W 8.0, T 7.2 cm worked by hand.
def test_mass_of_the_worked_example():
    assert mass_g(120, 80, 72) == pytest.approx(378.22, abs=0.005)
    assert pytest.approx(72) == THICKNESS_PER_WIDTH * 80  # so that this is the same fruit without its thickness
    assert mass_g(120, 80) == pytest.approx(376.99, abs=0.005)


# An ellipsoid of 12.0 x 8.0 x 7.2 cm holds pi / 6 of its box, 361.9 cm3; a mango weighs about 1 g/cm3 and a
# little more (common practice, no source), which both formulas must agree with.
@given(dimensions, st.floats(0.55, 0.95), st.floats(0.8, 1.0))
def test_mass_is_that_of_an_ellipsoid_of_fruit(length_mm, width_share, thickness_share):
    width_mm = length_mm * width_share
    volume_cm3 = math.pi / 6 * length_mm * width_mm * width_mm * thickness_share / 1000
    assert 1.0 < mass_g(length_mm, width_mm, width_mm * thickness_share) / volume_cm3 < 1.1
    assert 0.9 < mass_g(length_mm, width_mm) / (volume_cm3 / thickness_share * THICKNESS_PER_WIDTH) < 1.1


@given(dimensions, dimensions, st.floats(1.01, 2))
def test_mass_grows_with_the_cube_of_the_size(length_mm, width_mm, larger):
    assert mass_g(length_mm * larger, width_mm * larger) == pytest.approx(mass_g(length_mm, width_mm) * larger**3)


@pytest.mark.parametrize("dimension", [0.0, -1.0, math.nan, math.inf])
def test_impossible_dimensions_are_refused(dimension):
    for given_mm in ((dimension, 80.0), (120.0, dimension), (120.0, 80.0, dimension)):
        with pytest.raises(ValueError, match="above 0 mm"):
            mass_g(*given_mm)


# CXS 184-1993: A 200-350, B 351-550, C 551-800 g; FFV-45: A from 100 g, D over 800 g (from memory).
# Indian grading rules: A 100-200, B 201-350, C 351-550, D 551-800 g (from memory).
@pytest.mark.parametrize(
    ("table", "codes"),
    [
        ("cxs_184", ["", "", "", "A", "A", "A", "B", "B", "C", "C", ""]),
        ("ffv_45", ["", "A", "A", "A", "A", "A", "B", "B", "C", "C", "D"]),
        ("indian_grading", ["", "A", "A", "A", "B", "B", "C", "C", "D", "D", ""]),
        ("shed", [""] * 11),
    ],
)
def test_size_codes_of_the_published_tables(table, codes):
    masses = [99, 100, 199, 200, 201, 350, 351, 550, 551, 800, 801]
    assert [size_code(mass, load_limits(table)) for mass in masses] == codes


def test_masses_between_two_whole_grams_are_rounded():
    limits = load_limits("cxs_184")
    assert [size_code(mass, limits) for mass in (199.49, 199.5, 350.49, 350.5)] == ["", "A", "A", "B"]


@given(st.floats(100, 800))
def test_every_mass_within_the_sizes_has_a_code(mass):
    for name in available_limits():
        limits = load_limits(name)
        if limits.size_codes and mass >= limits.size_codes[0].from_g:
            assert size_code(mass, limits)
