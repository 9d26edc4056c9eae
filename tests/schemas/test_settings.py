"""Defaults and derived values of the settings, and the definitions that are stored and hashed."""

import subprocess
import sys
from dataclasses import MISSING, Field, fields, is_dataclass, replace
from pathlib import Path
from typing import Any, get_args, get_type_hints

import pytest

from schemas.case_file import CaseGate, FailureCase, MembersSettings, build_case, override_gate
from schemas.check_settings import build_settings
from schemas.definitions import (
    definition_json,
    definition_of_attribute,
    definition_of_case,
    definition_of_holdout,
    definition_of_members,
    definition_of_rule,
    hash_definition,
)
from schemas.read_toml import Place, SettingsFileError, build_table, find_nearest
from schemas.settings import AttributeSettings, GateSettings, Settings

HERE = Place(Path("turnrow.toml"))
OBSTACLE = AttributeSettings(
    name="obstacle", labels=("person", "crate", "ladder"), critical=("person",), was={"box": "crate"}
)
WIDTH = AttributeSettings(name="row_width", kind="number", unit="m", tolerance=0.2)
CROUCHED = FailureCase(
    case="crouched-picker",
    attribute="obstacle",
    question="Is a picker crouched beside a crate read as a crate?",
    members=MembersSettings(where="predicted = 'crate'"),
)


def test_defaults_are_those_of_the_contract() -> None:
    settings = Settings()
    assert (settings.warehouse.location, settings.warehouse.memory_limit) == ("warehouse.duckdb", "4GB")
    assert (settings.warehouse.wait_seconds, settings.warehouse.query_seconds) == (60, 60)
    assert settings.warehouse.threads == 2
    assert settings.pull.predictions == ("inbox/predictions/**/*.parquet",)
    assert settings.pull.labels == ("inbox/labels/**/*.parquet",)
    assert settings.gate == GateSettings(0.05, 0.80, 0.01, 0.02, 0.03, 12, 1)
    assert settings.near_duplicate == 0.05
    assert settings.answers.known_item_share == 0
    attribute = AttributeSettings()
    assert (attribute.answers_needed, attribute.answers_at_most) == (2, 5)
    assert attribute.rules == ("label_disagrees", "low_margin")
    assert (attribute.trainer, attribute.group_by, attribute.within_track) == (
        "builtin:mlp",
        "recording_id",
        "varying",
    )
    assert (CROUCHED.holdout.size, CROUCHED.mine.nearest, CROUCHED.mine.budget) == (300, 10, 2000)
    assert CROUCHED.mine.look_alikes == 0.3


def list_scalars(kind: type[Any]) -> list[Field[Any]]:
    """Return the fields that a file may set to one text, number or truth value."""
    return [
        field
        for field in fields(kind)
        if field.metadata.get("key", True)
        and not isinstance(field.default, tuple)
        and field.default_factory is MISSING
    ]


def collect_tables(kind: type[Any]) -> list[type[Any]]:
    """Return a dataclass and all that its fields hold."""
    found = [kind]
    for hint in get_type_hints(kind).values():
        for inner in (hint, *get_args(hint)):
            if isinstance(inner, type) and is_dataclass(inner):
                found += collect_tables(inner)
    return found


TABLES = collect_tables(Settings) + collect_tables(FailureCase)


@pytest.mark.parametrize(
    "kind", [kind for kind in TABLES if all(field.default is not MISSING for field in list_scalars(kind))]
)
def test_every_default_keeps_the_limits_of_its_own_key(kind: type[Any]) -> None:
    written = {field.name: field.default for field in list_scalars(kind) if field.default is not None}
    assert build_table(kind, written, HERE) == kind()


def test_vector_space_is_the_embedding_if_there_is_one() -> None:
    assert replace(OBSTACLE, features="3").vector_space == "features:3"
    assert replace(OBSTACLE, embedder="thermal-3").vector_space == "thermal-3"
    assert replace(OBSTACLE, embedder="thermal-3").feature_space == "features:1"


def test_a_number_has_no_rule_on_scores_by_default() -> None:
    table = {"attribute": {"row_width": {"kind": "number", "unit": "m", "tolerance": 1}}}
    built = build_settings(table, HERE).attribute["row_width"]
    assert built.rules == ("label_disagrees",)
    assert built.tolerance == 1.0 and isinstance(built.tolerance, float)


def test_labels_are_stored_in_one_unicode_form() -> None:
    table = {"attribute": {"tree": {"labels": ["cafe\u0301", "b"], "was": {"the\u0301": "cafe\u0301"}}}}
    built = build_settings(table, HERE).attribute["tree"]
    assert built.labels == ("caf\u00e9", "b")
    assert built.was == {"th\u00e9": "caf\u00e9"}


def test_an_error_carries_file_key_and_text() -> None:
    with pytest.raises(SettingsFileError) as raised:
        build_settings({"queue": {"per_weak": 3}}, HERE)
    error = raised.value
    assert (error.path, error.key) == (Path("turnrow.toml"), "queue.per_weak")
    assert error.text == "unknown key; the nearest known one is `per_week`"


def test_a_key_with_odd_characters_stays_on_one_line() -> None:
    with pytest.raises(SettingsFileError) as raised:
        build_settings({"a\nb\u2028\u202ec": 1}, HERE)
    assert str(raised.value).startswith('turnrow.toml: "a\\nb\\u2028\\u202ec": unknown key')
    assert len(str(raised.value).splitlines()) == 1


def test_the_nearest_name_ignores_case_and_dashes() -> None:
    assert find_nearest("Answers-Needed", ["answers_at_most", "answers_needed"]) == "answers_needed"
    assert find_nearest("x", []) is None


def test_the_gate_of_a_case_wins() -> None:
    own = CaseGate(accuracy_at_least=0.9, alpha=0.01, seeds=3)
    assert override_gate(GateSettings(), own) == replace(GateSettings(), alpha=0.01, seeds=3)
    assert override_gate(GateSettings(), CaseGate()) == GateSettings()


def test_definition_text_does_not_depend_on_order_or_unicode_form() -> None:
    assert definition_json({"b": ("cafe\u0301", 1), "a": -0.0}) == '{"a":0.0,"b":["caf\u00e9",1]}'
    with pytest.raises(ValueError, match="not JSON compliant"):
        definition_json({"a": float("nan")})


def test_definition_of_an_attribute_is_its_meaning() -> None:
    text = definition_of_attribute(OBSTACLE)
    assert text == (
        '{"attribute":"obstacle","critical":["person"],"group_by":"recording_id","kind":"class",'
        '"labels":["person","crate","ladder"],"tolerance":null,"unit":"","was":{"box":"crate"},'
        '"within_track":"varying"}'
    )
    same: dict[str, Any]
    other: dict[str, Any]
    for same in ({"trainer": "x"}, {"features": "2"}, {"answers_needed": 1}, {"low_margin": 0.5}):
        assert definition_of_attribute(replace(OBSTACLE, **same)) == text
    for other in ({"labels": ("person", "crate")}, {"was": {}}, {"group_by": "unit_id"}, {"critical": ()}):
        assert definition_of_attribute(replace(OBSTACLE, **other)) != text


def test_a_definition_is_hashed_with_sha256() -> None:
    # FIPS 180-2, appendix B.1 (from memory): the digest of "abc"
    assert hash_definition("abc") == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"


def test_definition_of_a_rule_holds_what_it_flags_by() -> None:
    assert definition_of_rule("low_margin", replace(OBSTACLE, was={})) == (
        '{"attribute":"obstacle","parameters":{"threshold":0.2},"rule":"low_margin"}'
    )
    assert definition_of_rule("label_disagrees", OBSTACLE) == (
        '{"attribute":"obstacle","parameters":{"was":{"box":"crate"}},"rule":"label_disagrees"}'
    )
    assert definition_of_rule("label_disagrees", WIDTH) == (
        '{"attribute":"row_width","parameters":{"tolerance":0.2,"unit":"m"},"rule":"label_disagrees"}'
    )
    assert definition_of_rule("odd", OBSTACLE, " predicted = 'crate'\n") == (
        '{"attribute":"obstacle","rule":"odd","where":"predicted = \'crate\'"}'
    )


def change(case: FailureCase, table: str, **values: object) -> FailureCase:
    return replace(case, **{table: replace(getattr(case, table), **values)})


def test_each_definition_of_a_case_changes_with_its_own_part_only() -> None:
    wordier = replace(CROUCHED, severity="high", question="Or is it?", path=Path("x"), text="x")
    bigger = change(change(CROUCHED, "mine", budget=5), "holdout", size=5)
    recall = change(CROUCHED, "holdout", truth="person")
    nearer = change(CROUCHED, "mine", nearest=3)
    others = change(CROUCHED, "members", where="predicted = 'ladder'")
    changed = {
        "wordier": wordier,
        "bigger": bigger,
        "recall": recall,
        "nearer": nearer,
        "others": others,
    }
    seen = {
        name: [
            define(case) != define(CROUCHED)
            for define in (definition_of_members, definition_of_holdout, definition_of_case)
        ]
        for name, case in changed.items()
    }
    assert seen == {
        "wordier": [False, False, True],
        "bigger": [False, False, True],
        "recall": [False, True, True],
        "nearer": [False, True, True],
        "others": [True, True, True],
    }


def test_a_scope_written_out_defines_the_same_as_the_default() -> None:
    table = {
        "case": "crouched-picker",
        "attribute": "obstacle",
        "question": "q",
        "members": {"where": "true"},
    }
    settings = Settings(attribute={"obstacle": OBSTACLE})
    implied = build_case(table, "", Path("a.toml"), settings)
    written = build_case(table | {"scope": {"similarity_at_least": 0.8}}, "", Path("a.toml"), settings)
    assert implied.scope is None
    assert definition_of_holdout(implied) == definition_of_holdout(written)


def test_reading_settings_imports_nothing_heavy() -> None:
    heavy = "{'duckdb', 'numpy', 'pandas', 'pyarrow', 'prefect', 'zoneinfo', 'sqlalchemy'}"
    code = f"import sys, tasks.read_settings, tasks.resolve_secret; print({heavy} & set(sys.modules))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout == "set()\n"
