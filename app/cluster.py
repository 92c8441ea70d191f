"""Photos measured on a Dask cluster: the same jobs, the same outcomes, other machines.

In: jobs and a scheduler's address, or "local:N" for N workers on this machine. Out: one `Outcome` a job, in the
order given. A cluster's worker decodes nothing itself: it has a worker program of its own do it, under the same limits
as here. Photos come from a folder that all machines share, or from the store that `photos.address` names.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from typing import Any

from app.crew import TOO_BUSY, shared_crew
from app.errors import CannotMeasure
from app.workers import AHEAD, Job, Measure, Outcome, measure_one

CONNECT_S = 20
"""How long a scheduler may take to answer [s]."""


def measure_on_cluster(jobs: Iterable[Job], *, measure: Measure, where: str) -> Iterator[Outcome]:
    """Measure all jobs on a cluster and give their outcomes in the order of the jobs.

    Parameters
    ----------
    jobs : iterable of Job
        Taken as they are needed.
    measure : callable
        Measures one job; it pickles, and the cluster's machines have this program.
    where : str
        A scheduler's address, as "tcp://10.0.0.5:8786", or "local:2".

    Raises
    ------
    CannotMeasure
        If dask.distributed is not installed, or the scheduler does not answer.
    """
    try:
        from distributed.scheduler import KilledWorker
    except ImportError as error:
        raise CannotMeasure(
            "A cluster needs dask.distributed, which is not installed.", "pip install 'turnblue[cluster]'"
        ) from error
    waiting: deque[tuple[Job, Any]] = deque()
    with _client(where) as client:
        hands = max(1, sum(client.nthreads().values()))

        def first() -> Outcome:
            job, future = waiting.popleft()
            try:
                return future.result()  # type: ignore[no-any-return]
            except KilledWorker:
                # The cluster lost the workers that had it: nothing certain of the photo.
                return Outcome(job, None, TOO_BUSY, "too_busy")

        for job in jobs:
            waiting.append((job, client.submit(measure_there, job, measure, pure=False)))
            while waiting and (waiting[0][1].done() or len(waiting) >= AHEAD * hands):
                yield first()
        while waiting:
            yield first()


def measure_there(job: Job, measure: Measure) -> Outcome:
    """Measure one job where the cluster's worker runs."""
    return measure_one(job, measure, shared_crew())


@contextmanager
def _client(where: str) -> Iterator[Any]:
    """Give a connection to the cluster, made first where it is to be this machine."""
    from distributed import Client, LocalCluster

    local, _, count = where.partition(":")
    if local == "local":
        if not count.isdigit() or int(count) < 1:
            raise CannotMeasure(f"{where!r} names no cluster.", "Write local:2, or a scheduler's address.")
        with (
            LocalCluster(
                n_workers=int(count), threads_per_worker=1, dashboard_address=None, host="127.0.0.1", silence_logs=50
            ) as cluster,
            Client(cluster) as client,
        ):
            yield client
        return
    try:
        client = Client(where, timeout=CONNECT_S)
    except (OSError, ValueError, TimeoutError) as error:
        raise CannotMeasure(
            f"The cluster at {where} does not answer.", "Check the address, and that its scheduler runs."
        ) from error
    with client:
        yield client
