"""An archive measured anew after a new program or model: on all cores, or on a cluster; resumed where it stopped.

In: an open `Log` and the time. Out: one `Rescored` for each photo that the present program has not measured yet, as
it comes; with `write`, appended to the log in small bundles. Nothing is held but the bundle: an archive of any size
takes the same memory.
"""

from __future__ import annotations

from collections import Counter, deque
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import TYPE_CHECKING

from app import workers
from app.access import Right, needs, touches_no_log
from app.errors import CannotMeasure
from app.measuring import (
    Watch,
    append,
    inputs_of,
    job_of,
    kept_result,
    own_measurer,
    result_of,
    say_if_faded,
    shipped_measurer,
    versions_of,
)
from app.records import Assessment
from app.store.log import Log
from app.store.rows import Row, assessment_of_result
from app.workers import Job, Measure, Outcome

if TYPE_CHECKING:
    from collections.abc import Mapping

    from vision.results import PhotoResult

PAGE = 500
"""Photos read from the log at a time (our choice)."""

BUNDLE = 32
"""Measurements written in one transaction: so many are measured twice at most where a run is broken off."""

SHOWN_CHANGES = 50
"""Changed photos that a summary lists by name; all are counted, and `--json` gives all."""


@dataclass(frozen=True)
class Rescored:
    """One photo measured anew: what was said of its water before and what is said now."""

    photo_sha256: str
    name: str
    before: Assessment | None
    after: Assessment | None
    changed: bool
    written: bool
    sentence: str = ""


@dataclass(frozen=True)
class RescoreSummary:
    """What measuring anew changed or would change.

    `photos` are all of the log, `measured` those measured now; the others were measured by this very program and
    model before. `moves` counts the changed photos by grade before and grade after, most first; `listed` are the
    first `SHOWN_CHANGES` of them.
    """

    photos: int
    measured: int
    changed: int
    written: int
    failed: int
    moves: tuple[tuple[str, str, int], ...]
    listed: tuple[Rescored, ...]


@needs(Right.ARCHIVE)
def rescore(
    log: Log,
    *,
    write: bool,
    at: datetime,
    progress: Watch | None = None,
    measure: Measure | None = None,
    workers_asked: int | None = None,
    cluster: str | None = None,
) -> Iterator[Rescored]:
    """Measure every photo with the present program and model that it has not measured yet; take what comes out.

    Nothing is written unless `write` is true, and then only appended: the old measurements stay. Broken off, it goes
    on where it stopped; done twice, the second time finds nothing to measure.

    Parameters
    ----------
    progress : callable, optional
        Told how many photos are done, of how many, those measured before counted.
    measure : callable, optional
        Measures one job; by default `vision` with the shipped grader. One that does not say its `versions` measures
        all photos.
    workers_asked : int, optional
        How many worker programs here; by default one a core.
    cluster : str, optional
        A Dask scheduler's address, or "local:N" for N workers on this machine (`app.cluster`).

    Raises
    ------
    CannotMeasure
        If no worker can be had, or the cluster's have another version.
    """
    how = measure or own_measurer(log) or shipped_measurer()
    return _rescored(_Run(log, write, at, progress, how, versions_of(how)), workers_asked, cluster)


@dataclass
class _Run:
    """What one run needs, and how far it is."""

    log: Log
    write: bool
    at: datetime
    progress: Watch | None
    measure: Measure
    versions: Mapping[str, str] | None
    total: int = 0
    done: int = 0
    faded: dict[int, bool] = field(default_factory=dict)


def _rescored(run: _Run, workers_asked: int | None, cluster: str | None) -> Iterator[Rescored]:
    """Measure and give what comes out, bundle by bundle."""
    run.total = run.log.photo_count()
    handed_out: deque[Row] = deque()
    jobs = _jobs(run, handed_out)
    if cluster is None:
        outcomes = workers.measure_all(jobs, measure=run.measure, workers=workers_asked)
    else:
        from app.cluster import measure_on_cluster

        outcomes = measure_on_cluster(jobs, measure=run.measure, where=cluster)
    bundle: list[tuple[Row, Outcome]] = []
    for outcome in outcomes:
        bundle.append((handed_out.popleft(), outcome))
        if len(bundle) >= (BUNDLE if run.write else 1):
            yield from _finish(run, bundle)
            bundle.clear()
    yield from _finish(run, bundle)
    _tell(run, 0)


def _jobs(run: _Run, handed_out: deque[Row]) -> Iterator[Job]:
    """Give the jobs still to be done, their rows noted in the same order."""
    by_pool = {pool.id: pool for pool in run.log.pools()}
    after = 0
    while rows := run.log.photos(after=after, most=PAGE):
        after = rows[-1]["place"]
        for row in rows:
            job = job_of(run.log, row, by_pool.get(row["pool_id"]))
            if _is_measured(run, row["sha256"], job):
                run.done += 1
                continue
            handed_out.append(row)
            yield job
        _tell(run, 0)


def _is_measured(run: _Run, sha256: str, job: Job) -> bool:
    """Tell whether the present program and model have measured a photo from what is known now."""
    if run.versions is None:
        return False
    key = (run.versions.get("turnblue", ""), run.versions.get("grader", ""), inputs_of(job))
    return run.log.has_measurement(sha256, pipeline=key[0], model=key[1], inputs=key[2])


def _finish(run: _Run, bundle: list[tuple[Row, Outcome]]) -> Iterator[Rescored]:
    """Append a bundle where the run writes, and give what it says; given only when it is on disk."""
    told = []
    if run.write:
        with run.log.atomic():
            told = [_one(run, row, outcome) for row, outcome in bundle]
    else:
        told = [_one(run, row, outcome) for row, outcome in bundle]
    _tell(run, len(bundle))
    yield from told


def _one(run: _Run, row: Row, outcome: Outcome) -> Rescored:
    """Return what became of one photo, appended where the run writes."""
    known = run.log.measurements_of(row["sha256"])
    before = assessment_of_result(known[0]["id"], kept_result(known[0])) if known else None
    result = say_if_faded(run.log, result_of(row, outcome, run.versions), run.faded)
    _refuse_other_version(run, outcome.result)
    after = None if result is None else assessment_of_result("", result)
    written = False
    if run.write and result is not None:
        written = append(run.log, row["sha256"], result, outcome.job, run.at) not in {each["id"] for each in known}
    return Rescored(
        photo_sha256=row["sha256"],
        name=row["original_name"],
        before=before,
        after=after,
        changed=result is not None and _says(before) != _says(after),
        written=written,
        sentence=outcome.sentence,
    )


def _refuse_other_version(run: _Run, result: PhotoResult | None) -> None:
    """Raise where a worker on another machine measured with another program or model."""
    if result is None or run.versions is None or dict(result.versions) == dict(run.versions):
        return
    raise CannotMeasure(
        f"A worker measured with other versions ({dict(result.versions)}) than this program ({dict(run.versions)}).",
        "Install the same Turnblue on all machines of the cluster. What was measured before stays.",
    )


def _tell(run: _Run, more: int) -> None:
    """Count photos as done and say so."""
    run.done += more
    if run.progress is not None:
        run.progress(run.done, run.total)


def _says(assessment: Assessment | None) -> Assessment | None:
    """Return an assessment without the measurement's own id, to compare two."""
    return None if assessment is None else replace(assessment, measurement_id="")


@touches_no_log
def summarise(told: Iterable[Rescored], *, photos: int) -> RescoreSummary:
    """Count what measuring anew said, holding no more than the photos listed.

    Parameters
    ----------
    told : iterable of Rescored
        From `rescore`.
    photos : int
        How many photos the log has.
    """
    moves: Counter[tuple[str, str]] = Counter()
    listed: list[Rescored] = []
    measured = written = failed = 0
    for each in told:
        measured += 1
        written += each.written
        failed += bool(each.sentence)
        if each.changed:
            moves[_grade(each.before), _grade(each.after)] += 1
            if len(listed) < SHOWN_CHANGES:
                listed.append(each)
    ordered = sorted(moves.items(), key=lambda move: (-move[1], move[0]))
    return RescoreSummary(
        photos=photos,
        measured=measured,
        changed=moves.total(),
        written=written,
        failed=failed,
        moves=tuple((before, after, count) for (before, after), count in ordered),
        listed=tuple(listed),
    )


def _grade(assessment: Assessment | None) -> str:
    """Return an assessment's two grades as one word or two."""
    if assessment is None:
        return "not measured"
    if not assessment.usable or assessment.clarity is None or assessment.severity is None:
        return "not usable"
    return f"{assessment.clarity.value}, {assessment.severity.value}"
