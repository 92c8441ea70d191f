"""Any file at all as a photo: a sentence, no dead program, nothing else disturbed. `python -m tests.fuzz_photos` tries
thousands; here are the hand-made traps and some mutants."""

from datetime import UTC, datetime

import pytest
from click.testing import CliRunner

from app import actions
from app.actions import PhotoIn
from app.records import FilterKind, Pool
from tests import fuzz_photos

NOW = datetime(2026, 6, 3, 16, 0, tzinfo=UTC)


@pytest.mark.slow
def test_no_file_harms_anything_and_every_refusal_is_a_sentence():
    found = fuzz_photos.run(20, large=False, say=lambda _: None)
    assert found.wrong == []
    assert found.ended["refused"] > 30
    assert found.ended["measured"] > 10


@pytest.mark.slow
def test_traps_beside_a_photo_cost_it_nothing(tmp_path):
    seeds = fuzz_photos.seeds(large=False)
    hostile = ("zip", "zip behind a jpeg", "page in a jpeg", "postscript", "svg", "text bomb", "one pixel", "text")
    photos = [PhotoIn(f"../../{name}.jpg", seeds[name]) for name in hostile]
    with actions.open_log(tmp_path / "home") as log:
        pool = actions.add_pool(log, Pool("", "Cedar Lane 12", 50_000.0, FilterKind.SAND), at=NOW)
        recovery = actions.open_recovery(log, pool.id, at=NOW)
        logged = actions.log_visit(
            log, recovery.id, at=NOW, by="Robin", photos=[*photos, PhotoIn("good.jpg", seeds["sample 0"])]
        )
        assert "good.jpg" in {each.name for each in logged.measured}
        assert all(fuzz_photos.SENTENCE.match(each.sentence) for each in logged.refused)
        # Every file is kept as it came, under its sha256 and no other name.
        assert len(logged.visit.photo_sha256s) == len(hostile) + 1
        kept = {actions.photo_bytes(log, each) for each in logged.visit.photo_sha256s}
        assert kept == {seeds["sample 0"], *(seeds[name] for name in hostile)}
        assert {path.name for path in tmp_path.iterdir()} == {"home"}


@pytest.mark.slow
def test_score_goes_on_after_a_bad_file(tmp_path):
    from app.cli import main

    seeds = fuzz_photos.seeds(large=False)
    for name in ("zip", "gif that moves", "cmyk", "nothing", "sample 0"):
        if name in seeds:
            (tmp_path / f"{name}.jpg").write_bytes(seeds[name])
    (tmp_path / "a folder.jpg").mkdir()
    paths = sorted(map(str, tmp_path.iterdir()))
    told = CliRunner().invoke(main, ["score", *paths, "--json"])
    assert told.exit_code == 1
    assert len(told.stdout.splitlines()) == len(paths)
    assert f"{len(paths) - 1} could not be read:" in told.stderr
    assert "Traceback" not in told.output
