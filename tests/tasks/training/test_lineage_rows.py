"""The whole of `training_set_lineage`, told again from the facts by dictionaries alone: no SQL joins or groups."""

from collections import Counter
from collections.abc import Iterator
from typing import Any

from tasks.erase_recording import erase_recording
from tasks.import_model import import_model

SURE = """
[[rule]]
name = "sure_of_a_crate"
attribute = "obstacle"
where = "predicted = 'crate' and confidence > 0.95"
"""
LATER = SURE.replace("sure_of_a_crate", "any_crate").replace(" and confidence > 0.95", "")

Row = dict[str, Any]


def read_rows(orchard: Any, name: str) -> list[Row]:
    """All rows of a table or view, by column."""
    columns = [column for (column, *_) in orchard.ask(f"describe {name}")]
    return [dict(zip(columns, row, strict=True)) for row in orchard.ask(f"select * from {name}")]


def order(rows: list[Row]) -> list[Row]:
    return sorted(rows, key=lambda row: (row["version"], row["sample_id"], row["rule"] or ""))


def retell(orchard: Any) -> Iterator[Row]:
    """Each member of each version, once for each rule that had flagged its prediction by the version's as_of."""
    recordings = {row["sample_id"]: row["recording_id"] for row in read_rows(orchard, "sample")}
    revisions = {row["revision_id"]: row for row in read_rows(orchard, "label_revision")}
    predictions = {row["prediction_id"]: row for row in read_rows(orchard, "prediction")}
    until = {row["version"]: row["as_of"] for row in read_rows(orchard, "training_set")}
    flags = read_rows(orchard, "misprediction")
    batches = sorted(read_rows(orchard, "pull_batch"), key=lambda row: row["known_at"], reverse=True)
    files = {row["batch_id"]: (row["source_uri"], row["content_sha256"]) for row in batches}
    for member in read_rows(orchard, "training_set_member"):
        revision = revisions.get(member["revision_id"], {})
        prediction = predictions.get(member["prediction_id"], {})
        batch_id, label_batch_id = prediction.get("batch_id"), revision.get("batch_id")
        source_uri, content_sha256 = files.get(batch_id, (None, None))
        label_source_uri, label_content_sha256 = files.get(label_batch_id, (None, None))
        rules = {
            flag["rule"]
            for flag in flags
            if member["reason"] == "fixed"
            and (flag["sample_id"], flag["prediction_id"]) == (member["sample_id"], member["prediction_id"])
            and flag["known_at"] <= until[member["version"]]
        }
        decided_by = revision.get("decided_by")
        annotators = decided_by.split(",") if decided_by and revision["fix_id"] else decided_by and [decided_by]
        copied = ("version", "sample_id", "label", "label_value", "revision_id", "reason", "fix_id", "case_name")
        row = {name: member[name] for name in (*copied, "case_names", "prediction_id")} | {
            "recording_id": recordings.get(member["sample_id"]),
            "origin": revision.get("origin"),
            "decided_by": decided_by,
            "annotators": annotators,
            "model_version": prediction.get("model_version"),
            "batch_id": batch_id,
            "source_uri": source_uri,
            "content_sha256": content_sha256,
            "label_batch_id": label_batch_id,
            "label_source_uri": label_source_uri,
            "label_content_sha256": label_content_sha256,
        }
        yield from (row | {"rule": rule} for rule in rules or {None})


def add_rule(orchard: Any, rule: str) -> None:
    orchard.configure((orchard.loop.folder / "turnrow.toml").read_text(encoding="utf-8") + rule)


def grow(orchard: Any, field: Any) -> None:
    """Two versions: base rows, a sample with two rules, models, cases and files, two that were asked about."""
    add_rule(orchard, SURE)
    import_model(orchard.loop, "obstacle", None, model_version="m1", signed_by="A. Picker")
    case = orchard.case()
    orchard.pull(
        field.label([row for kind in ("person", "crate", "foliage") for row in field.sights(kind, 4, "base")])
    )
    orchard.assemble()
    labelled, asked = field.sights("crouched", 2, "two"), field.sights("crouched", 2, "asked")
    orchard.pull(field.predict(labelled, model="m1", confidence=0.99))
    orchard.pull(field.predict(labelled, model="m0", confidence=0.99, media_uri="camera/1.png"))
    orchard.pull([row | {"decided_by": "ben, of the packers"} for row in field.label(labelled)])
    orchard.pull(field.predict(asked, model="m1"))
    orchard.flag(case)
    orchard.mine(case)
    orchard.answer(by="ana")
    orchard.assemble()


def test_every_line_is_what_the_facts_tell(any_orchard: Any, field: Any) -> None:
    """One version asked for has the same lines as among all; a rule that flags its predictions later adds none."""
    orchard = any_orchard
    grow(orchard, field)
    told = order(list(retell(orchard)))
    assert Counter(row["reason"] for row in told) == {"base": 24, "fixed": 4, "mined": 2}
    assert {row["rule"] for row in told} == {None, "label_disagrees", "sure_of_a_crate"}
    assert orchard.number("select count(*) - count(distinct sample_id) from sample") == 2, "told of by two files"

    assert order(read_rows(orchard, "training_set_lineage")) == told

    alone = "select * from training_set_lineage where version = $version order by all"
    names = sorted({row["version"] for row in told})
    assert [row for name in names for row in orchard.ask(alone, version=name)] == orchard.ask(
        "select * from training_set_lineage order by all"
    )

    add_rule(orchard, LATER)
    orchard.flag()
    assert orchard.number("select count(*) from misprediction where rule = 'any_crate'") > 0
    assert order(read_rows(orchard, "training_set_lineage")) == told == order(list(retell(orchard)))


def test_an_erased_row_is_still_a_row_of_its_version(orchard: Any, field: Any) -> None:
    """With its version, sample_id, revision_id and reason, and nothing else; the others are as they were."""
    grow(orchard, field)
    before = order(read_rows(orchard, "training_set_lineage"))
    named = ("base-person-001", "two-crouched-000", "asked-crouched-001")
    for name in named:
        erase_recording(orchard.loop, name)

    after = order(read_rows(orchard, "training_set_lineage"))

    assert after == order(list(retell(orchard)))
    erased = [row for row in before if row["recording_id"] in named]
    emptied = [row for row in after if row["recording_id"] is None]
    assert [{name: value for name, value in row.items() if value is not None} for row in emptied] == [
        {name: row[name] for name in ("version", "sample_id", "revision_id", "reason")}
        for row in erased
        if row["rule"] != "sure_of_a_crate"  # one line is left of the two of one sample
    ]
    assert {row["reason"] for row in emptied} == {"base", "fixed", "mined"}
    assert [row for row in after if row not in emptied] == [row for row in before if row not in erased]
