"""Which model photos are scored with at the moment: the one in use on the shelf, asked for anew before each photo."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from pathlib import Path

from sqlalchemy.engine import URL

from scorer.batch.task import ScoreOne, Source
from scorer.kinds import MarkModel, load_model
from scorer.model_shelf.history import in_use
from scorer.model_shelf.shelf import shelf_beside
from scorer.score_tables import TrayScore
from scorer.tag import Tag
from scorer.tray import Settings, score_photo


@dataclass(frozen=True)
class ModelInUse:
    """A model and where it lies.

    Parameters
    ----------
    folder : as `scorer.tray.Settings` takes it; None is the shipped model.
    model : what lies there; scores name it.
    """

    folder: Path | None
    model: MarkModel

    def scores(self, limits: str, zone: str) -> ScoreOne:
        """What scores one photo by this model, fit to be sent to another process.

        Parameters
        ----------
        limits, zone : see `scorer.tray.Settings`.
        """
        return partial(_score_one, Settings(limits=limits, model_folder=self.folder, zone=zone))


def model_in_use(records_url: URL | str, folder: Path | None = None) -> ModelInUse:
    """The model to score with now; a few milliseconds for one that was loaded before.

    Parameters
    ----------
    records_url : of the records that the shelf lies beside.
    folder : a model that is used whatever the shelf says; None asks the shelf.

    Raises
    ------
    ModelError : the model in use is gone, damaged or changed, or nobody can tell which it is; no other takes its place.
    RecordsError : the records have no place of their own.
    """
    folder = folder or in_use(shelf_beside(records_url))
    return ModelInUse(folder, load_model(folder))


def _score_one(settings: Settings, source: Source, photo: str, tag: Tag | None) -> TrayScore:
    return score_photo(source, name=photo, manifest_tag=tag, settings=settings)
