"""Measuring many photos: order, cores, and photos that bring their worker down."""

import pytest
from fake_measuring import FakeMeasurer

from app.errors import GraderMissing
from app.workers import WORKER_DIED, Job, Measurer, Outcome, core_count, load_grader, measure_all


def jobs_of(folder, *texts):
    jobs = []
    for number, text in enumerate(texts):
        path = folder / f"{number:064x}"
        path.write_text(text)
        jobs.append(Job(path, f"IMG_{number}.jpg"))
    return jobs


def test_no_job_gives_no_outcome():
    assert list(measure_all([], measure=FakeMeasurer())) == []


def test_one_photo_is_measured_in_this_process(tmp_path):
    seen = []

    def here(job):  # a closure cannot be sent to another program
        seen.append(job.name)
        return FakeMeasurer()(job)

    (outcome,) = measure_all(jobs_of(tmp_path, "good hazy light 0.9"), measure=here)
    assert (seen, outcome.result.photo) == (["IMG_0.jpg"], "IMG_0.jpg")


def test_outcomes_come_in_the_order_given_and_the_batch_outlives_its_worst_photos(tmp_path):
    texts = ["good hazy light 0.9", "die", "unreadable", "flagged no_card", "die", "bug", "good clear none 0.8"]
    outcomes = list(measure_all(jobs_of(tmp_path, *texts), measure=FakeMeasurer(), workers=2))
    assert [outcome.job.name for outcome in outcomes] == [f"IMG_{number}.jpg" for number in range(7)]
    codes = ["", "worker_died", "photo_unreadable", "", "worker_died", "worker_died", ""]
    assert [outcome.code for outcome in outcomes] == codes
    assert [outcome.sentence for outcome in outcomes if outcome.code == "worker_died"] == [WORKER_DIED] * 3
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


@pytest.mark.parametrize("count", [1, 3], ids=["in this process", "in workers"])
def test_missing_model_is_told_once_not_for_each_photo(tmp_path, count):
    load_grader.cache_clear()
    jobs = jobs_of(tmp_path, *["x"] * count)
    with pytest.raises(GraderMissing, match=r"grader file none.npz could not be read.* Install Turnblue again"):
        list(measure_all(jobs, measure=Measurer(tmp_path / "none.npz")))


def test_programmers_mistake_stays_an_error_in_this_process(tmp_path):
    with pytest.raises(ValueError, match="planted"):
        list(measure_all(jobs_of(tmp_path, "bug"), measure=FakeMeasurer()))


def test_workers_must_be_one_or_more(tmp_path):
    with pytest.raises(ValueError, match="workers must be 1 or more, got 0"):
        list(measure_all(jobs_of(tmp_path, "x", "x"), measure=FakeMeasurer(), workers=0))
    assert core_count() >= 1
