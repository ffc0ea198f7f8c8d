"""The batches that the records list for deliveries: one for each delivery, open while photos of it come."""

from __future__ import annotations

import time
from collections import Counter
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

from sqlalchemy import Engine, func, select, update

from scorer.arrivals.deliveries import Item
from scorer.arrivals.outcomes import PhotoOutcome, State
from scorer.kinds import MarkModel
from scorer.records.database import in_words
from scorer.records.keep import OpenImport, close_import, open_import
from scorer.records.tables import Import, Score

HANDED_IN: Final = "Photos handed in by"
QUIET_S: Final = 60.0
"""After so long without a photo a delivery's batch is closed; phones send more slowly than photos are scored."""


@dataclass
class _OpenBatch:
    batch: OpenImport
    counts: Counter[str] = field(default_factory=Counter)
    used_at: float = field(default_factory=time.monotonic)


class DeliveryBatches:
    """Opens a delivery's batch with its first photo, counts, and closes it once no more come.

    A batch is scored by one model; where another one is put to use meanwhile, the delivery goes on in a new batch.
    """

    def __init__(self, engine: Engine, **about: Any) -> None:
        """Begin; batches that an earlier process left open when it died are closed.

        Parameters
        ----------
        engine : the records.
        about : what all batches share besides the model, as `scorer.records.keep.open_import` takes it.

        Raises
        ------
        RecordsError : the records cannot be written.
        """
        self._engine, self._about = engine, about
        self._open: dict[Path, _OpenBatch] = {}
        close_broken_off(engine, HANDED_IN)

    def of(self, item: Item, model: MarkModel) -> OpenImport:
        """The batch that a photo belongs to which this model scores."""
        delivery = item.folder.parent
        if delivery in self._open and self._open[delivery].batch.model_sha256 != model.sha256:
            self._close(delivery)
        if delivery not in self._open:
            source = f"{HANDED_IN} {item.who or 'somebody'} ({delivery.name})"
            self._open[delivery] = _OpenBatch(
                open_import(
                    self._engine, source=source, model_sha256=model.sha256, model_card=model.card, **self._about
                )
            )
        self._open[delivery].used_at = time.monotonic()
        return self._open[delivery].batch

    def count(self, item: Item, outcome: PhotoOutcome) -> None:
        """Count what became of a photo whose batch is open."""
        what = "known" if outcome.known else "refused" if outcome.state is State.REFUSED else "scored"
        self._open[item.folder.parent].counts[what] += 1

    def close_quiet(self) -> None:
        """End the batches of deliveries from which nothing came for a while."""
        now = time.monotonic()
        for delivery in [each for each, one in self._open.items() if now - one.used_at > QUIET_S]:
            self._close(delivery)

    def close_all(self) -> None:
        """End all batches."""
        for delivery in list(self._open):
            self._close(delivery)

    def _close(self, delivery_folder: Path) -> None:
        one = self._open.pop(delivery_folder)
        counts = {name: one.counts[name] for name in ("scored", "known", "refused")}
        close_import(one.batch, **counts)


def close_broken_off(engine: Engine, source: str) -> None:
    """Close the batches of sources that begin so, left open by a process that died, with the counts of their scores."""
    unfinished = select(Import.id).where(Import.finished_at.is_(None), Import.source.startswith(source))
    refused = func.count(Score.id).filter(Score.verdict == "refused")
    with in_words(engine), engine.begin() as connection:
        for number in connection.scalars(unfinished).all():
            of_batch = select(func.count(Score.id), refused).where(Score.import_id == number)
            scores, refusals = connection.execute(of_batch).one()
            figures = {"scored": scores - refusals, "refused": refusals, "finished_at": datetime.now(UTC)}
            connection.execute(update(Import).where(Import.id == number).values(figures))
