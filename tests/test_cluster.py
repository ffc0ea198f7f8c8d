"""A batch on a cluster of two real workers: the same scores, and no photo lost when a worker dies."""

from __future__ import annotations

import os
import signal
from collections.abc import Iterator
from pathlib import Path

import pandas as pd
import pytest
from distributed import Client, LocalCluster

from scorer.batch.run import Plan, score_paths
from scorer.batch.task import Outcome, Wanted
from scorer.errors import ClusterError
from scorer.records.database import open_records, records_url
from scorer.records.scores import scores_of
from tests.drawn_records import batch_into, joined
from tests.drawn_trays import score_by_hand, write_drawing

PHOTOS = 10

# Dask's own servers leave sockets to the garbage collector when a worker is killed.
pytestmark = pytest.mark.filterwarnings("ignore::ResourceWarning", "ignore::pytest.PytestUnraisableExceptionWarning")


@pytest.fixture
def cluster() -> Iterator[LocalCluster]:
    with LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None, silence_logs=50) as running:  # type: ignore[no-untyped-call]
        yield running


@pytest.fixture
def photos(tmp_path: Path) -> Path:
    for number in range(PHOTOS):
        write_drawing(tmp_path / "photos" / f"tray_{number}.jpg", (400 + number, 300))
    return tmp_path / "photos"


def test_a_cluster_gives_the_tables_and_masks_of_one_process(
    cluster: LocalCluster, photos: Path, tmp_path: Path
) -> None:
    for name, address in (("here", None), ("there", cluster.scheduler_address)):
        plan = Plan(score_by_hand, out=tmp_path / name, wanted=Wanted(masks=True), cluster=address)
        score_paths([photos], plan)
    files = sorted(path.relative_to(tmp_path / "here") for path in (tmp_path / "here").rglob("*") if path.is_file())
    assert len(files) == 3 + 2 * PHOTOS
    for file in files:
        assert (tmp_path / "here" / file).read_bytes() == (tmp_path / "there" / file).read_bytes()


def test_a_worker_killed_in_the_middle_loses_no_photo(cluster: LocalCluster, photos: Path, tmp_path: Path) -> None:
    engine = open_records(records_url(tmp_path / "season.sqlite"))
    with Client(cluster.scheduler_address) as client:  # type: ignore[no-untyped-call]
        victim = next(iter(client.run(os.getpid).values()))
    done: list[str] = []

    def kill_after_three(outcome: Outcome) -> None:
        done.append(outcome.name)
        if len(done) == 3:
            os.kill(victim, signal.SIGKILL)

    plan = Plan(score_by_hand, records=batch_into(engine), cluster=cluster.scheduler_address)
    report = score_paths([photos], plan, on_done=kill_after_three)
    assert (report.photos, report.refused) == (PHOTOS, 0)
    photo = joined([part.photo for part in scores_of(engine)])
    assert sorted(photo["photo"]) == sorted(f"tray_{number}.jpg" for number in range(PHOTOS))
    assert pd.Series(done).is_unique
    engine.dispose()


def test_no_cluster_at_the_address_is_one_sentence(
    photos: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("scorer.batch.workers.WAIT_FOR_CLUSTER_S", 2)
    with pytest.raises(ClusterError, match=r"No cluster answers at tcp://127.0.0.1:1;"):
        score_paths([photos], Plan(score_by_hand, out=tmp_path / "out", cluster="tcp://127.0.0.1:1"))
