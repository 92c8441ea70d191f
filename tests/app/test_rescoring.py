"""An archive measured anew: resumed, in bundles, the same from any number of workers and from a cluster."""

from concurrent.futures import CancelledError
from contextlib import nullcontext
from dataclasses import replace
from datetime import UTC, datetime
from urllib.error import HTTPError
from urllib.parse import urlsplit
from urllib.request import urlopen

import pytest
from fake_measuring import FakeVersioned

from app import actions, rescoring
from app.actions import PhotoIn
from app.crew import TOO_BUSY
from app.errors import CannotMeasure
from app.records import FilterKind, Pool

NOW = datetime(2026, 6, 3, 16, 0, tzinfo=UTC)
NEWER = FakeVersioned("fake-2", instead="good clear none 0.9")


@pytest.fixture
def log(tmp_path):
    with actions.open_log(tmp_path / "home") as opened:
        pool = actions.add_pool(opened, Pool("", "Cedar Lane 12", 50_000.0, FilterKind.SAND), at=NOW)
        recovery = actions.open_recovery(opened, pool.id, at=NOW)
        photos = [PhotoIn(f"IMG_{number}.jpg", f"good hazy light 0.{number}".encode()) for number in range(10, 20)]
        actions.log_visit(opened, recovery.id, at=NOW, by="Robin", photos=photos, measure=FakeVersioned("fake-1"))
        yield opened


def asked(url):
    """Return the status that an address answers with."""
    try:
        return urlopen(url, timeout=5).status
    except HTTPError as error:
        error.close()
        return error.code


def models_of(log):
    return [[row["model_id"] for row in log.measurements_of(each["sha256"])] for each in log.photos()]


def test_broken_off_it_goes_on_where_it_stopped(log, monkeypatch):
    monkeypatch.setattr(rescoring, "BUNDLE", 3)
    told = actions.rescore(log, write=True, at=NOW, measure=NEWER, workers_asked=1)
    first = [next(told).name for _ in range(4)]
    told.close()
    # Two bundles were on disk before the fourth photo was told.
    assert first == ["IMG_10.jpg", "IMG_11.jpg", "IMG_12.jpg", "IMG_13.jpg"]
    assert [len(each) for each in models_of(log)] == [2] * 6 + [1] * 4
    watched = []
    rest = list(
        actions.rescore(log, write=True, at=NOW, measure=NEWER, progress=lambda done, of: watched.append((done, of)))
    )
    assert [each.name for each in rest] == [f"IMG_{number}.jpg" for number in range(16, 20)]
    assert all(each.changed and each.written for each in rest)
    assert (watched[-1], watched == sorted(watched)) == ((10, 10), True)
    assert models_of(log) == [["fake-2", "fake-1"]] * 10
    assert list(actions.rescore(log, write=True, at=NOW, measure=NEWER)) == []


def test_nothing_is_measured_that_this_program_and_model_measured(log):
    assert list(actions.rescore(log, write=False, at=NOW, measure=FakeVersioned("fake-1"))) == []


def test_archive_is_read_page_by_page(log, monkeypatch):
    asked = []
    real = log.photos

    def photos(**options):
        rows = real(**options)
        asked.append(len(rows))
        return rows

    monkeypatch.setattr(rescoring, "PAGE", 4)
    monkeypatch.setattr(log, "photos", photos)
    assert len(list(actions.rescore(log, write=False, at=NOW, measure=NEWER))) == 10
    assert asked == [4, 4, 2, 0]


def test_summary_counts_all_and_lists_the_first(log, monkeypatch):
    monkeypatch.setattr(rescoring, "SHOWN_CHANGES", 2)
    told = actions.summarise(actions.rescore(log, write=False, at=NOW, measure=NEWER), photos=12)
    assert (told.photos, told.measured, told.changed, told.written, told.failed) == (12, 10, 10, 0, 0)
    assert told.moves == (("hazy, light", "clear, none", 10),)
    assert [each.name for each in told.listed] == ["IMG_10.jpg", "IMG_11.jpg"]
    from app.console import rescored_text

    text = rescored_text(told, False).splitlines()
    assert "and 8 more; --json lists all." in text
    assert text[-3:] == [
        "10 of 10 photos are told otherwise.",
        "2 were measured by this program and model before.",
        "Nothing was written; --write appends what is new.",
    ]


def test_cluster_says_the_same_as_this_machine(log):
    pytest.importorskip("distributed", reason="dask.distributed comes with the extra [cluster]")
    here = list(actions.rescore(log, write=False, at=NOW, measure=NEWER, workers_asked=1))
    assert list(actions.rescore(log, write=False, at=NOW, measure=NEWER, workers_asked=2)) == here
    there = list(actions.rescore(log, write=True, at=NOW, measure=NEWER, cluster="local:2"))
    assert [replace(each, written=False) for each in there] == here
    assert models_of(log) == [["fake-2", "fake-1"]] * 10


def test_cluster_made_here_takes_nobody_without_its_certificate():
    distributed = pytest.importorskip("distributed", reason="dask.distributed comes with the extra [cluster]")
    import dask

    from app.cluster import _client

    with _client("local:1") as inside:
        address = inside.scheduler.address
        assert address.startswith("tls://127.0.0.1:")
        assert all(each.startswith("tls://127.0.0.1:") for each in inside.scheduler_info()["workers"])
        stranger = distributed.Security.temporary()
        for tried, shown in ((address.replace("tls", "tcp", 1), None), (address, stranger)):
            with pytest.raises(OSError):  # Dask's own words differ by version
                distributed.Client(tried, security=shown, timeout=2)
        # Who has the certificate gets in by Dask's own settings, as on several machines.
        held = inside.security
        with (
            dask.config.set(
                {
                    "distributed.comm.tls.ca-file": held.tls_ca_file,
                    "distributed.comm.tls.client.cert": held.tls_client_cert,
                    "distributed.comm.tls.client.key": held.tls_client_key,
                }
            ),
            _client(address) as let_in,
        ):
            assert let_in.submit(sum, (1, 2)).result() == 3
        pages = urlsplit(inside.dashboard_link)
        for page in ("/info/main/workers.html", "/json/identity.json", "/metrics", "/status"):
            assert asked(f"http://{pages.netloc}{page}") == 404


class Cluster:
    """Stands for a cluster that answers each errand by an error."""

    def __init__(self, error):
        self.error = error

    def nthreads(self):
        return {"a": 1}

    def submit(self, *_given, **_named):
        return self

    def done(self):
        return True

    def result(self):
        raise self.error


def test_cluster_that_loses_its_workers_says_it_of_each_photo(log, monkeypatch):
    scheduler = pytest.importorskip("distributed.scheduler", reason="comes with the extra [cluster]")
    error = scheduler.KilledWorker("errand", None, 3)
    monkeypatch.setattr("app.cluster._client", lambda _where: nullcontext(Cluster(error)))
    told = list(actions.rescore(log, write=True, at=NOW, measure=NEWER, cluster="local:2"))
    assert len(told) == 10
    assert {each.sentence for each in told} == {TOO_BUSY}
    assert models_of(log) == [["fake-1"]] * 10


def elsewhere():
    """Return how Dask says that another machine has not this program."""
    try:
        try:
            raise ModuleNotFoundError("No module named 'app'")
        except ImportError as missing:
            raise RuntimeError("Error during deserialization of the task graph.") from missing
    except RuntimeError as error:
        return error


@pytest.mark.parametrize(
    ("error", "says"),
    [
        (
            CancelledError("scheduler-connection-lost"),
            r"The cluster at tcp://x answers no more\. What was measured stays",
        ),
        (elsewhere(), r"cannot run this program \(No module named 'app'\)\. Install the same Turnblue on all"),
        (ModuleNotFoundError("No module named 'app'"), r"cannot run this program \(No module named 'app'\)\."),
    ],
    ids=["scheduler lost", "scheduler without it", "worker without it"],
)
def test_cluster_that_is_lost_or_lacks_the_program_is_a_sentence(log, monkeypatch, error, says):
    pytest.importorskip("distributed", reason="dask.distributed comes with the extra [cluster]")
    monkeypatch.setattr("app.cluster._client", lambda _where: nullcontext(Cluster(error)))
    with pytest.raises(CannotMeasure, match=says):
        list(actions.rescore(log, write=True, at=NOW, measure=NEWER, cluster="tcp://x"))
    assert models_of(log) == [["fake-1"]] * 10


@pytest.mark.parametrize(
    ("where", "says"),
    [("local:none", r"'local:none' names no cluster. Write local:2"), ("tcp://127.0.0.1:9", "does not answer")],
)
def test_cluster_that_is_none_is_a_sentence(log, where, says, monkeypatch):
    pytest.importorskip("distributed", reason="dask.distributed comes with the extra [cluster]")
    monkeypatch.setattr("app.cluster.CONNECT_S", 0.5)
    with pytest.raises(CannotMeasure, match=says):
        list(actions.rescore(log, write=False, at=NOW, measure=NEWER, cluster=where))


def test_worker_of_another_version_is_refused(log, monkeypatch):
    monkeypatch.setattr(rescoring, "versions_of", lambda _: {"turnblue": "9", "grader": "other"})
    with pytest.raises(
        CannotMeasure, match=r"measured with other versions .*Install the same Turnblue on all machines"
    ):
        list(actions.rescore(log, write=True, at=NOW, measure=NEWER))
    assert models_of(log) == [["fake-1"]] * 10
