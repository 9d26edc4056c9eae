"""A user's query reads the warehouse's tables and nothing else, within its time, its rows in batches."""

import hashlib
import os
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import duckdb
import pytest

from tasks.check_query import check_query
from tasks.errors import ExpressionError
from tasks.run_query import lock_down, run_query

FILE_SECRET = "windfall-in-a-file"
ENVIRONMENT_SECRET = "windfall-in-the-environment"
SETTING_SECRET = "windfall-in-a-setting"
TABLE_SECRET = "windfall-in-another-table"
SECRETS = (FILE_SECRET, ENVIRONMENT_SECRET, SETTING_SECRET, TABLE_SECRET)
KNOWN = {"sample", "prediction", "current_sample"}

WAREHOUSE = f"""
create table sample as select * from (values
    ('s1', 'cart-07', timestamp '2025-10-03 17:40:00', '{{"light": "dusk"}}'::json, ['low_margin']),
    ('s2', 'cart-07', timestamp '2025-10-04 09:10:00', '{{"light": "sun"}}'::json, []),
    ('s3', 'cart-12', timestamp '2025-10-04 18:05:00', '{{"light": "dusk"}}'::json, ['low_margin', 'x'])
) as invented(sample_id, unit_id, observed_at, context, rules);
create table prediction as select * from (values
    ('s1', 'crate', 0.9), ('s2', 'crate', 0.5), ('s3', 'ladder', 0.7)
) as invented(sample_id, predicted, confidence);
create view current_sample as select sample_id, unit_id from sample;
create table hidden as select '{TABLE_SECRET}' as word;
create macro peek() as (select word from hidden);
create macro lower(x) as (select word from hidden);
create macro json_serialize_sql(x) as '{{"error": false, "statements": []}}';
create macro current_setting(x) as true;
create macro duckdb_functions() as table select 'x' as function_name;
create macro peek_table() as table select word from hidden;
"""


@dataclass(frozen=True)
class Orchard:
    """A folder with a DuckDB file of invented rows, and secrets planted around it."""

    folder: Path

    def open(self) -> duckdb.DuckDBPyConnection:
        """Open the file read-only as the catalogue in use, as the warehouse is opened."""
        connection = duckdb.connect(
            config={"memory_limit": "200MB", "threads": 2, "temp_directory": str(self.folder / "spill")}
        )
        connection.execute(f"attach '{self.folder / 'warehouse.duckdb'}' as wh (read_only)")
        connection.execute("use wh")
        connection.execute(f"set home_directory = '{SETTING_SECRET}'")
        return connection

    def digest(self) -> dict[str, str]:
        """Return every file of the folder with its hash."""
        files = sorted(path for path in self.folder.rglob("*") if path.is_file())
        return {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in files}


@pytest.fixture
def orchard(tmp_path: Path) -> Iterator[Orchard]:
    (tmp_path / "secret.csv").write_text(f"word\n{FILE_SECRET}\n")
    os.environ["ORCHARD_SECRET"] = ENVIRONMENT_SECRET
    with duckdb.connect(str(tmp_path / "warehouse.duckdb")) as connection:
        connection.execute(WAREHOUSE)
    yield Orchard(tmp_path)
    del os.environ["ORCHARD_SECRET"]


@pytest.fixture
def connection(orchard: Orchard) -> Iterator[duckdb.DuckDBPyConnection]:
    with orchard.open() as connection:
        yield connection


def read_all(
    connection: duckdb.DuckDBPyConnection, text: str, *, seconds: float = 20, directory: str | None = None
) -> list[tuple[Any, ...]]:
    """Run a query as a user would and return all its rows."""
    _, batches = run_query(connection, text, known_tables=KNOWN, seconds=seconds, allowed_directory=directory)
    return [row for batch in batches for row in batch]


ATTACKS = {
    "reads a CSV file": "select * from read_csv('{folder}/secret.csv')",
    "reads a file as text": "select content from read_text('{folder}/secret.csv')",
    "reads a file as bytes": "select content from read_blob('{folder}/secret.csv')",
    "reads a Parquet file": "select * from read_parquet('{folder}/secret.csv')",
    "reads a Parquet file's head": "select * from parquet_metadata('{folder}/secret.csv')",
    "reads a file by its name": "select * from '{folder}/secret.csv'",
    "reads a file by a quoted name": 'select * from "{folder}/secret.csv"',
    "reads a database file by its name": "select * from '{folder}/warehouse.duckdb'",
    "reads a file inside a subquery": "select (select word from read_csv('{folder}/secret.csv'))",
    "reads a file in a common table expression": "with f as (from '{folder}/secret.csv') select * from f",
    "reads a file in a union": "select sample_id from sample union all from '{folder}/secret.csv'",
    "reads a file in a join": "select * from sample join read_csv('{folder}/secret.csv') on true",
    "reads a file in a limit": "select 1 limit (select count(*) from '{folder}/secret.csv')",
    "reads a file in an order": "select 1 order by (select word from '{folder}/secret.csv')",
    "reads a file in a lateral join": "from sample, lateral (from read_csv('{folder}/secret.csv'))",
    "reads a file in a pivot": "from (pivot '{folder}/secret.csv' on word in ('a') using count(*))",
    "guesses a file's format": "select * from sniff_csv('{folder}/secret.csv')",
    "lists files": "select * from glob('{folder}/*')",
    "runs SQL from a text": "select * from query('select word from hidden')",
    "reads a table by a text": "select * from query_table('hidden')",
    "runs a serialized statement": "select * from json_execute_serialized_sql('{{}}')",
    "reads another table": "select * from hidden",
    "reads another table of main": "select * from main.hidden",
    "reads another table through the catalogue": "select * from wh.main.hidden",
    "reads another table through a macro": "select peek()",
    "hides a macro behind a known name": "select lower('x')",
    "reads another table through a table macro": "select * from peek_table()",
    "reads a table under another's scope": "select * from (with hidden as (select 1) from hidden), hidden",
    "names itself after a table": "with hidden as (select * from hidden) select * from hidden",
    "recurses into a table": "with recursive hidden(w) as (select word from hidden union all "
    "select w from hidden where false) select * from hidden",
    "reads the environment": "select getenv('ORCHARD_SECRET')",
    "reads a setting": "select current_setting('home_directory')",
    "reads the settings": "select * from duckdb_settings()",
    "reads the settings as a view": "select * from main.duckdb_settings",
    "reads the tables": "select * from information_schema.tables",
    "reads the columns": "select * from duckdb_columns()",
    "reads the catalogue": "select * from pg_catalog.pg_tables",
    "reads the catalogue without a schema": "select * from pg_tables",
    "reads the master table": "select * from sqlite_master",
    "reads the secrets": "select * from duckdb_secrets()",
    "asks a pragma": "select * from pragma_database_size()",
    "is a pragma": "pragma database_list",
    "is a show": "show all tables",
    "is a describe": "describe hidden",
    "is a summarize": "summarize hidden",
    "hides a describe": "select * from (describe hidden)",
    "cleans a lake up": "select * from ducklake_cleanup_old_files('wh', cleanup_all => true)",
    "reads a Python variable": "select * from SECRETS",
    "scans memory by address": "select * from arrow_scan(1, 2, 3)",
    "asks who is there": "select current_user",
    "calls through a schema": "select system.main.getenv('ORCHARD_SECRET')",
    "writes a file": "copy sample to '{folder}/out.csv'",
    "writes a row": "insert into sample select * from sample",
    "writes in a common table expression": "with gone as (delete from sample returning *) select * from gone",
    "drops a table": "drop table hidden",
    "changes a setting": "set memory_limit = '100GB'",
    "resets the lock": "set enable_external_access = true",
    "attaches a file": "attach '{folder}/other.duckdb' as other",
    "installs an extension": "install httpfs",
    "hides a second statement": "select 1; copy sample to '{folder}/out.csv'",
    "hides a second statement after a comment": "select 1 -- ;\n; drop table hidden",
    "explains and runs": "explain analyze select 1",
    "prepares": "prepare x as select 1",
    "calls": "call enable_logging()",
    "moves a sequence": "select nextval('counted')",
    "writes to the log": "select write_log('boo')",
    "sleeps": "select sleep_ms(60000)",
    "takes a parameter": "select ?",
    "fills memory with a list": "select len(range(10000000000))",
    "fills memory with repeat": "select repeat('x', 4000000000)",
    "takes a lambda": "select list_transform(rules, lambda r: r || r) from sample",
    "is nested too deeply": "select " * 1 + "(select " * 200 + "1" + ")" * 200,
    "is empty": "",
    "is no SQL": "selec 1",
    "holds a NUL": "select '\x00'",
}


@pytest.mark.parametrize("what", ATTACKS)
def test_an_attack_is_refused_in_one_line_and_leaves_nothing(
    orchard: Orchard, connection: duckdb.DuckDBPyConnection, what: str
) -> None:
    before = orchard.digest()
    with pytest.raises(ExpressionError) as caught:
        check_query(connection, ATTACKS[what].replace("{folder}", str(orchard.folder)), known_tables=KNOWN)
    message = str(caught.value)
    assert message.startswith("sql: ")
    assert "\n" not in message
    assert not [secret for secret in SECRETS if secret in message]
    assert orchard.digest() == before
    assert connection.execute("select count(*) from hidden").fetchone() == (1,)


@pytest.mark.parametrize(
    "what",
    [
        "reads a CSV file",
        "reads a file by its name",
        "reads a file inside a subquery",
        "runs SQL from a text",
        "reads another table through a macro",
        "hides a macro behind a known name",
    ],
)
def test_where_nobody_checks_the_attack_works(
    orchard: Orchard, connection: duckdb.DuckDBPyConnection, what: str
) -> None:
    """So the refusals are the check's doing, not DuckDB's."""
    rows = connection.execute(ATTACKS[what].replace("{folder}", str(orchard.folder))).fetchall()
    assert rows[0][-1] in SECRETS


@pytest.mark.parametrize(
    "sql",
    [
        "select * from read_csv('{folder}/secret.csv')",
        "select * from read_text('{folder}/secret.csv')",
        "from '{folder}/secret.csv'",
        "copy sample to '{folder}/out.csv'",
        "attach '{folder}/other.duckdb' as other",
        "set enable_external_access = true",
        "set allowed_directories = ['/']",
        "reset lock_configuration",
        "insert into sample select * from sample",
        "load httpfs",
    ],
)
def test_a_locked_connection_refuses_even_what_was_not_checked(
    orchard: Orchard, connection: duckdb.DuckDBPyConnection, sql: str
) -> None:
    lock_down(connection, allowed_directory=None)
    lock_down(connection, allowed_directory=None)
    before = orchard.digest()
    with pytest.raises(duckdb.Error):
        connection.execute(sql.replace("{folder}", str(orchard.folder)))
    assert orchard.digest() == before
    assert connection.execute("select count(*) from sample").fetchone() == (3,)


def test_only_the_allowed_directory_stays_readable(orchard: Orchard) -> None:
    (orchard.folder / "it's lake data").mkdir()
    inside = orchard.folder / "it's lake data" / "part.csv"
    inside.write_text("word\nripe\n")
    with orchard.open() as connection:
        lock_down(connection, allowed_directory=str(inside.parent))
        quoted = str(inside).replace("'", "''")
        assert connection.execute(f"select word from read_csv('{quoted}')").fetchall() == [("ripe",)]
        with pytest.raises(duckdb.PermissionException):
            connection.execute(f"select word from read_csv('{orchard.folder}/secret.csv')")


HONEST: dict[str, list[tuple[Any, ...]]] = {
    "select count(*) as n from sample": [(3,)],
    "from prediction order by sample_id limit 1": [("s1", "crate", 0.9)],
    "select sample_id from main.sample where (context->>'light') = 'dusk' order by 1": [("s1",), ("s3",)],
    "select unit_id, count(*) from current_sample group by unit_id order by all": [
        ("cart-07", 2),
        ("cart-12", 1),
    ],
    "select predicted, max(confidence) from prediction group by all having count(*) > 1": [("crate", 0.9)],
    "select s.unit_id, p.predicted from sample s join prediction p using (sample_id) "
    "where p.confidence > 0.6 order by 1": [("cart-07", "crate"), ("cart-12", "ladder")],
    "select sample_id from sample anti join prediction using (sample_id)": [],
    "select sample_id, row_number() over (partition by unit_id order by observed_at desc) as k from sample "
    "order by 1": [("s1", 2), ("s2", 1), ("s3", 1)],
    "with dusk as (select * from sample where (context->>'light') = 'dusk'), "
    "n as (select count(*) as n from dusk) select n from n": [(2,)],
    "with recursive r(n) as (select 1 union all select n + 1 from r where n < 4) select sum(n)::int from r": [
        (10,)
    ],
    "with hidden as (select 7 as word) select word from hidden": [(7,)],
    "select sample_id from sample union select 's9' order by 1 desc limit 1": [("s9",)],
    "select (select max(confidence) from prediction) as best": [(0.9,)],
    "select sample_id from sample s where exists (select 1 from prediction p where "
    "p.sample_id = s.sample_id and p.predicted = 'ladder')": [("s3",)],
    "select distinct on (unit_id) sample_id from sample order by unit_id, sample_id": [("s1",), ("s3",)],
    "select sample_id, unnest(rules) as rule from sample order by all": [
        ("s1", "low_margin"),
        ("s3", "low_margin"),
        ("s3", "x"),
    ],
    "select r.rule from sample, unnest(rules) as r(rule) where sample_id = 's1'": [("low_margin",)],
    "select key, value::varchar from json_each('{\"a\": 1}')": [("a", "1")],
    "select sum(i)::int from range(5) t(i)": [(10,)],
    "select * from (values (1, 'a')) v(n, t)": [(1, "a")],
    "select string_agg(sample_id, ',' order by sample_id) filter (where unit_id = 'cart-07') from sample": [
        ("s1,s2",)
    ],
    "select * exclude (context, rules, observed_at) from sample where sample_id = 's1'": [("s1", "cart-07")],
    "select crate, ladder from (pivot prediction on predicted in ('crate', 'ladder') using count(*) group by "
    "confidence) order by all limit 1": [(0, 1)],
    "select observed_at < now() at time zone 'UTC' from sample limit 1": [(True,)],
    "select date_trunc('day', observed_at)::date::varchar, count(*) from sample group by 1 order by 1": [
        ("2025-10-03", 1),
        ("2025-10-04", 2),
    ],
    "select quantile_cont(confidence, 0.5) from prediction": [(0.7,)],
}


@pytest.mark.parametrize("text", HONEST)
def test_an_honest_query_gives_its_rows(connection: duckdb.DuckDBPyConnection, text: str) -> None:
    found = read_all(connection, text)
    assert [tuple(_as_float(value) for value in row) for row in found] == HONEST[text]


def _as_float(value: object) -> object:
    return value if value is None or isinstance(value, str | int) else float(str(value))


def test_rows_come_in_batches_with_their_columns(connection: duckdb.DuckDBPyConnection) -> None:
    columns, batches = run_query(
        connection,
        "select i, i * 2 as twice from range(2500) t(i)",
        known_tables=KNOWN,
        seconds=20,
        allowed_directory=None,
        batch_rows=1000,
    )
    sizes = [len(batch) for batch in batches]
    assert (columns, sizes) == (["i", "twice"], [1000, 1000, 500])


def test_one_connection_serves_several_queries(connection: duckdb.DuckDBPyConnection) -> None:
    assert read_all(connection, "select 1") == [(1,)]
    assert read_all(connection, "select 2") == [(2,)]


def test_a_large_sort_spills_and_ends_although_the_connection_is_locked(
    connection: duckdb.DuckDBPyConnection,
) -> None:
    text = "select count(*) from (select md5(i::varchar) as k from range(6000000) t(i) order by k limit 5999999)"
    assert read_all(connection, text, seconds=120) == [(5999999,)]


def test_a_query_is_stopped_at_its_limit_while_it_computes(connection: duckdb.DuckDBPyConnection) -> None:
    started = time.monotonic()
    with pytest.raises(ExpressionError, match=r"^sql: stopped after 0.5 s \(`query_seconds` in turnrow.toml\)"):
        read_all(
            connection,
            "select count(*) from range(1000000000000) t(i) where md5(i::varchar) = 'x'",
            seconds=0.5,
        )
    assert time.monotonic() - started < 10
    assert connection.execute("select count(*) from sample").fetchone() == (3,)


def test_a_query_is_stopped_at_its_limit_while_it_is_read(connection: duckdb.DuckDBPyConnection) -> None:
    _, batches = run_query(
        connection,
        "select i from range(1000000000000) t(i)",
        known_tables=KNOWN,
        seconds=0.5,
        allowed_directory=None,
    )
    assert len(next(batches)) == 1000
    with pytest.raises(ExpressionError, match="query_seconds"):
        for _ in batches:
            pass


def test_a_slow_reader_is_not_charged_for_its_own_time(connection: duckdb.DuckDBPyConnection) -> None:
    _, batches = run_query(
        connection,
        "select i from range(3000) t(i)",
        known_tables=KNOWN,
        seconds=1,
        allowed_directory=None,
    )
    next(batches)
    time.sleep(1.2)
    assert sum(len(batch) for batch in batches) == 2000


def test_a_query_that_needs_too_much_memory_says_so(connection: duckdb.DuckDBPyConnection) -> None:
    with pytest.raises(ExpressionError, match=r"^sql: the query needs more memory than `memory_limit`"):
        read_all(connection, "select string_agg(i::varchar, '') from range(300000000) t(i)", seconds=60)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("select * from smaple", "no table smaple; did you mean sample?"),
        ("select unit from sample", "unit"),
        ("select lenght(unit_id) from sample", "no function lenght(); did you mean length()?"),
        (
            "select * from read_csv('x.csv')",
            "these are: generate_series, json_each, json_tree, range, unnest",
        ),
        ("select 1; select 2", "2 statements; write exactly one"),
        ("select unit_id::integer from sample", "Could not convert"),
    ],
)
def test_a_refusal_or_failure_says_what_was_wrong(
    connection: duckdb.DuckDBPyConnection, text: str, told: str
) -> None:
    with pytest.raises(ExpressionError) as caught:
        read_all(connection, text)
    assert str(caught.value).startswith("sql: ")
    assert told in str(caught.value)
    assert "\n" not in str(caught.value)
