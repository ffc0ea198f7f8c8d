"""How many labelled fruit a site needs: fits on trays of a look that the shipped model has not seen, tried on others.

The look is the simulator's, of a skin, light and floor that no tray of the training set has. Labels are the truth of
fruit that are drawn by lot, or taken in the order of ``scorer train next``; the fit sees nothing else of the trays.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Final

import numpy as np
from joblib import Parallel, delayed

from scorer.errors import LabelsError
from scorer.kinds import NOT_A_MARK, MarkModel
from scorer.model_shelf.compare import COMPARED_KINDS, Judged
from scorer.model_shelf.judged import judge_trays
from scorer.model_shelf.site_model import shipped_base
from scorer.simulate.settings import TraySettings
from scorer.simulate.tray_set import simulate_trays
from scorer.training.labelled import read_labelled
from scorer.training.measured import MeasuredTrays, measure_trays
from scorer.training.next_fruit import OF_A_TRAY, next_fruit
from scorer.training.site_fit import Base, fit_site
from scorer.training.thresholds import AS_SHIPPED

UNSEEN: Final = {
    "bronze fruit, amber lamp, pink floor": (TraySettings(look="bronze", light="amber_lamp", floor="pink"), 515),
    "lemon fruit, amber lamp, lilac floor": (TraySettings(look="lemon", light="amber_lamp", floor="lilac"), 616),
}
SIZES: Final = (10, 20, 40, 80)
DRAWS: Final = 3
POOL: Final = 1000
GOAL: Final = 0.02


@dataclass(frozen=True)
class Fits:
    """Models fitted to so many labelled fruit, chosen one way; the shipped one where the labels taught nothing."""

    chosen: str
    fruit: int
    models: tuple[MarkModel, ...]


def print_learning(work: Path, trays: int, jobs: int, say: Callable[[str], object]) -> None:
    """Print a learning curve for each look; simulated trays are kept in ``work`` and used again."""
    base = shipped_base()
    for look, (settings, seed) in UNSEEN.items():
        folder = work / look.split()[0]
        photos = simulate_trays(folder, trays=trays, seed=seed, jobs=jobs, settings=settings)
        for line in _curve(look, photos, base, jobs):
            say(line)


def _curve(look: str, photos: list[Path], base: Base, jobs: int) -> Iterator[str]:
    readers = [partial(read_labelled, photo) for photo in photos]
    tried = len(photos) // 4
    (pool,) = measure_trays(readers[:-tried], [base.model.discriminant], jobs)
    pool = pool.of_fruit(list(zip(pool.fruit["tray"], pool.fruit["fruit"], strict=True))[:POOL])
    marks = len(pool.marks)
    yield f"\n{look}: {len(pool.fruit)} fruit with {marks} marks to label on {len(photos) - tried} trays\n"
    all_fits = list(_fits(pool, base, jobs))
    models = [base.model, *(model for fits in all_fits for model in fits.models)]
    judged = judge_trays(readers[-tried:], models, jobs=jobs)
    yield f"tried on {len(judged[0].fruit)} fruit of {tried} other trays"
    yield "labelled fruit, chosen      F1 sap, abrasion   worst    recall   false per fruit   verdicts right"
    yield _line("none (shipped)", judged[:1])
    place = 1
    curve = {}
    for fits in all_fits:
        own = judged[place : place + len(fits.models)]
        place += len(own)
        curve[fits.chosen, fits.fruit] = float(np.mean([_f1(one) for one in own]))
        yield _line(f"{fits.fruit:4} {fits.chosen}", own)
    most = curve["all", len(pool.fruit)]
    for chosen in ("by lot", "as listed"):
        gap = most - curve[chosen, 40]
        reached = "reached" if gap <= GOAL else "not reached"
        yield f"40 labelled fruit {chosen}: {gap:.3f} below all labels, goal {GOAL} {reached}"


def _fits(pool: MeasuredTrays, base: Base, jobs: int) -> Iterator[Fits]:
    for size in SIZES:
        for chosen, choose in (("by lot", _by_lot), ("as listed", _as_listed)):
            draws = [choose(pool, size, base.model, np.random.default_rng([size, draw])) for draw in range(DRAWS)]
            calls = (delayed(_fit)(draw, base) for draw in draws)
            yield Fits(chosen, size, tuple(Parallel(n_jobs=jobs)(calls)))
    yield Fits("all", len(pool.fruit), (_fit(pool, base),))


def _fit(labelled: MeasuredTrays, base: Base) -> MarkModel:
    try:
        return fit_site({AS_SHIPPED: labelled}, base).model
    except LabelsError:
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


def _line(name: str, judged: list[Judged]) -> str:
    f1 = [_f1(one) for one in judged]
    recall = np.mean([_recall(one) for one in judged])
    false = np.mean([(one.marks["true_kind"] == NOT_A_MARK).sum() / len(one.fruit) for one in judged])
    right = np.mean([(one.fruit["true_downgraded"] == one.fruit["said_downgraded"]).mean() for one in judged])
    return f"{name:26} {np.mean(f1):17.3f} {min(f1):7.3f} {recall:9.3f} {false:17.3f} {right:16.3f}"


def _f1(judged: Judged) -> float:
    """Mean F1 of the compared kinds over all marks: missed and false ones count."""
    true, said = judged.marks["true_kind"], judged.marks["said_kind"]
    both = [
        2 * ((true == kind) & (said == kind)).sum() / ((true == kind).sum() + (said == kind).sum())
        for kind in COMPARED_KINDS
    ]
    return float(np.mean(both))


def _recall(judged: Judged) -> float:
    marked = judged.marks[judged.marks["true_kind"] != NOT_A_MARK]
    return float((marked["said_kind"] != NOT_A_MARK).mean())
