"""Measuring many photos: order, cores, and photos that bring their worker down."""

import hashlib
from pathlib import Path

import pytest
from fake_measuring import FakeMeasurer

from app.crew import DIED, core_count
from app.errors import GraderMissing, PhotoDamaged
from app.workers import AHEAD, Job, Measurer, Outcome, measure_all, read_job


def jobs_of(folder, *texts):
    jobs = []
    for number, text in enumerate(texts):
        path = folder / f"{number:064x}"
        path.write_text(text)
        jobs.append(Job(path, f"IMG_{number}.jpg"))
    return jobs


def test_no_job_gives_no_outcome():
    assert list(measure_all([], measure=FakeMeasurer())) == []


def test_jobs_are_taken_as_they_are_needed(tmp_path):
    taken = []

    def endless():
        for job in jobs_of(tmp_path, *["good hazy light 0.9"] * 40):
            taken.append(job.name)
            yield job

    outcomes = measure_all(endless(), measure=FakeMeasurer(), workers=2)
    assert next(outcomes).job.name == "IMG_0.jpg"
    # A few ahead for each of the two workers, however many there are.
    assert len(taken) <= AHEAD * 2
    outcomes.close()


def test_outcomes_come_in_the_order_given_and_the_batch_outlives_its_worst_photos(tmp_path):
    texts = ["good hazy light 0.9", "die", "unreadable", "flagged no_card", "die", "bug", "good clear none 0.8"]
    outcomes = list(measure_all(jobs_of(tmp_path, *texts), measure=FakeMeasurer(), workers=2))
    assert [outcome.job.name for outcome in outcomes] == [f"IMG_{number}.jpg" for number in range(7)]
    codes = ["", "worker_died", "photo_unreadable", "", "worker_died", "worker_died", ""]
    assert [outcome.code for outcome in outcomes] == codes
    assert [outcome.sentence for outcome in outcomes if outcome.code == "worker_died"] == [DIED] * 3
    assert outcomes[0].result.water.clarity.grade == "hazy"
    assert outcomes[6].result.water.clarity.grade == "clear"
    assert not outcomes[3].result.usable


def test_sentence_names_the_photo_as_people_know_it(tmp_path):
    for count in (1, 2):
        outcome = next(iter(measure_all(jobs_of(tmp_path, *["unreadable"] * count), measure=FakeMeasurer())))
        assert outcome.sentence == "The file IMG_0.jpg is not a photo that can be read. Send a JPEG."


def test_result_is_the_same_from_one_worker_and_from_two(tmp_path):
    jobs = jobs_of(tmp_path, *[f"good hazy light 0.{number}" for number in range(1, 8)])
    one = list(measure_all(jobs, measure=FakeMeasurer(), workers=1))
    two = list(measure_all(jobs, measure=FakeMeasurer(), workers=2))
    # NaN is not itself: compared as text.
    assert repr(one) == repr(two)


def test_batch_can_be_left_early_without_waiting_for_it(tmp_path):
    outcomes = measure_all(jobs_of(tmp_path, *["good hazy light 0.9"] * 20), measure=FakeMeasurer(), workers=2)
    assert isinstance(next(outcomes), Outcome)
    outcomes.close()


@pytest.mark.parametrize("count", [1, 3])
def test_missing_model_is_told_once_not_for_each_photo(tmp_path, count):
    jobs = jobs_of(tmp_path, *["x"] * count)
    with pytest.raises(GraderMissing, match=r"grader file none.npz could not be read.* Install Turnblue again"):
        list(measure_all(jobs, measure=Measurer(tmp_path / "none.npz")))


def test_photo_in_no_folder_is_read_from_its_store_and_checked(tmp_path):
    pytest.importorskip("fsspec", reason="fsspec comes with the extra [cluster]")
    content = b"as received"
    sha256 = hashlib.sha256(content).hexdigest()
    (tmp_path / sha256).write_bytes(content)
    job = Job(Path("missing"), "a.jpg", address=f"file://{tmp_path}/{sha256}")
    assert read_job(job) == content
    (tmp_path / sha256).write_bytes(b"altered")
    with pytest.raises(PhotoDamaged, match=r"is no longer what was received. See: turnblue verify"):
        read_job(job)
    (tmp_path / sha256).unlink()
    with pytest.raises(PhotoDamaged, match="could not be read"):
        read_job(job)


def test_workers_must_be_one_or_more(tmp_path):
    with pytest.raises(ValueError, match="workers must be 1 or more, got 0"):
        list(measure_all(jobs_of(tmp_path, "x", "x"), measure=FakeMeasurer(), workers=0))
    assert core_count() >= 1
