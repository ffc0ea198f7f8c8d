"""Do a batch's tasks: here, in processes of this computer, or on a cluster; answers come back in order."""

from __future__ import annotations

import signal
import threading
import time
import warnings
from collections import deque
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from itertools import islice
from typing import Any

import cv2

from scorer.batch.task import Outcome, Task
from scorer.errors import ClusterError, ScorerError
from scorer.photo import LARGEST_FILE_BYTES

WAIT_FOR_CLUSTER_S = 20
STRETCH = 32
"""Photos per worker between two times that all workers wait for the last of them."""
OUT_OF_MEMORY = "Scoring ended its process, most likely for lack of memory; score it on a larger computer."


def outcomes_of(tasks: Iterable[Task], *, jobs: int = 1, cluster: str | None = None) -> Iterator[Outcome]:
    """Do the tasks and give their outcomes in the order of the tasks.

    Tasks are taken only as workers become free, so a long batch needs no more memory than a short one.

    Parameters
    ----------
    tasks : the work; may be made while it is taken, in a thread of its own.
    jobs : processes of this computer; 1 works in this very process.
    cluster : address of a Dask scheduler whose workers have scorer installed; then ``jobs`` does not count.

    Raises
    ------
    ClusterError : the cluster cannot be reached or lost the work too often.
    ScorerError : what every photo is scored with cannot be used; comes in its turn, after all photos before it.
    """
    if cluster is not None:
        with _on_cluster(cluster):
            yield from _in_parallel(map(_with_bytes, tasks), jobs=-1)
    elif jobs == 1:
        yield from (task() for task in tasks)
    else:
        yield from _until_done(tasks, jobs)


def _until_done(tasks: Iterable[Task], jobs: int) -> Iterator[Outcome]:
    """In processes; where one dies, nobody knows over which photo, so those in flight go one by one."""
    from joblib.externals.loky.process_executor import BrokenProcessPool

    waiting = iter(tasks)
    in_flight: deque[Task] = deque()
    while True:
        try:
            for outcome in _in_parallel(_noted(waiting, in_flight), jobs):
                in_flight.popleft()
                yield outcome
            return
        except BrokenProcessPool:
            while in_flight:
                yield _alone(in_flight.popleft())


def _noted(tasks: Iterator[Task], in_flight: deque[Task]) -> Iterator[Task]:
    for task in tasks:
        in_flight.append(task)
        yield task


def _in_parallel(tasks: Iterable[Task], jobs: int) -> Iterator[Outcome]:
    """A stretch of tasks at a time: where the one who takes the outcomes is the slower, they must not pile up."""
    from joblib import Parallel, delayed, effective_n_jobs

    waiting = iter(tasks)
    with Parallel(n_jobs=jobs, return_as="generator", batch_size=1) as pool:
        while stretch := list(islice(waiting, STRETCH * effective_n_jobs(jobs))):
            answers = pool(delayed(_in_worker)(task) for task in stretch)
            try:
                for answer in answers:
                    yield _outcome(answer)
            finally:
                with warnings.catch_warnings():
                    warnings.simplefilter("ignore")  # joblib warns of work that is cancelled, which is meant
                    answers.close()


def _alone(task: Task) -> Outcome:
    """Score a photo in a process of its own, which may die of it."""
    from joblib.externals.loky import ProcessPoolExecutor
    from joblib.externals.loky.process_executor import BrokenProcessPool

    started = time.perf_counter()
    with ProcessPoolExecutor(1) as pool:
        try:
            return _outcome(pool.submit(_in_worker, task).result())
        except BrokenProcessPool as error:
            return task.refused(OUT_OF_MEMORY, started, f"{type(error).__name__}: {error}")


@contextmanager
def _on_cluster(address: str) -> Iterator[None]:
    try:
        from distributed import Client
    except ImportError as error:
        raise ClusterError(
            "A cluster needs Dask, which is not installed; install mango-tray-scorer[cluster] here and on its workers."
        ) from error
    from joblib import parallel_config

    try:
        client: Any = Client(address, timeout=WAIT_FOR_CLUSTER_S)  # type: ignore[no-untyped-call]
    except (OSError, ValueError, TimeoutError) as error:
        raise ClusterError(
            f"No cluster answers at {address}; check the address and that its scheduler runs."
        ) from error
    with client:
        if not client.scheduler_info()["workers"]:
            raise ClusterError(f"The cluster at {address} has no workers; start one with `dask worker {address}`.")
        with parallel_config(backend="dask", wait_for_workers_timeout=WAIT_FOR_CLUSTER_S):
            yield


def _with_bytes(task: Task) -> Task:
    """The task with the photo itself, for another computer does not see this one's folders."""
    if isinstance(task.source, bytes):
        return task
    try:
        with task.source.open("rb") as file:
            return replace(task, source=file.read(LARGEST_FILE_BYTES + 1))  # a byte too much is refused in words
    except OSError:
        return task  # refused in its turn, in words


def _in_worker(task: Task) -> Outcome | ScorerError:
    """Do a task; a refusal that stops the batch comes back in its turn, after all photos before it."""
    cv2.setNumThreads(1)  # the processes share the cores already
    if threading.current_thread() is threading.main_thread():
        signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is the main process's to answer
    try:
        return task()
    except ScorerError as refusal:
        return refusal


def _outcome(answer: Outcome | ScorerError) -> Outcome:
    if isinstance(answer, ScorerError):
        raise answer
    return answer
