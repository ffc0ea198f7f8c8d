"""A batch killed at any instant loses at most the photos in flight; a rerun gives what an undisturbed run gives."""

from __future__ import annotations

import multiprocessing
import os
import random
import signal
import time
from multiprocessing.connection import Connection
from pathlib import Path

import pandas as pd

from scorer.batch.run import Plan, score_paths
from scorer.records.audit import audit_records
from scorer.records.database import open_records, records_url
from scorer.records.scores import scores_of
from tests.drawn_records import batch_into, joined
from tests.drawn_trays import score_by_hand, write_drawing

KILLS = 50
PHOTOS = 12


def run_batch(photos: Path, records: Path, jobs: int = 1) -> None:
    engine = open_records(records_url(records))
    score_paths([photos], Plan(score_by_hand, records=batch_into(engine), jobs=jobs))
    engine.dispose()


def tables_of(records: Path) -> dict[str, pd.DataFrame]:
    engine = open_records(records_url(records), create=False)
    parts = list(scores_of(engine))
    wrong = audit_records(engine)
    engine.dispose()
    assert [sentence for sentence in wrong if "broken off" not in sentence] == []
    tables = {name: joined([getattr(part, name) for part in parts]) for name in ("photo", "fruit", "marks")}
    return tables if "photo" in tables else {}


def run_batch_in_a_group(begun: Connection, photos: Path, records: Path, jobs: int) -> None:
    os.setpgid(0, 0)  # so that a kill takes its workers too
    begun.send(None)
    run_batch(photos, records, jobs)


def killed_after(seconds: float, photos: Path, records: Path, jobs: int) -> bool:
    """Run the batch in a process of its own and kill that with SIGKILL; whether the kill came before its end.

    The process is forked from a fresh server, not from this one: it would share the locks of this one's workers, and
    a kill while it holds one would leave this one waiting for ever.
    """
    fresh = multiprocessing.get_context("forkserver")
    fresh.set_forkserver_preload([__name__])
    begun, begins = fresh.Pipe(duplex=False)
    child = fresh.Process(target=run_batch_in_a_group, args=(begins, photos, records, jobs))
    child.start()
    begins.close()  # then a child that dies at once is an error here, not a wait
    begun.recv()
    child.join(seconds)
    if child.exitcode is not None:
        assert child.exitcode == 0
        return False
    assert child.pid is not None
    os.killpg(child.pid, signal.SIGKILL)
    child.join()
    return True


def test_fifty_kills_at_random_instants_lose_and_double_nothing(tmp_path: Path) -> None:
    photos = tmp_path / "photos"
    for number in range(PHOTOS):
        write_drawing(photos / f"tray_{number}.jpg", (400 + number, 300))
    started = time.monotonic()
    run_batch(photos, tmp_path / "undisturbed.sqlite")
    whole_s = time.monotonic() - started
    wanted = tables_of(tmp_path / "undisturbed.sqlite")
    assert (len(wanted["photo"]), len(wanted["fruit"])) == (PHOTOS, 6 * PHOTOS)
    rng, kills, seasons = random.Random(50), 0, 0
    while kills < KILLS:
        records = tmp_path / f"season_{seasons}.sqlite"
        seasons += 1
        for _ in range(8):  # several kills in a row on the same records, as bad days have it
            kills += killed_after(rng.uniform(0, whole_s), photos, records, jobs=1)
        run_batch(photos, records)
        got = tables_of(records)
        for name, table in wanted.items():
            pd.testing.assert_frame_equal(got[name], table)


def test_a_killed_batch_with_workers_is_finished_by_a_rerun(tmp_path: Path) -> None:
    photos, records = tmp_path / "photos", tmp_path / "season.sqlite"
    for number in range(PHOTOS):
        write_drawing(photos / f"tray_{number}.jpg", (400 + number, 300))
    run_batch(photos, tmp_path / "undisturbed.sqlite")
    wanted = tables_of(tmp_path / "undisturbed.sqlite")
    for seconds in (0.3, 0.8, 1.5):
        killed_after(seconds, photos, records, jobs=2)
    run_batch(photos, records, jobs=2)
    got = tables_of(records)
    for name, table in wanted.items():
        pd.testing.assert_frame_equal(got[name], table)
