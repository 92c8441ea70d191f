"""Pools found among many: by words, page by page, by name, and only those that the actor sees."""

from datetime import UTC, datetime, timedelta

import pytest

from app import actions
from app.access import Actor, Role
from app.errors import CompanyRefused, NotInLog
from app.records import Company, FilterKind, Pool

NOW = datetime(2026, 6, 3, 9, 0, tzinfo=UTC)


@pytest.fixture
def log(tmp_path):
    with actions.open_log(tmp_path / "log") as opened:
        for number in range(60):
            owner, town = ("Peña" if number == 7 else "Smith"), ("Nogales" if number % 20 == 0 else "Yuma")
            pool = Pool(f"p-{number}", f"Pool {number:02d}", 50_000.0, FilterKind.SAND, owner=owner, town=town)
            actions.add_pool(opened, pool, at=NOW)
        yield opened


def names(found):
    return [each.pool.name for each in found.rows]


def test_pages_follow_each_other_by_name_and_leave_none_out(log):
    pages = [actions.find_pools(log, start=start, most=24) for start in (0, 24, 48)]
    assert [each.count for each in pages] == [60, 60, 60]
    assert [name for each in pages for name in names(each)] == [f"Pool {number:02d}" for number in range(60)]
    assert actions.find_pools(log, start=60).rows == ()


@pytest.mark.parametrize(
    ("words", "found"),
    [
        ("pool 07", ["Pool 07"]),
        ("PENA", ["Pool 07"]),
        ("peña", ["Pool 07"]),
        ("nogales", ["Pool 00", "Pool 20", "Pool 40"]),
        ("%", []),
        ("_", []),
        ("smith\nyuma", [f"Pool {number:02d}" for number in range(60) if number % 20 and number != 7]),
        ("nobody", []),
    ],
)
def test_words_are_found_in_name_owner_and_town_without_case_and_accents(log, words, found):
    page = actions.find_pools(log, words, most=100)
    assert (names(page), page.count) == (found, len(found))


def test_recoveries_come_with_their_pool_newest_first(log):
    first = actions.open_recovery(log, "p-3", at=NOW)
    actions.close_recovery(log, first.id, at=NOW + timedelta(days=9))
    second = actions.open_recovery(log, "p-3", at=NOW + timedelta(days=90))
    (row,) = actions.find_pools(log, "pool 03").rows
    assert [(each.id, each.closed_at is None) for each in row.recoveries] == [(second.id, True), (first.id, False)]
    assert actions.find_recovery(log, "pool 03").id == second.id


def test_tech_finds_and_counts_only_the_pools_assigned(log):
    with log.acting_as(Actor(Role.TECH, "Robin", "a-1", frozenset({"p-5", "p-6"}))):
        found = actions.find_pools(log)
        assert (names(found), found.count) == (["Pool 05", "Pool 06"], 2)
        assert [each.id for each in actions.find_pools_by_id(log, ["p-5", "p-7"])] == ["p-5"]
        with pytest.raises(NotInLog, match="There is no pool p-7"):
            actions.pool(log, "p-7")
        with pytest.raises(NotInLog, match="No pool is called"):
            actions.find_pool(log, "Pool 07")


def test_names_that_differ_by_an_accent_alone_are_told_apart(log):
    for pool_id, name in (("n-1", "Calle Peña 3"), ("n-2", "Calle Pena 3")):
        actions.add_pool(log, Pool(pool_id, name, 50_000.0, FilterKind.SAND), at=NOW)
    assert actions.find_pool(log, "calle peña 3").id == "n-1"
    assert actions.find_pool(log, "CALLE PENA 3").id == "n-2"


def test_the_index_serves_the_first_page(log):
    plan = log._rows("explain query plan select * from pools where 1 order by name collate nocase, id limit 24")
    assert any("pools_by_name" in row["detail"] for row in plan)


@pytest.mark.parametrize(
    ("typed", "kept"),
    [
        ("https://pools.example", "https://pools.example"),
        (" http://10.0.0.5:8501/ ", "http://10.0.0.5:8501"),
        ("https://[2001:db8::1]:8443", "https://[2001:db8::1]:8443"),
        ("", ""),
    ],
)
def test_public_address_is_kept_as_links_begin_with_it(log, typed, kept):
    actions.save_company(log, Company("Quillhaven", public_address=typed), at=NOW)
    assert actions.company(log).public_address == kept


@pytest.mark.parametrize("typed", ["pools.example", "ftp://pools.example", "https://", "https://a b", "javascript:1",
                                   "https://pools.example/under", 'https://x"onclick='])  # fmt: skip
def test_what_is_no_address_is_refused(log, typed):
    with pytest.raises(CompanyRefused, match="is no address"):
        actions.save_company(log, Company("Quillhaven", public_address=typed), at=NOW)
