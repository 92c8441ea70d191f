"""A recovery as a table and as JSON: everything is there, and a spreadsheet runs none of it."""

import csv
import io
import json
from dataclasses import replace

import pytest
from report_cases import CHLORINE, CRISP, GREEN, POOL, recovery

from app.records import Equipment, Method, Price, PriceList, Reading, Sighting
from app.report.table import COLUMNS, FORMULA_STARTS, harmless, recovery_csv, recovery_json

PRICES = PriceList("$", (Price("sodium_hypochlorite", 4.0, 2.0, "L"),))
FULL = replace(
    GREEN,
    note='=HYPERLINK("http://x","y")',
    by="-2+3",
    equipment=Equipment(power_on=True, filter_pressure_kpa=90.0),
    readings=(Reading("ph", 7.4, 7.2, 7.6, "", Method.DROP_COUNT),),
    sightings=(Sighting.FOAM,),
    floor_seen=False,
)


def rows(visits=(FULL, CRISP), prices=PRICES):
    return list(csv.DictReader(io.StringIO(recovery_csv(recovery(*visits), prices), newline="")))


def test_everything_recorded_has_its_row():
    found = {(row["kind"], row["name"]): row for row in rows()}
    assert tuple(rows()[0]) == COLUMNS
    assert found["poured", "sodium_hypochlorite"]["value"] == "30.283"
    assert found["poured", "sodium_hypochlorite"]["cost"] == "60.57"  # 2 $ a litre
    assert found["reading", "ph"]["how"] == "drop_count"
    assert found["equipment", "power_on"]["value"] == "yes"
    assert found["equipment", "filter_pressure_kpa"]["unit"] == "kPa"
    assert found["sighting", "foam"]
    assert found["seen", "floor_seen"]["value"] == "no"
    assert found["work", "handed_over"]
    depth = found["measurement", "visible_depth_m"]
    # The last visit's photo bounds it from below only: no upper end.
    assert (depth["value"], depth["high"], depth["unit"]) == ("7.8", "", "m")


def test_nothing_typed_runs_as_a_formula():
    for row in rows():
        for name, cell in row.items():
            number = cell.replace(".", "", 1).removeprefix("-").isdigit()
            assert number or not cell.startswith(FORMULA_STARTS), (name, cell)
    assert {row["by"] for row in rows((FULL,))} == {"'-2+3"}
    assert next(row for row in rows() if row["kind"] == "note")["value"].startswith("'=HYPERLINK")


@pytest.mark.parametrize("risky", ["=1", "+1", "-1", "@x", "\t=1", "\r=1", " =1"], ids=repr)
def test_each_beginning_of_a_formula_is_met(risky):
    assert harmless(risky) == f"'{risky}"


def test_without_prices_there_is_no_cost():
    assert {row["cost"] for row in rows(prices=None)} == {""}


def test_json_is_whole_and_says_times_with_their_zone():
    told = json.loads(json.dumps(recovery_json(recovery(FULL, CRISP), [{"id": "m-1"}], PRICES), allow_nan=False))
    assert told["recovery"]["pool"]["name"] == POOL.name
    assert told["recovery"]["visits"][0]["at"].endswith("+00:00")
    assert told["recovery"]["visits"][0]["treatments"][0]["amount"] == CHLORINE.amount
    assert told["costs"] == [{"visit_id": "v-1", "chemical": "sodium_hypochlorite", "cost": 60.57}]
    assert told["measurements"] == [{"id": "m-1"}]
