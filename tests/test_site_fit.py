"""Fitting on a site's labels: what is refused, what decides thresholds and limits, and a whole fit on drawn trays."""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from pycocotools import mask as coco_mask

from scorer.access.roles import Person, Role
from scorer.errors import AccessError, LabelsError
from scorer.kinds import NOT_A_MARK, load_model
from scorer.labels.labels import Labels, label_table, no_labels
from scorer.labels.photos_there import photos_in_folders
from scorer.marks.measure import MEASURES
from scorer.model_shelf.compare import NO_EVIDENCE
from scorer.model_shelf.doubtful_proposals import doubtful_proposals
from scorer.model_shelf.held_out import SiteTrays
from scorer.model_shelf.history import in_use, promote
from scorer.model_shelf.shelf import Shelf, kept_models
from scorer.model_shelf.site_model import Wishes, fit_on_labels, shipped_base
from scorer.resources import models_folder
from scorer.simulate import MARK_KINDS, TraySettings
from scorer.simulate.tray_set import simulate_trays
from scorer.training.labelled import read_labelled
from scorer.training.measured import FRUIT_COLUMNS, MARK_COLUMNS, MeasuredTrays, measure_trays
from scorer.training.model_folder import learned_from
from scorer.training.site_fit import DRAWN_TIMES, Base, cheapest, fit_site, must_teach, sure_for
from scorer.training.site_look import LOOK_COLUMNS
from scorer.training.site_trays import outlined_trays
from scorer.training.thresholds import AS_SHIPPED, CHOICES, Thresholds

ANALYST = Person("Finch", frozenset({Role.ANALYST}))
LEARNED = learned_from(models_folder() / "marks")
BUSY = TraySettings(image_size=(1200, 900), fruit=5, habits=dict.fromkeys(MARK_KINDS, 0.4), lookalikes=1.0)


@pytest.fixture(scope="module")
def base() -> Base:
    """The shipped model, having learned from little and with few trees, so that a fit takes no time."""
    whole = shipped_base()
    rows = np.random.default_rng(0).permutation(len(whole.before.rows))[:1200]
    before = replace(
        whole.before,
        rows=whole.before.rows[rows],
        classes=whole.before.classes[rows],
        weights=whole.before.weights[rows],
    )
    return replace(whole, before=before, rounds=20)


def measured(trays: int) -> MeasuredTrays:
    """Proposals of some trays that the shipped model learned from, as if a site had labelled them."""
    chosen = [tray for tray, own in LEARNED.groupby("tray") if (own["kind"] != NOT_A_MARK).sum() > 2][:trays]
    proposals = LEARNED[LEARNED["tray"].isin(chosen)].reset_index(drop=True)
    proposals = proposals.assign(true_label=np.where(proposals["kind"] == NOT_A_MARK, 0, proposals.index + 1))
    marks = proposals[proposals["kind"] != NOT_A_MARK].assign(contrast_delta_e=np.inf, proposed=True)
    fruit = proposals[["tray", "who", "fruit"]].drop_duplicates()
    fruit = fruit.assign(visible_area_mm2=7000.0, length_mm=110.0, width_mm=80.0, whole=True)
    fruit = fruit.assign(**dict.fromkeys(LOOK_COLUMNS, np.nan))
    return MeasuredTrays(proposals, marks[list(MARK_COLUMNS)], fruit[list(FRUIT_COLUMNS)])


def test_two_trays_one_class_and_no_marks_are_refused_in_words() -> None:
    with pytest.raises(LabelsError, match="The labels are on 2 trays; label fruit on at least 3"):
        must_teach(measured(2))
    some = measured(5)
    clean = MeasuredTrays(some.proposals[some.proposals["kind"] == NOT_A_MARK], some.marks.head(0), some.fruit)
    with pytest.raises(LabelsError, match="The labels name no marks that the detector sees; label at least 3"):
        must_teach(clean)
    only = MeasuredTrays(some.proposals[some.proposals["kind"] != NOT_A_MARK], some.marks, some.fruit)
    with pytest.raises(LabelsError, match="The labels name nothing that is not a mark"):
        must_teach(only)


def test_the_same_labels_and_seed_give_the_same_fit(base: Base) -> None:
    some = measured(6)
    fits = [fit_site({AS_SHIPPED: some}, base, seed=seed) for seed in (3, 3, 4)]
    pd.testing.assert_frame_equal(fits[0].held_out, fits[1].held_out)
    assert fits[0].sure_from == fits[1].sure_from
    assert not fits[0].held_out.equals(fits[2].held_out)


def test_drawn_trays_are_learned_from_beside_what_the_shipped_model_learned_from(base: Base) -> None:
    drawn = measured(2)
    before, known = base.before, drawn.known
    after = base.having_seen(drawn).before
    np.testing.assert_array_equal(after.rows[: len(before.rows)], before.rows)
    np.testing.assert_array_equal(after.weights[len(before.rows) :], np.full(len(known), DRAWN_TIMES))
    assert len(after.rows) == len(after.classes) == len(before.rows) + len(known)
    assert set(after.classes[len(before.rows) :]) == set(known["kind"])
    assert base.having_seen(drawn).model is base.model
    assert base.having_seen(drawn).own_times > DRAWN_TIMES, "what people said counts for more than what was drawn"


def test_other_thresholds_are_chosen_only_where_they_save_more_than_chance_might() -> None:
    trays = [f"t{i}" for i in range(10)]
    first = pd.Series(10.0, index=trays)
    saves = first - 3 + pd.Series(np.tile([1.0, -1.0], 5), index=trays)
    by_chance = first - 1 + pd.Series(np.tile([9.0, -9.0], 5), index=trays)
    fewer, more = CHOICES[1], CHOICES[2]
    assert cheapest({AS_SHIPPED: first, fewer: saves, more: by_chance}) == fewer
    assert cheapest({AS_SHIPPED: first, more: by_chance}) == AS_SHIPPED
    assert cheapest({AS_SHIPPED: first, Thresholds(9.0, 9.0): first + 1}) == AS_SHIPPED


@pytest.mark.parametrize("wanted", [0.02, 0.1, 0.3])
def test_the_limit_of_sureness_keeps_wrong_kinds_to_what_was_wanted(wanted: float) -> None:
    rng = np.random.default_rng(7)
    sure = rng.uniform(0.3, 1.0, 4000)
    right = rng.random(4000) < sure
    held_out = pd.DataFrame(
        0.0, index=range(4000), columns=["abrasion", "crease", "cut", NOT_A_MARK, "sap_burn", "stem_puncture"]
    )
    held_out["cut"], held_out["crease"] = sure, 1 - sure
    held_out = held_out.where(held_out != held_out["cut"].to_numpy()[:, None], held_out)
    best = np.where(sure >= 0.5, "cut", "crease")
    kinds = np.where(right, best, np.where(best == "cut", "crease", "cut"))
    limit = sure_for(pd.DataFrame({"kind": kinds}), held_out, load_model(), wanted)
    named = np.maximum(sure, 1 - sure) >= limit
    assert (kinds[named] != best[named]).mean() <= wanted
    lower = np.maximum(sure, 1 - sure) >= limit - 0.05
    assert (kinds[lower] != best[lower]).mean() > wanted or limit <= 0.5
    few = sure_for(pd.DataFrame({"kind": kinds[:20]}), held_out.head(20), load_model(), wanted)
    assert few == load_model().sure_from  # twenty marks cannot tell


def test_turned_labels_are_pointed_out_and_nothing_is_dropped(base: Base) -> None:
    some = measured(40)
    lines = some.proposals.index[some.proposals["kind"].isin(["cut", "sap_burn"])]
    turned = np.random.default_rng(2).choice(lines, 12, replace=False)
    kinds = some.proposals["kind"].copy()
    kinds[turned] = NOT_A_MARK
    labelled = MeasuredTrays(some.proposals.assign(kind=kinds), some.marks, some.fruit)
    trays = SiteTrays((), {AS_SHIPPED: labelled}, None, {})
    doubted = doubtful_proposals(trays, replace(base, rounds=100))
    key = ["tray", "fruit", "area_mm2"]
    of_turned = pd.MultiIndex.from_frame(some.proposals.loc[turned, key])
    found = of_turned.isin(pd.MultiIndex.from_frame(doubted[key]))
    assert found.sum() >= 6  # of 12; by chance it would be fewer than one
    assert len(doubted) < 0.1 * len(some.proposals)
    assert len(labelled.proposals) == len(some.proposals)


@pytest.fixture(scope="module")
def labelled_site(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Labels]:
    """Six small simulated trays, all of whose marks one person outlined as they truly are."""
    folder = tmp_path_factory.mktemp("site")
    photos = simulate_trays(folder, trays=6, seed=81, jobs=1, settings=BUSY)
    there = {photo.path.stem: photo for photo in photos_in_folders([folder / "photos"]).values()}
    said_at = pd.Timestamp("2026-02-03T08:00", tz="UTC")
    looked_at, outlines = [], []
    for photo in photos:
        truth, sha256 = read_labelled(photo), there[photo.stem].sha256
        about = {"sha256": sha256, "who": "Wattle", "said_at": said_at, "source": "drawn"}
        looked_at.append(about)
        for label, mark in truth.marks.items():
            outlines.append(about | {"kind": mark.kind} | outline_of(truth.mark_mask == label))
    return folder / "photos", replace(
        no_labels(), photos=label_table("photos", looked_at), outlines=label_table("outlines", outlines)
    )


def outline_of(mask: np.ndarray) -> dict[str, object]:
    rle = coco_mask.encode(np.asfortranarray(mask.astype(np.uint8)))
    return {"size_px": mask.shape[::-1], "rle": rle["counts"].decode("ascii")}


def test_outlines_measure_as_the_truth_that_they_were_drawn_from(
    labelled_site: tuple[Path, Labels], base: Base
) -> None:

    folder, labels = labelled_site
    trays = outlined_trays(labels, photos_in_folders([folder]))
    truth = [partial(read_labelled, tray.photo.path) for tray in trays]
    by_outline, by_truth = (measure_trays(each, [base.model.discriminant])[0] for each in (trays, truth))
    seen = [set(zip(one.known["area_mm2"].round(6), one.known["kind"], strict=True)) for one in (by_outline, by_truth)]
    # the truth knows which marks are too faint to be learned from; whoever outlines one has seen it
    assert seen[1] <= seen[0]
    # nobody outlined fruit, so all that were found count, also those that the truth knows for pieces
    assert set(by_truth.marks["area_mm2"].round(6)) <= set(by_outline.marks["area_mm2"].round(6))


def test_a_site_fits_a_model_and_may_put_it_to_use(
    labelled_site: tuple[Path, Labels], base: Base, tmp_path: Path
) -> None:
    folder, labels = labelled_site
    shelf, photos = Shelf(tmp_path / "models"), photos_in_folders([folder])
    with pytest.raises(AccessError, match="may not train and compare models"):
        fit_on_labels(Person("Reed", frozenset({Role.OFFICER})), shelf, labels, photos, name="home")
    others = [tmp_path / "not_a_photo.jpg", next(iter(photos.values())).path]
    wishes = Wishes(seed=1, drawn_trays=1)
    done = fit_on_labels(ANALYST, shelf, labels, photos, name="home", base=base, others=others, wishes=wishes)
    assert [one.trouble for one in kept_models(shelf)] == ["", ""]
    card = done.kept.card
    assert done.comparison is not None
    assert (done.comparison.trays, done.comparison.verdict) == (6, NO_EVIDENCE)
    assert card["labels_sha256"] == labels.newest().sha256
    assert card["labels_on_photos"] == sorted(photos)
    assert card["adapted_from"] == base.model.sha256
    assert card["look_drawn_trays"] == 1
    assert card["look_told_by_other_photos"] == 1, "the other one cannot be opened"
    assert np.shape(card["look_skin_between_srgb"]) == np.shape(card["look_floor_between_srgb"]) == (2, 3)
    assert abs(card["look_colour_cast"]) < 1
    assert set(card["figures_held_out"]) >= {"per_kind", "verdicts_right", "brown_error_mm2", "brier", "reliability"}
    assert "home" in (done.kept.folder / "card.md").read_text()
    promote(ANALYST, shelf, done.kept.name, "to see it work")
    model = load_model(in_use(shelf))
    assert model.sha256 == done.kept.sha256 != load_model().sha256
    assert set(learned_from(done.kept.folder)["who"]) == {"Wattle"}
    assert list(MEASURES) == card["measures"]
