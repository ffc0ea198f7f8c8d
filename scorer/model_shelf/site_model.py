"""Fit a model to a site's labels, try it on trays it has not seen, and put it on the shelf with its card."""

from __future__ import annotations

import platform
import tempfile
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path
from typing import Any, Final

import numpy as np
import pandas as pd

from scorer.access.roles import Person, Right
from scorer.errors import LabelsError
from scorer.kinds import CLASSES, LIMITS_COUNT, load_model, load_parts
from scorer.labels.labels import Labels
from scorer.labels.photos_there import PhotoThere
from scorer.limits import load_limits
from scorer.marks.contrast import CONTRASTS
from scorer.marks.measure import MEASURES
from scorer.marks.propose import discriminant_from
from scorer.model_shelf.compare import Comparison, Judged, compare
from scorer.model_shelf.figures import calibration_of, figures_of
from scorer.model_shelf.held_out import SiteTrays, judge_held_out
from scorer.model_shelf.shelf import KeptModel, Shelf, add_model
from scorer.model_shelf.verdict_model import fit_verdicts
from scorer.resources import models_folder
from scorer.training.drawn_trays import draw_trays
from scorer.training.measured import MeasuredTrays, measure_trays, true_fractions
from scorer.training.model_folder import brown_quantiles, keep_model, learned_before, learned_from
from scorer.training.site_fit import Base, fit_site, must_teach
from scorer.training.site_look import look_of, looks_on_photos
from scorer.training.site_trays import OutlinedTray, named_marks, outlined_trays
from scorer.training.thresholds import AS_SHIPPED, CHOICES, Thresholds, moved
from scorer.tray import DEFAULT_LIMITS

LIMITS_OF_USE: Final = (
    "Fitted to one site's labels: other orchards, cultivars, trays and phones may look unlike, and it may know them "
    "less well than the shipped model does. Check by eye before a figure about people's work rests on it. Labels are "
    "people's words and may be wrong. One side of each fruit is seen. Names say what a mark looks like, not what "
    "caused it."
)
DRAWN_TRAYS: Final = 320
LOOK_PHOTOS: Final = 60
"""Photos without labels that are looked at, to see how the site's trays look."""
FEWEST_GROUPS: Final = 5
"""Crews and days from which they, and not trays alone, are kept on one side of a fold."""


@dataclass(frozen=True)
class Wishes:
    """What may be wished for when a model is fitted.

    Parameters
    ----------
    wanted_error : share of named marks that may have the wrong kind; None keeps the shipped limit.
    thresholds : whether the detector's thresholds are fitted too.
    limits : table by which verdicts are made.
    drawn_trays : so many trays are drawn that look like the site's, to be learned from as well.
    seed : decides every draw.
    jobs : fits and trays at once; they do not change what comes out.
    """

    wanted_error: float | None = None
    thresholds: bool = False
    limits: str = DEFAULT_LIMITS
    drawn_trays: int = DRAWN_TRAYS
    seed: int = 0
    jobs: int = 1


@dataclass(frozen=True)
class FittedOnSite:
    """A model on the shelf, and what is known of it.

    Parameters
    ----------
    kept : the model.
    comparison : with the shipped model, held out; None where no tray was labelled whole.
    sentence : the same in words.
    without_photo : labelled photos that are not there, and were left out.
    """

    kept: KeptModel
    comparison: Comparison | None
    sentence: str
    without_photo: int


def shipped_base() -> Base:
    """The shipped model to start from.

    Raises
    ------
    ModelError : its files are not whole.
    """
    folder = models_folder() / "marks"
    detector, _ = load_parts()
    return Base(load_model(), detector, learned_before(folder))


def fit_on_labels(
    person: Person,
    shelf: Shelf,
    labels: Labels,
    photos: Mapping[str, PhotoThere],
    *,
    name: str,
    base: Base | None = None,
    picked: pd.DataFrame | None = None,
    others: Sequence[Path] = (),
    wishes: Wishes | None = None,
    on_step: Callable[[str], None] = lambda step: None,
) -> FittedOnSite:
    """Fit the shipped model to labels, try it held out, and keep it.

    Parameters
    ----------
    labels, photos : what was said, and the photos it was said of, by SHA-256.
    name : what the model's folder is called.
    base : the model to start from; None is the shipped one.
    picked : crew and day of photos (sha256, crew, day); see ``scorer.records.pickings``.
    others : photos without labels, which tell of the look of the site's trays as well.
    on_step : told what is being done.

    Raises
    ------
    AccessError : the person may not train models.
    LabelsError : the labels are too few or say too little.
    ModelError, OutputError : the shipped model is not whole, this very model is kept already, or the shelf is full.
    """
    person.must(Right.TRAIN)
    wishes = wishes or Wishes()
    base, newest = base or shipped_base(), labels.newest()
    if newest.outlines.empty and newest.photos.empty and newest.named.empty and len(newest.verdicts):
        return _fit_on_verdicts(person, shelf, newest, photos, base, name, wishes, on_step)
    trays = site_trays(newest, photos, base, picked, wishes)
    as_shipped = trays.seen_by[AS_SHIPPED]
    must_teach(as_shipped, trays.named)
    base, about_look = _having_seen_drawn(base, as_shipped, others, wishes, on_step)
    on_step("fitting")
    fit = fit_site(
        trays.seen_by, base, named=trays.named, wanted_error=wishes.wanted_error, seed=wishes.seed, jobs=wishes.jobs
    )
    old, new = _tried(trays, base, wishes, on_step)
    comparison = compare(old, new) if old is not None and new is not None and len(old.fruit) else None
    crews = _crews(picked)
    card = _card(name, base, newest, wishes, fit.learned_from) | {
        "mark_from": fit.mark_from,
        "sure_from": fit.sure_from,
        "thresholds": asdict(fit.thresholds),
        **about_look,
        "fruit": len(trays.seen_by[fit.thresholds].fruit[["tray", "fruit"]].drop_duplicates()),
        "brown_fractions": _brown(trays.seen_by[fit.thresholds]),
        "figures_held_out": ({} if new is None else figures_of(new, crews=crews))
        | calibration_of(fit.learned_from, fit.held_out),
        "figures_of_the_shipped_model": {} if old is None else figures_of(old, crews=crews),
        "compared": {
            "with": base.model.sha256,
            "verdict": "" if comparison is None else comparison.verdict,
            "sentence": _said_of(comparison),
        },
    }
    kept = _keep(person, shelf, name, fit.detector, fit.classifier, card, fit.learned_from)
    return FittedOnSite(kept, comparison, _said_of(comparison), len(_spoken_of(newest) - set(photos)))


def _having_seen_drawn(
    base: Base, labelled: MeasuredTrays, others: Sequence[Path], wishes: Wishes, on_step: Callable[[str], None]
) -> tuple[Base, dict[str, Any]]:
    """The base having learned from trays drawn to look like those on photos, and what its card says of that."""
    look, told = None, 0
    if wishes.drawn_trays:
        if others:
            on_step(f"looking at {len(others)} photos without labels")
        seen = looks_on_photos(others, wishes.jobs)
        told = seen["tray"].nunique()
        looks = [each for each in (labelled.fruit[list(seen.columns)], seen) if len(each)]
        look = look_of(pd.concat(looks)) if looks else None
    if look is not None:
        on_step(f"drawing {wishes.drawn_trays} trays that look like these")
        base = base.having_seen(
            draw_trays(look, base.model.discriminant, trays=wishes.drawn_trays, seed=wishes.seed, jobs=wishes.jobs)
        )
    return base, {
        "look_told_by_other_photos": told,
        "look_drawn_trays": 0 if look is None else wishes.drawn_trays,
        "look_skin_between_srgb": None if look is None else look.skin,
        "look_floor_between_srgb": None if look is None else look.floor,
        "look_colour_cast": None if look is None else round(look.cast, 3),
    }


def _fit_on_verdicts(
    person: Person,
    shelf: Shelf,
    labels: Labels,
    photos: Mapping[str, PhotoThere],
    base: Base,
    name: str,
    wishes: Wishes,
    on_step: Callable[[str], None],
) -> FittedOnSite:
    """The shipped model with another limit from which a proposal counts as a mark."""
    spoken_of = sorted(set(labels.verdicts["sha256"]) & set(photos))
    if not spoken_of:
        raise LabelsError("None of the photos that verdicts were given on is there; say by --photos where they lie.")
    on_step("measuring")
    readers = [OutlinedTray(photos[sha256], "", whole=False, outlines=()) for sha256 in spoken_of]
    (measured,) = measure_trays(readers, [base.model.discriminant], wishes.jobs)
    verdicts = labels.verdicts.rename(columns={"sha256": "tray"})
    fit = fit_verdicts(verdicts, measured, base.model, load_limits(wishes.limits))
    sentence = (
        f"{fit.fruit} verdicts on {fit.trays} trays: of those not fitted on {fit.errors[1]:.1%} differ with the fitted "
        f"limit, {fit.errors[0]:.1%} with the shipped one; proposals count as marks from {fit.mark_from:g} instead of "
        f"{base.model.mark_from:g}."
    )
    if fit.mark_from == base.model.mark_from:
        raise LabelsError(f"No other limit judges fruit better than the shipped one does. {sentence}")
    before = learned_from(models_folder() / "marks")
    card = _card(name, base, labels, wishes, before) | {
        "trained_on": f"{fit.fruit} fruit verdicts on {fit.trays} trays; all else as shipped",
        "mark_from": fit.mark_from,
        "sure_from": base.model.sure_from,
        "labels_on_photos": spoken_of,
        "fruit": len(measured.fruit),
        "brown_fractions": base.model.card["brown_fractions"],
        "figures_held_out": {"verdicts_that_differ": fit.errors[1]},
        "figures_of_the_shipped_model": {"verdicts_that_differ": fit.errors[0]},
        "compared": {"with": base.model.sha256, "verdict": "", "sentence": sentence},
    }
    detector, classifier = load_parts()
    kept = _keep(person, shelf, name, detector, classifier, card, before)
    return FittedOnSite(kept, None, sentence, len(set(labels.verdicts["sha256"]) - set(photos)))


def _keep(
    person: Person, shelf: Shelf, name: str, detector: Any, classifier: Any, card: dict[str, Any], table: pd.DataFrame
) -> KeptModel:
    with tempfile.TemporaryDirectory() as work:
        folder = Path(work) / name
        keep_model(folder, detector, classifier, card, table)
        return add_model(person, shelf, folder)


def site_trays(
    labels: Labels, photos: Mapping[str, PhotoThere], base: Base, picked: pd.DataFrame | None, wishes: Wishes
) -> SiteTrays:
    """Labelled trays as the base's detector sees them.

    Raises
    ------
    LabelsError : none of the labelled photos is there, and no mark was named on pages.
    """
    outlined, named = outlined_trays(labels, photos), named_marks(labels)
    if not outlined and named.empty:
        raise LabelsError(
            "There is nothing to learn from: label marks on pages, or take in a file by `scorer train labels`, with "
            "the photos where --photos says."
        )
    choices = CHOICES if wishes.thresholds else (AS_SHIPPED,)
    detectors = [moved(base.detector, choice) for choice in choices]
    discriminants = [discriminant_from(np.asarray(each.coef_), np.asarray(each.intercept_)) for each in detectors]
    seen: dict[Thresholds, Any] = dict(zip(choices, measure_trays(outlined, discriminants, wishes.jobs), strict=True))
    readers = [(tray.photo.sha256, tray) for tray in outlined if tray.whole]
    return SiteTrays(readers, seen, named if len(named) else None, _groups(picked))


def _tried(
    trays: SiteTrays, base: Base, wishes: Wishes, on_step: Callable[[str], None]
) -> tuple[Judged | None, Judged | None]:
    """What base and fit say held out; None where no whole tray is labelled."""
    if not trays.readers:
        return None, None
    return judge_held_out(
        trays,
        base,
        wanted_error=wishes.wanted_error,
        limits=wishes.limits,
        seed=wishes.seed,
        jobs=wishes.jobs,
        on_done=on_step,
    )


def _groups(picked: pd.DataFrame | None) -> dict[str, str]:
    """Crew and day of each tray, where there are enough of both to hold some out."""
    if picked is None or picked.empty:
        return {}
    known = picked.dropna(subset=["crew", "day"])
    together = known["crew"].astype(str) + " " + known["day"].astype(str)
    if together.nunique() < FEWEST_GROUPS:
        return {}
    return dict(zip(known["sha256"], together, strict=True))


def _crews(picked: pd.DataFrame | None) -> dict[str, str]:
    known = pd.DataFrame(columns=["sha256", "crew"]) if picked is None else picked.dropna(subset=["crew"])
    return dict(zip(known["sha256"], known["crew"].astype(str), strict=True))


def _spoken_of(labels: Labels) -> set[str]:
    tables: Sequence[pd.DataFrame] = (labels.photos, labels.outlines)
    return {str(sha256) for table in tables for sha256 in table["sha256"]}


def _said_of(comparison: Comparison | None) -> str:
    if comparison is None:
        return "Nobody looked at a whole tray, so the model could not be tried; outline all marks of some photos."
    return comparison.sentence


def _brown(measured: MeasuredTrays) -> list[float]:
    fractions = true_fractions(measured)
    return brown_quantiles(fractions) if len(fractions) else []


def _card(name: str, base: Base, labels: Labels, wishes: Wishes, table: pd.DataFrame) -> dict[str, Any]:
    return {
        "name": name,
        "made_on": datetime.now(UTC).date().isoformat(),
        "trained_on": f"labels of {len(labels.people())} people on {table['tray'].nunique()} trays",
        "adapted_from": base.model.sha256,
        "labels_sha256": labels.sha256,
        "labels_on_photos": sorted(set(table["tray"])),
        "trays": int(table["tray"].nunique()),
        "proposals": len(table),
        "proposals_by_kind": {kind: int((table["kind"] == kind).sum()) for kind in CLASSES},
        "seed": wishes.seed,
        "software": {
            "scorer": version("mango-tray-scorer"),
            "python": platform.python_version(),
            **{package: version(package) for package in ("numpy", "opencv-python-headless", "scikit-learn", "skops")},
        },
        LIMITS_COUNT: True,
        "limits_of_use": LIMITS_OF_USE,
        "contrasts": list(CONTRASTS),
        "measures": list(MEASURES),
        "usual": dict(zip(MEASURES, base.model.usual.tolist(), strict=True)),
    }
