"""What attributes and rules mean, kept as facts: a row whenever a definition differs from its latest one."""

import hashlib
from datetime import datetime

import duckdb

from schemas.definitions import definition_of_attribute, definition_of_rule, hash_definition
from schemas.settings import AttributeSettings, Settings
from schemas.sql_files import read_sql
from tasks.loop import Loop


def hash_text(text: str) -> str:
    """Return SHA-256 of a text in UTF-8, as 64 hex digits."""
    return hashlib.sha256(text.encode()).hexdigest()


def list_rules(settings: Settings, attribute: AttributeSettings) -> dict[str, str]:
    """Return rule name -> definition for every rule that is in use for an attribute."""
    rules = {name: definition_of_rule(name, attribute, None) for name in attribute.rules}
    for rule in settings.rule:
        if rule.attribute == attribute.name:
            rules[rule.name] = definition_of_rule(rule.name, attribute, rule.where)
    return rules


def read_guideline(loop: Loop, attribute: AttributeSettings) -> str | None:
    """Return the hash of what annotators are told, or None where there is no guideline file."""
    if not attribute.guideline:
        return None
    path = loop.locate(attribute.guideline)
    return hashlib.sha256(path.read_bytes()).hexdigest() if path.is_file() else None


def record_definitions(connection: duckdb.DuckDBPyConnection, loop: Loop, known_at: datetime) -> None:
    """Insert the definitions that changed; a rule no longer in use is withdrawn by a row of nulls."""
    stage_definitions(connection, loop)
    connection.execute(read_sql("definitions/insert_attributes"), {"known_at": known_at})
    connection.execute(read_sql("definitions/insert_rules"), {"known_at": known_at})


def record_meanings(connection: duckdb.DuckDBPyConnection, loop: Loop, known_at: datetime) -> None:
    """Insert the definitions of attributes that changed; those of rules wait for the step that applies them."""
    stage_definitions(connection, loop)
    connection.execute(read_sql("definitions/insert_attributes"), {"known_at": known_at})


def has_new_meaning(connection: duckdb.DuckDBPyConnection, attribute: AttributeSettings) -> bool:
    """Tell whether the settings say something else of an attribute than was last recorded."""
    row = connection.execute(read_sql("definitions/latest_attribute"), {"attribute": attribute.name}).fetchone()
    return row is None or row[0] != hash_definition(definition_of_attribute(attribute))


def stage_definitions(connection: duckdb.DuckDBPyConnection, loop: Loop) -> None:
    """Make the temp tables `defined_attribute` and `defined_rule` of what the settings say now."""
    connection.execute("create or replace temp table defined_attribute (attribute varchar, definition varchar)")
    connection.execute(
        "create or replace temp table defined_rule (rule varchar, attribute varchar, definition varchar)"
    )
    for attribute in loop.settings.attribute.values():
        connection.execute(
            "insert into defined_attribute values ($attribute, $definition)",
            {"attribute": attribute.name, "definition": definition_of_attribute(attribute)},
        )
        for rule, definition in list_rules(loop.settings, attribute).items():
            connection.execute(
                "insert into defined_rule values ($rule, $attribute, $definition)",
                {"rule": rule, "attribute": attribute.name, "definition": definition},
            )
