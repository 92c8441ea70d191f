"""Photos measured on a Dask cluster: the same jobs, the same outcomes, other machines.

In: jobs and a scheduler's address, or "local:N" for N workers on this machine. Out: one `Outcome` a job, in the
order given. A cluster's worker decodes nothing itself: it has a worker program of its own do it, under the same limits
as here. Photos come from a folder that all machines share, or from the store that `photos.address` names.

Whoever reaches a scheduler can have its workers run anything. So one made here takes nobody without the certificate
made for that run; how to do the same on several machines stands in DEVELOPERS.md, "Growing".
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Iterator
from concurrent.futures import CancelledError
from contextlib import contextmanager
from itertools import islice
from typing import Any

from app.crew import TOO_BUSY, shared_crew
from app.errors import CannotMeasure
from app.workers import AHEAD, Job, Measure, Outcome, measure_one

CONNECT_S = 20
"""How long a scheduler may take to answer [s]."""

TOGETHER = 8
"""Photos sent to a worker at once: what scheduler and worker do for each errand is then no longer felt (measured)."""

SETTINGS = {
    # How often its programs look at themselves: with two workers 20 ms of the processor a second, with the first
    # setting alone 62 (measured).
    "distributed.worker.profile.enabled": False,
    "distributed.admin.tick.interval": "500ms",
    "distributed.admin.tick.cycle": "5s",
    "distributed.worker.memory.monitor-interval": "1s",
    # Its pages about itself ask nobody who they are.
    "distributed.scheduler.http.routes": [],
    "distributed.worker.http.routes": [],
}
"""Dask's settings of a cluster that is made here, by its own names."""


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
        If dask.distributed is not installed, the scheduler does not answer or is lost, or has not this program.
    """
    try:
        import cryptography  # noqa: F401 - Dask makes its certificates with it
        from distributed.scheduler import KilledWorker
    except ImportError as error:
        raise CannotMeasure(
            "A cluster needs dask.distributed, which is not installed.", "pip install 'turnblue[cluster]'"
        ) from error
    left = iter(jobs)
    waiting: deque[tuple[tuple[Job, ...], Any]] = deque()
    with _client(where) as client:
        hands = max(1, sum(client.nthreads().values()))

        def first() -> tuple[Outcome, ...]:
            together, future = waiting.popleft()
            try:
                return future.result()  # type: ignore[no-any-return]
            except KilledWorker:
                # The cluster lost the workers that had them: nothing certain of the photos.
                return tuple(Outcome(job, None, TOO_BUSY, "too_busy") for job in together)
            except CancelledError as error:
                raise CannotMeasure(
                    f"The cluster at {where} answers no more.",
                    "What was measured stays. See that its scheduler runs and give the same command: it goes on there.",
                ) from error
            except (RuntimeError, ImportError) as error:
                # How Dask tells that scheduler or worker could not read what it was sent, with the reason behind it.
                if not isinstance(error.__cause__ or error, ImportError):
                    raise
                raise CannotMeasure(
                    f"The cluster at {where} cannot run this program ({error.__cause__ or error}).",
                    "Install the same Turnblue on all of its machines, the scheduler's too.",
                ) from error

        while together := tuple(islice(left, TOGETHER)):
            waiting.append((together, client.submit(measure_there, together, measure, pure=False)))
            while waiting and (waiting[0][1].done() or len(waiting) >= AHEAD * hands):
                yield from first()
        while waiting:
            yield from first()


def measure_there(together: tuple[Job, ...], measure: Measure) -> tuple[Outcome, ...]:
    """Measure a few jobs, one after the other, where the cluster's worker runs."""
    return tuple(measure_one(job, measure, shared_crew()) for job in together)


@contextmanager
def _client(where: str) -> Iterator[Any]:
    """Give a connection to the cluster, made first where it is to be this machine."""
    import dask
    from distributed import Client, LocalCluster
    from distributed.security import Security

    local, _, count = where.partition(":")
    if local == "local":
        if not count.isdigit() or int(count) < 1:
            raise CannotMeasure(f"{where!r} names no cluster.", "Write local:2, or a scheduler's address.")
        with (
            dask.config.set(SETTINGS),
            LocalCluster(
                n_workers=int(count),
                threads_per_worker=1,
                dashboard_address="127.0.0.1:0",
                scheduler_kwargs={"dashboard": False},
                host="127.0.0.1",
                silence_logs=50,
                # Whoever else is at this machine has no certificate of this run.
                security=Security.temporary(),
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
