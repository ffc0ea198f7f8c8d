"""How many labelled fruit a site needs: fits on trays of a look that the shipped model has not seen, tried on others.

The look is the simulator's, of a skin, light and floor that no tray of the training set has. Labels are the truth of
fruit that are drawn by lot, or taken in the order of ``scorer train next``; the fit sees nothing else of the trays.
Each quarter of the trays is tried by fits to fruit of the other three, which are drawn twice.

What a fit learns from trays drawn to look like the site's is drawn once for a look, by the trays on which the first
forty fruit lie and as many photos without labels as `scorer train fit` looks at. Those trays and the tried ones come
of one simulator, so what they give is what they may give at most.

Beside the curve stand how far the probabilities hold, and how often a batch of such trays is warned of; both also of
trays of the training set's look that the shipped model was not fitted on.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from itertools import cycle
from pathlib import Path
from typing import Final

import numpy as np
import pandas as pd
from joblib import Parallel, delayed
from numpy.typing import NDArray

from scorer.errors import LabelsError
from scorer.kinds import NOT_A_MARK, MarkModel
from scorer.look_drift.reference import reference_of
from scorer.model_shelf.compare import COMPARED_KINDS, Judged
from scorer.model_shelf.judged import judge_trays
from scorer.model_shelf.site_model import DRAWN_TRAYS, LOOK_PHOTOS, shipped_base
from scorer.resources import models_folder
from scorer.simulate.settings import TraySettings
from scorer.simulate.tray_set import simulate_trays
from scorer.training.drawn_trays import draw_trays
from scorer.training.labelled import TrayReader, read_labelled
from scorer.training.measured import MeasuredTrays, measure_trays
from scorer.training.next_fruit import OF_A_TRAY, next_fruit
from scorer.training.site_fit import Base, fit_site
from scorer.training.site_look import look_of
from scorer.training.thresholds import AS_SHIPPED
from tests.benchmarks.calibration import calibration_lines
from tests.benchmarks.drift import DRIFT_HEAD, drift_lines

UNSEEN: Final = {
    "bronze fruit, amber lamp, pink floor": (TraySettings(look="bronze", light="amber_lamp", floor="pink"), 515),
    "lemon fruit, amber lamp, lilac floor": (TraySettings(look="lemon", light="amber_lamp", floor="lilac"), 616),
}
OWN_LOOK: Final = "the training set's look"
OWN_SEED: Final = 727_272
SIZES: Final = (10, 20, 40, 80)
PARTS: Final = 4
POOL: Final = 1000
GOAL: Final = 0.02
GOAL_FRUIT: Final = 40
"""Fruit with which a fit is to come so close to one to all fruit."""
DRAWS: Final = 2
"""Times that so many fruit are drawn from each pool; what is said of all fits together stands in the curve."""
RESAMPLES: Final = 4_999

Counts = NDArray[np.int64]


@dataclass(frozen=True)
class Part:
    """Trays to try fits on, and the fruit of the others to fit to."""

    photos: list[Path]
    unseen: MeasuredTrays
    pool: MeasuredTrays


@dataclass(frozen=True)
class Tried:
    """What fits of one sort say, for the curve, and for the calibration.

    Parameters
    ----------
    judged : by each fit, of its own part of the trays.
    models : the fits, to the parts in turn, and again for each draw.
    """

    called: str
    judged: list[Judged]
    models: list[MarkModel]


def print_learning(work: Path, trays: int, jobs: int, say: Callable[[str], object]) -> None:
    """Print a learning curve for each look; simulated trays are kept in ``work`` and used again."""
    base = shipped_base()
    own = simulate_trays(work / "own", trays=trays // 2, seed=OWN_SEED, jobs=jobs)
    seen = {OWN_LOOK: _measured(own, base, jobs)}
    for line in calibration_lines({f"{OWN_LOOK}, shipped": [(base.model, seen[OWN_LOOK])]}):
        say(line)
    for look, (settings, seed) in UNSEEN.items():
        folder = work / look.split()[0]
        photos = simulate_trays(folder, trays=trays, seed=seed, jobs=jobs, settings=settings)
        seen[look] = _measured(photos, base, jobs)
        for line in _curve(look, photos, seen[look], base, jobs):
            say(line)
    reference = reference_of(models_folder() / "marks")
    if reference is None:
        raise FileNotFoundError("The shipped model keeps nothing of what it learned from.")
    say(f"\n{DRIFT_HEAD}")
    for look, measured in seen.items():
        for line in drift_lines(look, measured, base.model, reference):
            say(line)


def _measured(photos: Sequence[Path], base: Base, jobs: int) -> MeasuredTrays:
    return measure_trays(_readers(photos), [base.model.discriminant], jobs)[0]


def _readers(photos: Sequence[Path]) -> list[TrayReader]:
    return [partial(read_labelled, photo) for photo in photos]


def _curve(look: str, photos: Sequence[Path], measured: MeasuredTrays, base: Base, jobs: int) -> Iterator[str]:
    parts = [_part(photos, measured, place) for place in range(PARTS)]
    fruit = [len(part.pool.fruit) for part in parts]
    yield f"\n{look}: {min(fruit)} to {max(fruit)} fruit to label, tried on {len(measured.fruit)}, {len(photos)} trays"
    tried = _tried(parts, base, jobs)
    heads = f"{'F1 sap, abrasion':>18}{'over shipped (95 %)':>25}{'under all (95 %)':>25}{'recall':>10}{'false':>8}"
    yield f"{'labelled fruit':26}{heads}"
    shipped, *_, everything = tried
    for each in tried:
        yield _line(each, shipped, everything)
    for each in tried:
        if each.called.startswith(f"{GOAL_FRUIT} "):
            gap = _f1(_all_counts(everything)) - _f1(_all_counts(each))
            reached = "reached" if gap <= GOAL else "not reached"
            yield f"{each.called}: {gap:.3f} below all labels, goal {GOAL} {reached}"
    yield ""
    yield from calibration_lines(
        {each.called: [(model, part.unseen) for model, part in zip(each.models, cycle(parts))] for each in tried}
    )


def _part(photos: Sequence[Path], measured: MeasuredTrays, place: int) -> Part:
    own = list(photos[place::PARTS])
    unseen = measured.of_trays([photo.stem for photo in own])
    pool = measured.of_trays(set(measured.fruit["tray"]) - {photo.stem for photo in own})
    return Part(own, unseen, pool.of_fruit(list(zip(pool.fruit["tray"], pool.fruit["fruit"], strict=True))[:POOL]))


def _tried(parts: Sequence[Part], base: Base, jobs: int) -> list[Tried]:
    """The shipped model, fits to few labels, and last the fits to all."""
    pool, rng = parts[0].pool, np.random.default_rng([GOAL_FRUIT, 0])
    labelled = set(_by_lot(pool, GOAL_FRUIT, base.model, rng).fruit["tray"])
    others = rng.permutation(sorted(set(pool.fruit["tray"]) - labelled))[:LOOK_PHOTOS]
    look = look_of(pool.of_trays(labelled | set(others)).fruit)
    if look is None:
        raise LabelsError("No tray of the look has a card that can be seen.")
    ready = base.having_seen(draw_trays(look, base.model.discriminant, trays=DRAWN_TRAYS, seed=0, jobs=jobs))
    chosen: list[tuple[str, list[MeasuredTrays]]] = []
    for size in SIZES:
        for how, choose in (("by lot", _by_lot), ("as listed", _as_listed)):
            rngs = [np.random.default_rng([size, number]) for number in range(len(parts) * DRAWS)]
            draws = [choose(part.pool, size, base.model, rng) for part, rng in zip(cycle(parts), rngs)]
            chosen.append((f"{size} {how}", draws))
    chosen.append(("all", [part.pool for part in parts]))
    calls = (delayed(_fit)(labelled, base, ready) for _, draws in chosen for labelled in draws)
    fits = iter(Parallel(n_jobs=jobs)(calls))
    sorts = [("none (shipped)", [base.model] * len(parts))]
    sorts += [(called, [next(fits) for _ in draws]) for called, draws in chosen]
    said: dict[str, list[Judged]] = {called: [] for called, _ in sorts}
    for place, part in enumerate(parts):
        of_part = [(called, model) for called, models in sorts for model in models[place :: len(parts)]]
        judged = judge_trays(_readers(part.photos), [model for _, model in of_part], jobs=jobs)
        for (called, _), of_model in zip(of_part, judged, strict=True):
            said[called].append(of_model)
    return [Tried(called, said[called], models) for called, models in sorts]


def _fit(labelled: MeasuredTrays, base: Base, ready: Base) -> MarkModel:
    try:
        return fit_site({AS_SHIPPED: labelled}, ready).model
    except LabelsError:  # the labels teach nothing, so the shipped model stays
        return base.model


def _by_lot(pool: MeasuredTrays, size: int, _: MarkModel, rng: np.random.Generator) -> MeasuredTrays:
    """Fruit of trays drawn by lot, a few of each, as whoever labels goes from tray to tray."""
    chosen: list[tuple[str, int]] = []
    for tray in rng.permutation(sorted(set(pool.fruit["tray"]))):
        own = pool.fruit.loc[pool.fruit["tray"] == tray, "fruit"].to_numpy()
        chosen += [(str(tray), int(number)) for number in rng.permutation(own)[:OF_A_TRAY]]
    return pool.of_fruit(chosen[:size])


def _as_listed(pool: MeasuredTrays, size: int, model: MarkModel, rng: np.random.Generator) -> MeasuredTrays:
    """The fruit that ``scorer train next`` would list, with half of the trays at hand."""
    trays = sorted(set(pool.fruit["tray"]))
    at_hand = pool.of_trays(list(rng.permutation(trays)[: len(trays) // 2]))
    listed = next_fruit(at_hand.proposals, model, size)
    return pool.of_fruit(list(zip(listed["tray"], listed["fruit"], strict=True)))


def _line(tried: Tried, shipped: Tried, everything: Tried) -> str:
    marks = pd.concat([judged.marks for judged in tried.judged])
    fruit = sum(len(judged.fruit) for judged in tried.judged)
    true = marks[marks["true_kind"] != NOT_A_MARK]
    over, under = _difference(tried, shipped), _difference(everything, tried)
    return (
        f"{tried.called:26}{_f1(_all_counts(tried)):18.3f}{over:>25}{under:>25}"
        f"{(true['said_kind'] != NOT_A_MARK).mean():10.3f}{(marks['true_kind'] == NOT_A_MARK).sum() / fruit:8.3f}"
    )


def _difference(one: Tried, other: Tried) -> str:
    """F1 of one less that of another, with its interval from trays drawn again with replacement."""
    counts = _counts(one), _counts(other)
    trays = len(counts[0])
    drawn = np.random.default_rng(1).integers(0, trays, (RESAMPLES, trays))
    values = [_f1(each[drawn].sum(axis=1)) for each in counts]
    low, high = np.quantile(values[0] - values[1], [0.025, 0.975])
    return f"{_f1(counts[0].sum(axis=0)) - _f1(counts[1].sum(axis=0)):.3f} ({low:.3f} to {high:.3f})"


def _counts(tried: Tried) -> Counts:
    """Marks rightly named, true and said of each compared kind, (trays, 3, kinds); missed and false ones count."""
    marks = pd.concat([judged.marks for judged in tried.judged])
    trays = sorted(set(pd.concat([judged.fruit["tray"] for judged in tried.judged])))
    counts = np.zeros((len(trays), 3, len(COMPARED_KINDS)), np.int64)
    place = marks["tray"].map({tray: number for number, tray in enumerate(trays)}).to_numpy(int)
    for column, kind in enumerate(COMPARED_KINDS):
        true, said = (marks[name].to_numpy() == kind for name in ("true_kind", "said_kind"))
        for row, which in enumerate((true & said, true, said)):
            counts[:, row, column] = np.bincount(place[which], minlength=len(trays))
    return counts


def _all_counts(tried: Tried) -> Counts:
    return np.asarray(_counts(tried).sum(axis=0))


def _f1(counts: Counts) -> NDArray[np.float64]:
    """Mean F1 of the compared kinds of counts (..., 3, kinds)."""
    return np.asarray((2 * counts[..., 0, :] / np.maximum(counts[..., 1, :] + counts[..., 2, :], 1)).mean(axis=-1))
