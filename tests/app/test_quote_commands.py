"""Quote, prices, the dose's options and what else was seen: from the command line to the log and back."""

import json
import sqlite3
from dataclasses import replace
from datetime import UTC, datetime

import pytest
from click.testing import CliRunner
from fake_measuring import FakeMeasurer

from app import actions, cli, config
from app.records import Equipment, FilterKind, Pool, Sighting
from app.store import log as log_module
from app.store.log import LOG_FILE, Log
from app.store.migrations import APPLICATION_ID, MIGRATIONS

NOW = datetime(2026, 6, 3, 16, 0, tzinfo=UTC)
POOL = Pool("p-1", "Cedar Lane 12", 56_781.0, FilterKind.CARTRIDGE, turnover_h=9.5)
RUNNING = Equipment(power_on=True, pump_runs=True, flow_holds=True)


@pytest.fixture
def home(tmp_path, monkeypatch):
    folder = tmp_path / "home"
    monkeypatch.setenv(config.HOME_VARIABLE, str(folder))
    monkeypatch.setattr(actions, "shipped_measurer", FakeMeasurer)
    monkeypatch.setattr("app.measuring.shipped_measurer", FakeMeasurer)
    monkeypatch.setattr(cli, "_now", lambda: NOW)
    with actions.open_log(folder) as log:
        actions.add_pool(log, POOL)
        actions.open_recovery(log, "p-1", at=NOW)
    return folder


def run(*words):
    return CliRunner().invoke(cli.main, [str(word) for word in words])


def measured_visit(tmp_path, *more):
    path = tmp_path / "IMG_1.jpg"
    path.write_text("good opaque heavy 0.4")
    return run("visit", "Cedar Lane 12", path, *more)


def test_quote_from_the_first_measured_visit(home, tmp_path):
    refused = run("quote", "Cedar Lane 12")
    assert refused.exit_code == 1
    assert "no measured photo of this pool yet" in refused.stderr
    assert measured_visit(tmp_path).exit_code == 0
    plain = run("quote", "Cedar Lane 12")
    assert plain.exit_code == 0, plain.output
    assert "We expect" in plain.stdout
    assert "No cost: the price list lacks" in plain.stdout
    assert "Not in it" in plain.stdout
    assert "Cautions" in plain.stdout
    for item, price, *per in (
        ("sodium-hypochlorite", 4.5, "--per", "1gal"),
        ("sodium_bromide", 40, "--per", "1qt"),
        ("hydrochloric acid", 9, "--per", "1gal"),
        ("cyanuric_acid", 30, "--per", "10lb"),
        ("visit", 95),
    ):
        assert run("prices", item, price, *per).exit_code == 0
    told = json.loads(run("quote", "Cedar Lane 12", "--json").stdout)
    assert set(told) >= {"visits", "days", "chemicals", "cost", "excludes", "includes", "cautions", "sources", "say"}
    assert told["missing_prices"] == []
    assert told["cost"]["low"] < told["cost"]["mid"] < told["cost"]["high"]
    assert "$" in run("quote", "Cedar Lane 12").stdout


def test_prices_are_listed_set_and_refused(home):
    assert "No prices yet" in run("prices").stdout
    assert run("prices", "visit", 95, "--currency", "EUR ").exit_code == 0
    assert "EUR 95.00" in run("prices").stdout
    assert json.loads(run("prices", "--json").stdout)["prices"][0]["item"] == "visit"
    wrong = run("prices", "sodium_hypochlorite", 4.5)
    assert wrong.exit_code == 1
    assert "is priced by a volume" in wrong.stderr
    assert run("prices", "visit").exit_code == 2
    assert run("prices", "visit", 4, "--per", "a bit").exit_code == 2


def test_the_old_price_stays_in_the_history(home):
    run("prices", "visit", 95)
    run("prices", "visit", 99)
    with actions.open_log(home) as log:
        assert [each["after"].count("99.0") for each in log.history_of("price_list", "1")] == [0, 1]


def test_dose_from_the_shape_with_age_doubt_and_cost(home):
    run("prices", "sodium_hypochlorite", 4.5, "--per", "1gal")
    shape = ("--shape", "rectangle", "--length", "32ft", "--width", "16ft", "--shallow", "5.5ft")
    fresh = json.loads(run("dose", "sodium_hypochlorite", *shape, "--raise", 10, "--json").stdout)
    # 21,065 gal (plain geometry) x 10 / 125,000 = 1.685 gal, at $4.50 a gallon.
    assert fresh["amount"] / 3.785411784 == pytest.approx(1.6852, abs=5e-4)
    assert fresh["cost"]["mid"] == pytest.approx(7.58, abs=0.01)
    old = json.loads(
        run("dose", "sodium_hypochlorite", *shape, "--raise", 10, "--age", 60, "--stored-at", "95F", "--json").stdout
    )
    assert old["amount"] > 1.5 * fresh["amount"]
    doubtful = run("dose", "sodium_hypochlorite", *shape, "--raise", 10, "--doubt", 25)
    assert "off by 25%" in doubtful.stdout
    assert "costs $7.58" in doubtful.stdout
    by_weight = json.loads(
        run("dose", "sodium_hypochlorite", *shape, "--raise", 10, "--strength", 10.78, "--basis", "weight_chlorine",
            "--json").stdout
    )  # fmt: skip
    # White (1972): 10.78 % by weight as chlorine is 12.5 trade %.
    assert by_weight["amount"] == pytest.approx(fresh["amount"], rel=2e-3)


def test_several_chemicals_go_in_rounds(home):
    words = ("dose", "sodium_hypochlorite", "--volume", "15000gal", "--raise", 10, "--with", "hydrochloric acid")
    said = run(*words).stdout
    assert "1. hydrochloric acid" in said
    assert "2. sodium hypochlorite" in said
    assert json.loads(run(*words, "--json").stdout)["rounds"] == [["hydrochloric_acid"], ["sodium_hypochlorite"]]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        pytest.param((), "Give the pool's --volume, or its --shape", id="neither"),
        pytest.param(("--volume", "1gal", "--shape", "round"), "Give the pool's --volume, or its", id="both"),
        pytest.param(("--shape", "kidney", "--length", "9m"), "needs --length --width --width2 --shallow", id="kidney"),
        pytest.param(("--shape", "round", "--length", "9"), "is no pool's side", id="no unit"),
        pytest.param(("--volume", "1gal", "--stored-at", "warm"), "is no temperature", id="temperature"),
        pytest.param(("--volume", "1gal", "--doubt", "80"), "not in the range", id="doubt"),
    ],
)
def test_wrong_usage_of_dose_is_said(home, words, said):
    result = run("dose", "sodium_hypochlorite", "--raise", "1", *words)
    assert result.exit_code == 2
    assert said in result.output


def test_dose_makes_no_log_to_look_for_prices(tmp_path, monkeypatch):
    monkeypatch.setenv(config.HOME_VARIABLE, str(tmp_path / "none"))
    assert run("dose", "sodium_hypochlorite", "--volume", "1000gal", "--raise", 1).exit_code == 0
    assert not (tmp_path / "none").exists()


def test_what_else_was_seen_is_kept_and_moves_the_plan(home, tmp_path):
    assert measured_visit(tmp_path, "--saw", "turned_by_chlorine", "--saw", "foam").exit_code == 0
    with actions.open_log(home) as log:
        found = actions.open_recoveries(log)[0]
        assert set(found.visits[0].sightings) == {Sighting.TURNED_BY_CHLORINE, Sighting.FOAM}
        assert found.pool.turnover_h == 9.5
        changed = replace(found.visits[0], sightings=(), equipment=RUNNING)
        assert actions.update_visit(log, changed, at=NOW, by="Robin").sightings == ()
        assert len(log.history_of("sightings", changed.id)) == 2
    assert measured_visit(tmp_path, "--saw", "ghosts").exit_code == 2


def test_the_sightings_of_the_command_are_those_of_the_records():
    assert set(cli.SIGHTINGS) == {each.value for each in Sighting}


def test_a_log_of_the_first_version_is_brought_up_to_date(tmp_path, monkeypatch):
    monkeypatch.setattr(log_module, "MIGRATIONS", MIGRATIONS[:1])
    Log(tmp_path).close()
    db = sqlite3.connect(tmp_path / LOG_FILE)
    db.execute(
        "insert into pools (id, name, volume_l, filter_kind, surface, indoor, public, salt_cell, owner, town, note) "
        "values ('p-1', 'Old pool', 40000.0, 'sand', 'plaster', 0, 0, 0, '', '', '')"
    )
    db.commit()
    assert db.execute("pragma user_version").fetchone()[0] == 1
    assert db.execute("pragma application_id").fetchone()[0] == APPLICATION_ID
    db.close()
    monkeypatch.undo()
    with Log(tmp_path) as log:
        (pool,) = log.pools()
        assert (pool.name, pool.turnover_h) == ("Old pool", None)
        assert log.price_list().prices == ()
        log.update_pool(replace(pool, turnover_h=8.0), at=NOW, who="Robin")
        assert log.pools()[0].turnover_h == 8.0
