"""The log's schema as numbered steps: each is run once, in its own transaction, and never edited after release.

In: a connection inside an immediate transaction. Out: the tables. `MIGRATIONS[n]` takes a log from version n to
n + 1; the version is kept in SQLite's `user_version`, which is part of the transaction.
"""

from __future__ import annotations

from collections.abc import Callable

from sqlite_utils import Database

APPLICATION_ID = 0x54424C55
"""Written into the file's header, so that another program's database is not taken for a log ("TBLU")."""


def create_log(db: Database) -> None:
    """Create the first tables: pools, recoveries, visits and all that hangs on a visit.

    Times are ISO 8601 text with their zone. What is measured and what was changed is appended and cannot be
    altered: triggers refuse it, so that no later code can either.
    """
    for statement in _TABLES.split(";\n\n"):
        db.conn.execute(statement)


def add_sightings_and_prices(db: Database) -> None:
    """Add what a tech saw besides, how fast a pool's water is turned over, and the company's price list."""
    for statement in _SIGHTINGS_AND_PRICES.split(";\n\n"):
        db.conn.execute(statement)


def add_print_runs(db: Database) -> None:
    """Add the measured print runs of the card, and a quick way to one card's photos."""
    for statement in _PRINT_RUNS.split(";\n\n"):
        db.conn.execute(statement)


def add_strips(db: Database) -> None:
    """Add the kinds of test strip that were taught, what is known of each strip's photo, and a reading's dilution."""
    for statement in _STRIPS.split(";\n\n"):
        db.conn.execute(statement)


def keep_free(db: Database) -> None:
    """Change nothing: a number kept for tables that come before the first release."""


def add_accounts(db: Database) -> None:
    """Add accounts, what each password is checked against, who is signed in, which pools a tech sees, failed tries."""
    for statement in _ACCOUNTS.split(";\n\n"):
        db.conn.execute(statement)


def add_reports(db: Database) -> None:
    """Add the reports that were made, the customers' links, and the company's logo and language."""
    for statement in _REPORTS.split(";\n\n"):
        db.conn.execute(statement)


def add_intake(db: Database) -> None:
    """Add photos that wait to be sorted into visits, visits begun and not saved, and where a pool is."""
    for statement in _INTAKE.split(";\n\n"):
        db.conn.execute(statement)


def add_sighted(db: Database) -> None:
    """Add how far a person saw into the water at a visit: the sighting disc's depth, what was seen and what not."""
    db.conn.execute(_SIGHTED)


def add_confirmations(db: Database) -> None:
    """Add the grades that a person confirmed or corrected."""
    for statement in _CONFIRMATIONS.split(";\n\n"):
        db.conn.execute(statement)


def add_languages_and_address(db: Database) -> None:
    """Add the languages that the company and each person read, the public address, and a quick way to pools by name."""
    for statement in _LANGUAGES_AND_ADDRESS.split(";\n\n"):
        db.conn.execute(statement)


def add_typed(db: Database) -> None:
    """Add what was typed at visits and not saved yet."""
    for statement in _TYPED.split(";\n\n"):
        db.conn.execute(statement)


MIGRATIONS: tuple[Callable[[Database], None], ...] = (
    create_log,
    add_sightings_and_prices,
    add_print_runs,
    add_strips,
    add_accounts,
    add_reports,
    add_intake,
    keep_free,
    add_sighted,
    add_confirmations,
    add_languages_and_address,
    add_typed,
)
"""In order; append only. Those that change nothing are replaced before the first release."""

_TABLES = """
create table company (
    id integer primary key check (id = 1),
    name text not null,
    phone text not null,
    units text not null check (units in ('us', 'metric')),
    invented integer not null check (invented in (0, 1))
) strict;

create table pools (
    id text primary key,
    name text not null,
    volume_l real not null check (volume_l > 0),
    filter_kind text not null,
    surface text not null,
    floor_colour text,
    depth_shallow_m real,
    depth_deep_m real,
    has_waste_port integer check (has_waste_port in (0, 1)),
    clean_pressure_kpa real,
    indoor integer not null check (indoor in (0, 1)),
    public integer not null check (public in (0, 1)),
    salt_cell integer not null check (salt_cell in (0, 1)),
    owner text not null,
    town text not null,
    note text not null
) strict;

create table recoveries (
    id text primary key,
    pool_id text not null references pools (id),
    opened_at text not null,
    closed_at text
) strict;

create index recoveries_by_pool on recoveries (pool_id);

create unique index one_open_recovery_a_pool on recoveries (pool_id) where closed_at is null;

create table visits (
    id text primary key,
    recovery_id text not null references recoveries (id),
    at text not null,
    "by" text not null,
    floor_seen integer check (floor_seen in (0, 1)),
    debris_on_floor integer check (debris_on_floor in (0, 1)),
    sludge_depth_m real,
    note text not null
) strict;

create index visits_by_recovery on visits (recovery_id);

create table photos (
    sha256 text primary key check (length(sha256) = 64),
    original_name text not null,
    size_bytes integer not null check (size_bytes > 0),
    taken_at text,
    received_at text not null,
    visit_id text references visits (id),
    kind text check (kind in ('water', 'strip', 'disc', 'other'))
) strict;

create index photos_by_visit on photos (visit_id);

create trigger photos_stay before delete on photos
begin select raise(abort, 'photos are never removed'); end;

create trigger photos_keep_bytes before update of sha256, size_bytes, original_name, received_at on photos
begin select raise(abort, 'what was received is never altered'); end;

create table measurements (
    seq integer primary key,
    id text not null unique,
    sha256 text not null references photos (sha256),
    pipeline_version text not null,
    model_id text not null,
    inputs text not null,
    measured_at text not null,
    result text not null check (json_valid(result)),
    unique (sha256, pipeline_version, model_id, inputs)
) strict;

create index measurements_by_photo on measurements (sha256, seq);

create trigger measurements_stay before delete on measurements
begin select raise(abort, 'measurements are appended, never removed'); end;

create trigger measurements_unchanged before update on measurements
begin select raise(abort, 'measurements are appended, never changed'); end;

create view newest_measurements as
select * from measurements as m
where m.seq = (select max(seq) from measurements where sha256 = m.sha256);

create table equipment (
    visit_id text primary key references visits (id),
    power_on integer check (power_on in (0, 1)),
    pump_runs integer check (pump_runs in (0, 1)),
    flow_holds integer check (flow_holds in (0, 1)),
    filter_pressure_kpa real,
    elements text,
    manifold_sound integer check (manifold_sound in (0, 1))
) strict;

create table readings (
    visit_id text not null references visits (id),
    position integer not null,
    analyte text not null,
    value real not null,
    low real not null,
    high real not null,
    unit text not null,
    method text not null,
    flags text not null check (json_valid(flags)),
    primary key (visit_id, position)
) strict;

create table treatments (
    visit_id text not null references visits (id),
    position integer not null,
    chemical text not null,
    amount real not null,
    unit text not null,
    strength_pct real,
    primary key (visit_id, position)
) strict;

create table work (
    visit_id text not null references visits (id),
    position integer not null,
    work text not null,
    primary key (visit_id, position)
) strict;

create table history (
    seq integer primary key,
    recorded_at text not null default (strftime('%Y-%m-%dT%H:%M:%fZ', 'now')),
    at text,
    who text not null,
    table_name text not null,
    row_id text not null,
    before text check (before is null or json_valid(before)),
    after text check (after is null or json_valid(after))
) strict;

create index history_by_row on history (table_name, row_id);

create trigger history_stays before delete on history
begin select raise(abort, 'the history is appended, never removed'); end;

create trigger history_unchanged before update on history
begin select raise(abort, 'the history is appended, never changed'); end
"""
"""Version 1. Strict tables, so a number never lands where a text belongs."""

_SIGHTINGS_AND_PRICES = """
alter table pools add column turnover_h real;

create table sightings (
    visit_id text not null references visits (id),
    position integer not null,
    sighting text not null,
    primary key (visit_id, position)
) strict;

create table price_list (
    id integer primary key check (id = 1),
    currency text not null,
    prices text not null check (json_valid(prices))
) strict
"""
"""Version 2."""

_PRINT_RUNS = """
create table print_runs (
    seq integer primary key,
    id text not null unique,
    made_at text not null,
    made_by text not null,
    note text not null,
    first_number integer,
    last_number integer,
    content text not null check (json_valid(content)),
    withdrawn_at text
) strict;

create trigger print_runs_stay before delete on print_runs
begin select raise(abort, 'measured print runs are appended, never removed'); end;

create trigger print_runs_unchanged before update of id, made_at, made_by, first_number, last_number, content
on print_runs
begin select raise(abort, 'measured print runs are appended, never changed'); end;

create index measurements_by_card on measurements (json_extract(result, '$.card.card_id'), sha256)
where json_extract(result, '$.card.card_id') is not null
"""
"""Version 3."""

_STRIPS = """
create table strip_kinds (
    seq integer primary key,
    id text not null unique,
    name text not null,
    made_at text not null,
    made_by text not null,
    content text not null check (json_valid(content)),
    withdrawn_at text
) strict;

create trigger strip_kinds_stay before delete on strip_kinds
begin select raise(abort, 'strip kinds are appended, never removed'); end;

create trigger strip_kinds_unchanged before update of id, name, made_at, made_by, content on strip_kinds
begin select raise(abort, 'strip kinds are appended, never changed'); end;

create table strip_photos (
    sha256 text primary key references photos (sha256),
    kind_id text not null,
    dipped_at text,
    dilution real not null
) strict;

alter table readings add column dilution real not null default 1
"""
"""Version 4. A kind as it was stays, so that an old reading can be made again."""

_ACCOUNTS = """
create table accounts (
    id text primary key,
    name text not null,
    name_key text not null unique,
    role text not null check (role in ('owner', 'office', 'tech')),
    email text unique,
    sees_all integer not null check (sees_all in (0, 1)),
    opened_at text not null,
    closed_at text
) strict;

create table passwords (
    account_id text primary key references accounts (id),
    hash text not null,
    changed_at text not null
) strict;

create table sessions (
    token_sha256 text primary key,
    account_id text not null references accounts (id),
    begun_at text not null,
    seen_at text not null,
    ends_at text not null,
    device text not null
) strict;

create index sessions_by_account on sessions (account_id);

create table assignments (
    account_id text not null references accounts (id),
    pool_id text not null references pools (id),
    primary key (account_id, pool_id)
) strict, without rowid;

create table failed_sign_ins (
    id integer primary key,
    about_sha256 text not null,
    at_s real not null
) strict;

create index failed_sign_ins_about on failed_sign_ins (about_sha256, at_s)
"""
"""Version 5. Passwords and sessions stand apart from accounts, so that no history ever holds a hash or a token."""

_REPORTS = """
create table reports (
    id text primary key,
    recovery_id text not null references recoveries (id),
    made_at text not null,
    made_by text not null,
    form text not null,
    measurement_ids text not null check (json_valid(measurement_ids)),
    content text not null check (json_valid(content))
) strict;

create index reports_by_recovery on reports (recovery_id);

create table links (
    id text primary key,
    recovery_id text not null references recoveries (id),
    token_sha256 text not null check (length(token_sha256) = 64),
    language text not null,
    zone text not null,
    made_at text not null,
    made_by text not null,
    expires_at text not null,
    withdrawn_at text
) strict;

create index links_by_recovery on links (recovery_id);

create table logos (
    sha256 text primary key,
    png blob not null
) strict;

alter table company add column language text not null default 'en';

alter table company add column logo_sha256 text not null default '';

create trigger reports_stay before delete on reports
begin select raise(abort, 'reports are appended, never removed'); end;

create trigger reports_unchanged before update on reports
begin select raise(abort, 'reports are appended, never changed'); end
"""
"""Version 6. A link's token is kept as its sha256 alone: who reads the log cannot open a customer's page with it."""

_INTAKE = """
create table arrivals (
    seq integer primary key,
    sha256 text not null unique references photos (sha256),
    name text not null,
    sent_by text not null,
    arrived_at text not null,
    clues text check (clues is null or json_valid(clues)),
    unread text not null,
    answer text,
    visit_id text references visits (id),
    done_at text
) strict;

create index arrivals_waiting on arrivals (seq) where done_at is null;

create table drafts (
    visit_id text primary key references visits (id),
    begun_at text not null,
    begun_by text not null
) strict;

alter table pools add column latitude_deg real;

alter table pools add column longitude_deg real
"""
"""Version 7. An arrival's clues and answer are kept, so that sorting goes on wherever and whenever it was left."""

_SIGHTED = """
create table sighted (
    visit_id text primary key references visits (id),
    disc_depth_m real,
    disc_lost integer,
    seen_at_m real,
    not_seen_at_m real
) strict
"""
"""Version 9."""

_CONFIRMATIONS = """
create table confirmations (
    seq integer primary key,
    measurement_id text not null references measurements (id),
    sha256 text not null references photos (sha256),
    confirmed_at text not null,
    confirmed_by text not null,
    clarity text check (clarity in ('crystal', 'clear', 'hazy', 'cloudy', 'opaque')),
    severity text check (severity in ('none', 'trace', 'light', 'moderate', 'heavy')),
    check (clarity is not null or severity is not null)
) strict;

create index confirmations_by_photo on confirmations (sha256, seq);

create trigger confirmations_stay before delete on confirmations
begin select raise(abort, 'confirmations are appended, never removed'); end;

create trigger confirmations_unchanged before update on confirmations
begin select raise(abort, 'confirmations are appended, never changed'); end
"""
"""A confirmation hangs on the measurement it was made before, so that given and confirmed grade stay side by side; the
newest of a photo counts."""

_LANGUAGES_AND_ADDRESS = """
create index pools_by_name on pools (name collate nocase, id);

alter table company add column team_language text not null default 'en';

alter table company add column public_address text not null default '';

alter table accounts add column language text not null default ''
"""
"""Version 11. An account without a language of its own reads the company's; an empty address is not known."""

_TYPED = """
create table typed (
    id text primary key,
    recovery_id text not null references recoveries (id),
    visit_id text references visits (id),
    typed text not null check (json_valid(typed)),
    begun_at text not null,
    begun_by text not null
) strict;

create index typed_by_recovery on typed (recovery_id)
"""
"""Version 12. A sheet belongs to one device until it is taken up on another; without a visit no photo has begun one."""
