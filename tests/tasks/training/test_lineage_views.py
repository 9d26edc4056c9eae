"""Every row of a version leads back to what it came from, without doubled or half-wrong rows."""

import hashlib
from typing import Any

from tasks.import_model import import_model

DOUBLED = """
[[rule]]
name = "sure_of_a_crate"
attribute = "obstacle"
where = "predicted = 'crate' and confidence > 0.95"
"""
SECOND_CASE = """
case = "any-dusk-error"
attribute = "obstacle"
question = "What is it at dusk?"
severity = "low"
[members]
where = "(context->>'light') = 'dusk'"
"""
ASCENT = """
with recursive above as (
    select parent_kind, parent_id from lineage_edge where child_kind = 'model' and child_id = $model
    union
    select e.parent_kind, e.parent_id
    from above as a
    inner join lineage_edge as e on e.child_kind = a.parent_kind and e.child_id = a.parent_id
)
select parent_id from above where parent_kind = 'file' order by all
"""


def build(orchard: Any, field: Any) -> tuple[Any, dict[str, str]]:
    """A sample with two rules, two models and two cases; one that was asked, and base rows. Return the files."""
    import_model(orchard.loop, "obstacle", None, model_version="m1", signed_by="A. Picker")
    cases = [orchard.case(SECOND_CASE), orchard.case()]
    labelled, asked = field.sights("crouched", 1, "two"), field.sights("crouched", 1, "asked")
    files = {
        "base": orchard.pull(
            field.label([row for kind in ("person", "crate", "foliage") for row in field.sights(kind, 4, "base")])
        ),
        "first": orchard.pull(field.predict(labelled, model="m1", confidence=0.99)),
        "second": orchard.pull(field.predict(labelled, model="m0", confidence=0.99)),
        "label": orchard.pull(field.label(labelled)),
        "pool": orchard.pull(field.predict(asked, model="m1")),
    }
    orchard.flag(*cases)
    assert orchard.number("select count(distinct prediction_id) from misprediction") == 2
    orchard.mine(cases[1])
    orchard.answer(by="ana")
    return orchard.assemble(), {
        name: hashlib.sha256(path.read_bytes()).hexdigest() for name, path in files.items()
    }


def read_lineage(orchard: Any, recording: str) -> list[dict[str, Any]]:
    names = [name for (name, *_) in orchard.ask("describe training_set_lineage")]
    rows = orchard.ask("select * from training_set_lineage where recording_id = $r order by rule", r=recording)
    return [dict(zip(names, row, strict=True)) for row in rows]


def test_a_sample_with_two_rules_two_models_and_two_cases_has_one_row_a_rule(any_orchard: Any, field: Any) -> None:
    orchard = any_orchard
    settings = (orchard.loop.folder / "turnrow.toml").read_text()
    orchard.configure(settings + DOUBLED)
    made, files = build(orchard, field)
    assert made.rows_by_reason == {"base": 12, "fixed": 1, "mined": 1}

    first, second = read_lineage(orchard, "two-crouched-000")

    assert (first.pop("rule"), second.pop("rule")) == ("label_disagrees", "sure_of_a_crate")
    assert first == second
    assert (first["reason"], first["case_name"], first["case_names"]) == (
        "fixed",
        "crouched-picker",
        ["crouched-picker", "any-dusk-error"],
    ), "the most severe case first"
    file = {"m1": files["first"], "m0": files["second"]}[first["model_version"]]
    assert first["content_sha256"] == file, "prediction, model and file belong together"
    assert first["prediction_id"] == orchard.number(
        "select prediction_id from prediction inner join sample using (sample_id) where recording_id = "
        "'two-crouched-000' and model_version = $m limit 1",
        m=first["model_version"],
    )
    assert first["label_content_sha256"] == files["label"]
    assert (first["label"], first["origin"], first["fix_id"], first["annotators"]) == (
        "person",
        "person",
        None,
        None,
    )

    (mined,) = read_lineage(orchard, "asked-crouched-000")
    assert (mined["reason"], mined["rule"], mined["annotators"], mined["decided_by"]) == (
        "mined",
        None,
        ["ana"],
        "ana",
    )
    assert mined["fix_id"] == orchard.number("select fix_id from fix_outcome")
    assert (mined["content_sha256"], mined["label_content_sha256"]) == (files["pool"], None)


def test_what_must_never_be_null_is_not(orchard: Any, field: Any) -> None:
    orchard.configure(field.settings + DOUBLED)
    build(orchard, field)
    never = ("sample_id", "recording_id", "label", "revision_id", "origin", "reason")
    assert orchard.ask(
        f"select count(*) from training_set_lineage where {' or '.join(f'{name} is null' for name in never)}"
    ) == [(0,)]
    assert orchard.ask(
        "select count(*) from training_set_lineage where (fix_id is null and label_content_sha256 is null) "
        "or (reason = 'fixed' and (rule is null or prediction_id is null or model_version is null "
        "or batch_id is null or source_uri is null or content_sha256 is null))"
    ) == [(0,)]


def test_a_rule_that_flagged_only_later_is_not_counted(orchard: Any, field: Any) -> None:
    build(orchard, field)
    orchard.configure(field.settings + DOUBLED)
    orchard.flag()
    assert [row["rule"] for row in read_lineage(orchard, "two-crouched-000")] == ["label_disagrees"]


def test_a_recursive_query_from_a_model_reaches_the_files_it_came_from(any_orchard: Any, field: Any) -> None:
    _, files = build(any_orchard, field)
    extra = field.sights("crouched", 1, "two", embedding=[1.0], embedder="eye")
    vectors = any_orchard.pull(field.predict(extra, model="m2"))
    model = any_orchard.retrain().model
    reached = {name for (name,) in any_orchard.ask(ASCENT, model=model)}
    digests = dict(any_orchard.ask("select batch_id, content_sha256 from pull_batch"))
    found = {digests[name] for name in reached}
    answers = set(digests.values()) - set(files.values()) - {hashlib.sha256(vectors.read_bytes()).hexdigest()}
    assert found >= set(files.values()) - {files["second"]}
    assert found >= answers, "the file that the answers came in"
    assert hashlib.sha256(vectors.read_bytes()).hexdigest() in found, "a file that brought a vector only"


def test_a_number_has_its_value_as_label(make_orchard: Any, field: Any) -> None:
    settings = '[attribute.distance]\nkind = "number"\nunit = "m"\ntolerance = 0.2\nrules = ["label_disagrees"]\n'
    orchard = make_orchard(settings)
    rows = [
        field.sight("crate", f"r{number}", attribute="distance") | {"label": 1.5 + number, "origin": "person"}
        for number in range(3)
    ]
    orchard.pull(rows)
    from tasks.assemble_training_set import assemble_training_set
    from tasks.verify_training_set import verify_training_set

    made = assemble_training_set(orchard.loop, "distance")
    assert orchard.ask("select label, label_value from training_set_lineage order by all") == [
        ("1.5", 1.5),
        ("2.5", 2.5),
        ("3.5", 3.5),
    ]
    assert verify_training_set(orchard.loop, str(made.version)).is_equal
