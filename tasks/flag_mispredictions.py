"""`flag`, first part: mispredictions by rule, on samples that are new or of which something changed."""

from collections.abc import Sequence
from contextlib import nullcontext
from dataclasses import dataclass
from datetime import datetime

import duckdb

from schemas.definitions import definition_of_attribute, hash_definition
from schemas.settings import AttributeSettings
from schemas.sql_files import read_sql
from tasks.blame_expression import blame_expression
from tasks.check_expression import check_expression
from tasks.keep_progress import read_progress, save_progress
from tasks.loop import Loop
from tasks.record_definitions import list_rules, record_definitions
from tasks.record_run import record_run
from tasks.warehouse import Warehouse, open_warehouse, show_only

_STEP = "flag"


@dataclass(frozen=True)
class FlagSummary:
    """How many samples were looked at, and how many flags came and went."""

    samples: int
    flagged: int
    lapsed: int


@dataclass(frozen=True)
class _Rule:
    name: str
    definition_sha256: str
    where: str | None


def flag_mispredictions(loop: Loop, attributes: Sequence[str] | None = None) -> FlagSummary:
    """Apply every rule in use and write what it raises; flags whose reason is gone lapse.

    `attributes` names those to look at (all, if not given), so that a flow can go on past one that fails.
    Only served predictions count. Raises ExpressionError for a rule of the user's that is not allowed.
    """
    started_at = loop.clock()
    chosen = [loop.settings.attribute[name] for name in attributes or loop.settings.attribute]
    with open_warehouse(loop, write=True) as warehouse:
        warehouse.write(lambda known_at: record_definitions(warehouse.connection, loop, known_at))
        done_until = warehouse.read_clock()
        make_flag_staging(warehouse.connection)
        looked_at = sum(_stage_attribute(warehouse, attribute) for attribute in chosen)

        def insert(known_at: datetime) -> FlagSummary:
            flagged = _count(warehouse.connection, "flag/insert_flags", known_at)
            lapsed = _count(warehouse.connection, "flag/insert_lapses", known_at)
            for attribute in chosen:
                definition = _hash_meaning(loop, attribute)
                save_progress(warehouse.connection, _STEP, attribute.name, definition, done_until)
            counts = {"samples": looked_at, "flagged": flagged, "lapsed": lapsed}
            record_run(warehouse.connection, "flag", started_at=started_at, ended_at=loop.clock(), counts=counts)
            return FlagSummary(**counts)

        return warehouse.write(insert)


def make_flag_staging(connection: duckdb.DuckDBPyConnection) -> None:
    """Make the empty temp tables `new_flag` and `new_lapse` that `stage_flags` fills."""
    connection.execute(
        "create or replace temp table new_flag (misprediction_id varchar, sample_id varchar, "
        "prediction_id varchar, attribute varchar, rule varchar, definition_sha256 varchar, score double, "
        "revision_id varchar)"
    )
    connection.execute("create or replace temp table new_lapse (misprediction_id varchar, because varchar)")


def hash_rules(loop: Loop, attribute: AttributeSettings) -> str:
    """Return one hash of all rules in use for an attribute: it changes when any of them does."""
    rules = list_rules(loop.settings, attribute)
    return hash_definition("\n".join(f"{name}={rules[name]}" for name in sorted(rules)))


def _hash_meaning(loop: Loop, attribute: AttributeSettings) -> str:
    """Return a hash that also changes with what labels mean: a rule of the user's own sees their present names."""
    return hash_definition(definition_of_attribute(attribute) + hash_rules(loop, attribute))


def _stage_attribute(warehouse: Warehouse, attribute: AttributeSettings) -> int:
    connection, loop = warehouse.connection, warehouse.loop
    since = read_progress(connection, _STEP, attribute.name, _hash_meaning(loop, attribute))
    connection.execute(
        read_sql("flag/changed_sample"), {"since": since, "attribute": attribute.name, "with_flags": False}
    )
    row = connection.execute("select count(*) from changed_sample").fetchone()
    if not row or row[0] == 0:
        return 0
    with show_only(warehouse, "changed_sample"):
        stage_flags(connection, loop, attribute)
    return int(row[0])


def stage_flags(connection: duckdb.DuckDBPyConnection, loop: Loop, attribute: AttributeSettings) -> None:
    """Ask every rule in use about the samples that the views show; fill `new_flag` and `new_lapse`.

    Raises ExpressionError for a rule of the user's that is not allowed or fails on a sample.
    """
    for rule in _list_rules(loop, attribute):
        with nullcontext() if rule.where is None else blame_expression(_name_origin(rule)):
            _stage_rule(connection, rule, attribute)


def _list_rules(loop: Loop, attribute: AttributeSettings) -> list[_Rule]:
    own = {rule.name: rule.where for rule in loop.settings.rule if rule.attribute == attribute.name}
    return [
        _Rule(name, hash_definition(definition), own.get(name))
        for name, definition in list_rules(loop.settings, attribute).items()
    ]


def _stage_rule(connection: duckdb.DuckDBPyConnection, rule: _Rule, attribute: AttributeSettings) -> None:
    connection.execute(
        "insert into new_flag "
        "select make_misprediction_id(sample_id, prediction_id, $rule, $definition_sha256, revision_id), "
        "sample_id, prediction_id, $attribute, $rule, $definition_sha256, score, revision_id "
        f"from ({_read_rule(connection, rule)})",
        {
            "rule": rule.name,
            "definition_sha256": rule.definition_sha256,
            "attribute": attribute.name,
            **_read_parameters(rule, attribute),
        },
    )
    connection.execute(
        read_sql("flag/find_lapses"),
        {"rule": rule.name, "attribute": attribute.name, "definition_sha256": rule.definition_sha256},
    )


def _read_rule(connection: duckdb.DuckDBPyConnection, rule: _Rule) -> str:
    if rule.where is None:
        return read_sql(f"rules/{rule.name}")
    check_expression(connection, rule.where, relation="served_sample", origin=_name_origin(rule))
    connection.execute(
        f"create or replace temp view rule_match as select * from served_sample where ({rule.where}\n)"
    )
    return read_sql("rules/user_rule")


def _name_origin(rule: _Rule) -> str:
    return f"turnrow.toml, rule.{rule.name}.where"


def _read_parameters(rule: _Rule, attribute: AttributeSettings) -> dict[str, float | None]:
    if rule.where is not None:
        return {}
    parameters: dict[str, dict[str, float | None]] = {
        "label_disagrees": {"tolerance": attribute.tolerance if attribute.kind == "number" else None},
        "low_margin": {"threshold": attribute.low_margin},
    }
    return parameters[rule.name]


def _count(connection: duckdb.DuckDBPyConnection, name: str, known_at: datetime) -> int:
    row = connection.execute(read_sql(name), {"known_at": known_at}).fetchone()
    return int(row[0]) if row else 0
