"""A `where` or a `[[check]]` reads its columns and nothing else; what is honest finds the right rows."""

import hashlib
import os
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import duckdb
import pytest

from tasks.check_expression import LONGEST_EXPRESSION, check_expression, list_columns
from tasks.errors import ExpressionError

FILE_SECRET = "windfall-in-a-file"
ENVIRONMENT_SECRET = "windfall-in-the-environment"
SETTING_SECRET = "windfall-in-a-setting"
VARIABLE_SECRET = "windfall-in-a-variable"
TABLE_SECRET = "windfall-in-another-table"
SECRETS = (FILE_SECRET, ENVIRONMENT_SECRET, SETTING_SECRET, VARIABLE_SECRET, TABLE_SECRET)
ORIGIN = "cases/crouched-picker.toml, members.where"

ROWS = """
create table flagged_sample as
select * from (values
    (1, 'crate', 'person', 0.91, timestamptz '2025-10-03 17:40:00+00', '{"light": "dusk", "wheel_slip": 0.4}',
        'cart-07', ['label_disagrees', 'low_margin'], true),
    (2, 'crate', 'crate', 0.55, timestamptz '2025-10-04 09:10:00+00', '{"light": "sun", "wheel_slip": 0.1}',
        'cart-07', ['low_margin'], false),
    (3, 'ladder', 'person', 0.72, timestamptz '2025-10-04 18:05:00+00', '{"light": "dusk"}',
        'cart-12', ['label_disagrees'], true),
    (4, 'foliage', null, 0.40, timestamptz '2025-11-01 06:00:00+00', '{"light": "lamp", "wheel_slip": 2.5}',
        null, [], null)
) as invented(n, predicted, truth, confidence, observed_at, context, unit_id, rules, is_seen)
"""


@dataclass(frozen=True)
class Orchard:
    """A DuckDB file with invented rows, a connection on it, and secrets planted around it."""

    folder: Path
    connection: duckdb.DuckDBPyConnection

    def digest(self) -> dict[str, str]:
        """Return every file of the folder with its hash."""
        return {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in sorted(self.folder.iterdir())}


@pytest.fixture
def orchard(tmp_path: Path) -> Iterator[Orchard]:
    (tmp_path / "secret.csv").write_text(f"word\n{FILE_SECRET}\n")
    os.environ["ORCHARD_SECRET"] = ENVIRONMENT_SECRET
    with duckdb.connect(str(tmp_path / "warehouse.duckdb")) as connection:
        connection.execute("set TimeZone = 'UTC'")
        connection.execute(ROWS)
        connection.execute("alter table flagged_sample alter context type json")
        connection.execute(f"create table other as select '{TABLE_SECRET}' as word")
        connection.execute("create macro peek() as (select word from other)")
        connection.execute("create macro reverse(x) as (select word from other)")
        connection.execute("create sequence counted")
        connection.execute("checkpoint")
    connection = duckdb.connect()
    connection.execute(f"attach '{tmp_path / 'warehouse.duckdb'}' as wh (read_only)")
    connection.execute("use wh")
    connection.execute("set TimeZone = 'UTC'")
    connection.execute(f"set home_directory = '{SETTING_SECRET}'")
    connection.execute(f"set variable secret = '{VARIABLE_SECRET}'")
    yield Orchard(tmp_path, connection)
    connection.close()
    del os.environ["ORCHARD_SECRET"]


ATTACKS = {
    "reads a file in a subquery": "predicted = (select content from read_text('{folder}/secret.csv'))",
    "reads a file through exists": "exists(from read_csv('{folder}/secret.csv') where word like 'w%')",
    "reads a file by its name": "predicted in (select word from '{folder}/secret.csv')",
    "lists files": "predicted = (select file from glob('{folder}/*') limit 1)",
    "reads a file as a scalar call": "read_text('{folder}/secret.csv') = 'x'",
    "reads another table": "predicted in (select word from other)",
    "reads another table through any": "predicted = any(select word from other)",
    "reads another table into a list": "list_contains(array(select word from other), 'x')",
    "reads another table through a macro": "peek() = 'x'",
    "hides a macro behind a known name": "reverse(predicted) = 'x'",
    "reads the environment": "getenv('ORCHARD_SECRET') = 'x'",
    "reads a setting": "current_setting('home_directory') = 'x'",
    "reads a variable": "getvariable('secret') = 'x'",
    "reads the query it stands in": "current_query() like '%x%'",
    "asks who is there": "current_user = 'duckdb'",
    "asks for the schema": "current_schema() = 'main'",
    "asks for the catalogue": "current_database() = 'wh'",
    "asks for the schemas in use": "list_contains(current_schemas(true), 'x')",
    "reads the clock": "observed_at < now()",
    "reads the clock as a word": "observed_at < current_timestamp",
    "reads the date as a word": "observed_at < current_date",
    "reads the clock as today()": "observed_at < today()",
    "reads the clock by age()": "age(observed_at) > interval 1 day",
    "reads the clock by a cast": "observed_at < 'now'::timestamptz",
    "reads today by a cast": "observed_at < 'today'::date",
    "reads the transaction": "txid_current() > 0",
    "throws dice": "random() < 0.5",
    "makes ids": "cast(uuid() as varchar) = 'x'",
    "moves a sequence": "nextval('counted') > 0",
    "raises an error of its own": "error('boo') = 'x'",
    "writes to the log": "write_log('boo') is null",
    "sleeps": "sleep_ms(60000) is null",
    "parses SQL": "json_serialize_sql('select 1') = 'x'",
    "aggregates": "count(*) > 1",
    "aggregates with a filter": "sum(n) filter (where n > 1) > 1",
    "aggregates by name": "list_aggregate(rules, 'count') > 1",
    "looks at other rows": "row_number() over (order by n) = 1",
    "unnests": "unnest(rules) = 'low_margin'",
    "takes every column": "columns('.*') = 'x'",
    "is a star": "*",
    "takes a parameter": "predicted = ?",
    "takes a named parameter": "predicted = $secret",
    "takes a column by number": "#1 = 1",
    "takes a lambda": "len(list_filter(rules, lambda r: r = 'x')) > 0",
    "takes a list comprehension": "len([r for r in rules if r = 'x']) > 0",
    "ends the statement": "true; drop table other; select (true",
    "ends the select": "true) from other --",
    "adds a union": "true) from other union all select (true",
    "breaks out of its brackets": "true) or (true",
    "breaks out and filters": "true) in (select true",
    "gives two columns": "true, true",
    "names itself": "true as x",
    "is a statement": "select true",
    "opens a comment": "true /*",
    "calls through a schema": "main.lower(predicted) = 'x'",
    "calls through a catalogue": "system.main.lower(predicted) = 'x'",
    "calls through a value": "predicted.lower() = 'x'",
    "casts to a type with a schema": "cast(predicted as main.other) = 'x'",
    "takes the whole row": "flagged_sample is not null",
    "names a column through its table": "flagged_sample.predicted = 'x'",
    "names a hidden column": "rowid = 1",
    "fills memory with a list": "len(range(10000000000)) > 1",
    "fills memory with a series": "len(generate_series(1, 10000000000)) > 1",
    "fills memory with repeat": "length(repeat(predicted, 1000000000)) > 1",
    "fills memory with a computed repeat": "length(repeat(predicted, n * 1000000000)) > 1",
    "fills memory with lpad": "length(lpad(predicted, 2000000000, 'x')) > 1",
    "fills memory with a format": "length(format('{{:900000000}}', 1)) > 1",
    "fills memory with list_resize": "len(list_resize(rules, 1000000000)) > 1",
    "fills memory with an array": "null::integer[100000000] is null",
    "grows by nested replace": "replace(replace(predicted, 'c', '{long}'), 'x', '{long}') = ''",
    "grows by nested hex": "length(" + "hex(" * 30 + "predicted" + ")" * 30 + ") > 1",
    "grows by nested JSON": "length(" + "to_json(" * 20 + "predicted" + ")" * 20 + ") > 1",
    "backtracks in like": "predicted like '%a%a%a%a%a%a%a%a%b'",
    "backtracks in glob": "predicted glob '*a*a*a*a*a*a*a*a*b'",
    "backtracks by a built pattern": "predicted like repeat('%a', 12)",
    "is too long": "predicted = '" + "x" * LONGEST_EXPRESSION + "'",
    "is nested too deeply": "(" * 60 + "not " * 300 + "true" + ")" * 60,
    "is nested beyond any parser": "not " * 2400 + "true",
    "holds a NUL": "predicted = 'a\x00b'",
    "holds an escape sequence": "predicted = '\x1b[2J'",
    "turns the reading direction": "predicted = '\u202ex'",
    "holds half a character": "predicted = '\ud800'",
    "is empty": "  \n",
    "is no SQL": "predicted ==== 'crate'",
    "is text": "predicted",
    "is a number": "confidence",
    "names an unknown function": "starts_wiht(predicted, 'c')",
    "compares what cannot be compared": "rules > 3",
}


NEEDS_RELATION = {
    "takes the whole row",
    "names a column through its table",
    "names a hidden column",
    "is text",
    "is a number",
    "compares what cannot be compared",
}


@pytest.mark.parametrize(
    ("what", "relation"),
    [(what, "flagged_sample") for what in ATTACKS]
    + [(what, None) for what in ATTACKS if what not in NEEDS_RELATION],
)
def test_an_attack_is_refused_in_one_line_and_leaves_nothing(
    orchard: Orchard, what: str, relation: str | None
) -> None:
    text = ATTACKS[what].replace("{folder}", str(orchard.folder)).replace("{long}", "x" * 1000)
    before = orchard.digest()
    with pytest.raises(ExpressionError) as caught:
        check_expression(orchard.connection, text, relation=relation, origin=ORIGIN)
    message = str(caught.value)
    assert message.startswith(f"{ORIGIN}: ")
    assert "\n" not in message
    assert not [secret for secret in SECRETS if secret in message]
    assert orchard.digest() == before
    assert orchard.connection.execute("select current_setting('home_directory')").fetchone() == (SETTING_SECRET,)


@pytest.mark.parametrize(
    ("sql", "shown"),
    [
        ("select (select word from read_csv('{folder}/secret.csv'))", FILE_SECRET),
        ("select word from '{folder}/secret.csv'", FILE_SECRET),
        ("select (select word from other)", TABLE_SECRET),
        ("select peek()", TABLE_SECRET),
        ("select reverse('x')", TABLE_SECRET),
        ("select current_setting('home_directory')", SETTING_SECRET),
        ("select getvariable('secret')", VARIABLE_SECRET),
        ("select age(timestamp '2025-10-03') <> age(timestamp '2025-10-03', timestamp '2025-10-04')", True),
        ("select count(*) from flagged_sample where n = 1 and (true) or (true\n)", 4),
    ],
)
def test_where_nobody_checks_the_attacks_work(orchard: Orchard, sql: str, shown: object) -> None:
    """So the refusals are the check's doing, not DuckDB's."""
    found = orchard.connection.execute(sql.replace("{folder}", str(orchard.folder))).fetchone()
    assert found == (shown,)


HONEST = {
    "predicted = 'crate' and truth = 'person'": [1],
    "(context->>'light') = 'dusk'": [1, 3],
    "cast((context->>'wheel_slip') as double) > 0.3": [1, 4],
    "cast((context->>'wheel_slip') as double) between 0.1 and 0.4": [1, 2],
    "try_cast((context->>'light') as double) is null": [1, 2, 3, 4],
    "json_extract_string(context, '$.light') in ('sun', 'lamp')": [2, 4],
    "(context->'wheel_slip') is null": [3],
    "predicted in ('ladder', 'foliage')": [3, 4],
    "predicted not in ('ladder', 'foliage') and truth is not null": [1, 2],
    "case when confidence > 0.6 then truth = 'person' else truth is null end": [1, 3, 4],
    "predicted like 'cr%'": [1, 2],
    "predicted not ilike '%A%'": [],
    "unit_id like 'cart!_%' escape '!'": [],
    "regexp_matches(predicted, '^(crate|ladder)$')": [1, 2, 3],
    "coalesce(truth, 'none') <> predicted": [1, 3, 4],
    "coalesce(truth, unit_id, 'x') = 'x'": [4],
    "list_contains(rules, 'low_margin')": [1, 2],
    "'label_disagrees' in rules": [1, 3],
    "len(rules) = 0 or rules[1] = 'low_margin'": [2, 4],
    "date_trunc('day', observed_at) = timestamptz '2025-10-04 00:00:00+00'": [2, 3],
    "extract(hour from observed_at) >= 17": [1, 3],
    "extract('month' from observed_at) = 11": [4],
    "observed_at >= timestamptz '2025-10-04' - interval 1 day and observed_at < '2025-10-04 12:00:00+00'": [
        1,
        2,
    ],
    "observed_at at time zone 'Europe/Rome' > timestamp '2025-10-04 20:00:00'": [3, 4],
    "strftime(observed_at, '%Y-%m') = '2025-10'": [1, 2, 3],
    "age(observed_at, timestamptz '2025-10-03 00:00:00+00') > interval 20 day": [4],
    "starts_with(unit_id, 'cart-1')": [3],
    "abs(confidence - 0.5) < 0.08": [2],
    "round(confidence, 1) = 0.9": [1],
    "greatest(confidence, 0.6) = 0.6": [2, 4],
    "unit_id is null": [4],
    "truth is distinct from predicted": [1, 3, 4],
    "is_seen": [1, 3],
    "not is_seen": [2],
    "is_seen is not true": [2, 4],
    "null": [],
    "true": [1, 2, 3, 4],
    "nullif(predicted, truth) is null": [2],
    "if(is_seen, n = 1, n = 2)": [1, 2],
    "lower(trim(unit_id)) || '/' || predicted = 'cart-07/crate'": [1, 2],
    "position('ad' in predicted) > 0 or substring(predicted from 1 for 2) = 'fo'": [3, 4],
    "lpad(cast(n as varchar), 3, '0') = '002'": [2],
    "replace(replace(replace(unit_id, 'cart', 'c'), '-', ''), '0', '') = 'c7'": [1, 2],
    "predicted collate nocase = 'CRATE'": [1, 2],
    "predicted = 'crate' -- our favourite": [1, 2],
    "predicted = 'it''s; drop table' or n = 4": [4],
    "n % 2 = 0": [2, 4],
    "coalesce(try(cast(unit_id as integer)), n) = 1": [1],
    "\"predicted\" = 'ladder'": [3],
    "predicted = 'crate'\nand (context->>'light') = 'sun'": [2],
    " or ".join(f"predicted = 'label {number}'" for number in range(300)) + " or n = 3": [3],
}


@pytest.mark.parametrize("text", HONEST)
def test_an_honest_expression_is_accepted_and_finds_its_rows(orchard: Orchard, text: str) -> None:
    check_expression(orchard.connection, text, relation="flagged_sample", origin=ORIGIN)
    check_expression(orchard.connection, text, relation=None, origin=ORIGIN)
    found = orchard.connection.execute(f"select n from flagged_sample where ({text}\n) order by n").fetchall()
    assert [n for (n,) in found] == HONEST[text]


@pytest.mark.parametrize(
    ("text", "told"),
    [
        (
            "predicted_label = 'crate'",
            "flagged_sample has no column predicted_label; did you mean predicted?",
        ),
        ("confidence", "it gives "),
        ("starts_wiht(predicted, 'c')", "no function starts_wiht(); did you mean starts_with()?"),
        ("flagged_sample.n = 1", "name its columns without it"),
        ("now() > observed_at", "reads the clock"),
        ("sum(n) > 1", "aggregates over rows"),
        ("predicted in (select 'x')", "a subquery"),
        ("predicted like '%a%b%c%d%e%'", "at most 4, or use regexp_matches"),
    ],
)
def test_a_refusal_says_what_and_what_to_do(orchard: Orchard, text: str, told: str) -> None:
    with pytest.raises(ExpressionError) as caught:
        check_expression(orchard.connection, text, relation="flagged_sample", origin=ORIGIN)
    assert told in str(caught.value)


def test_a_grouping_may_give_text_when_asked(orchard: Orchard) -> None:
    check_expression(
        orchard.connection, "unit_id", relation="flagged_sample", origin=ORIGIN, must_be_boolean=False
    )
    with pytest.raises(ExpressionError, match="no column unit"):
        check_expression(
            orchard.connection, "unit", relation="flagged_sample", origin=ORIGIN, must_be_boolean=False
        )


def test_columns_are_listed_wherever_they_stand(orchard: Orchard) -> None:
    text = "case when (context->>'light') = 'dusk' then lower(predicted) else flagged_sample.truth end = unit_id"
    assert list_columns(orchard.connection, text) == {"context", "predicted", "flagged_sample", "unit_id"}
    with pytest.raises(ExpressionError, match="exactly one expression"):
        list_columns(orchard.connection, "true, predicted")


def test_an_unknown_relation_is_told(orchard: Orchard) -> None:
    with pytest.raises(ExpressionError, match="no_such_view cannot be read"):
        check_expression(orchard.connection, "true", relation="no_such_view", origin=ORIGIN)
