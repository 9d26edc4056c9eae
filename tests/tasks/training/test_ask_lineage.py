"""A lineage question is answered only about what is there, and is what the question is about."""

from typing import Any

import pytest

from tasks.ask_lineage import ask_lineage, list_questions
from tasks.erase_recording import erase_recording
from tasks.errors import UnknownNameError
from tasks.import_model import import_model
from tasks.trace_lineage import trace_lineage

KINDS = {"training_set", "model", "label_revision", "recording"}


@pytest.fixture
def version(orchard: Any, field: Any) -> str:
    """A version of six recordings, a model that learned from it, and another that only predicted."""
    orchard.pull(field.label([row for kind in ("person", "crate") for row in field.sights(kind, 3, "base")]))
    orchard.pull(field.predict(field.sights("crate", 1, "seen"), model="served-elsewhere"))
    made = str(orchard.assemble().version)
    import_model(orchard.loop, "obstacle", None, model_version="m1", signed_by="A. Picker", trained_on=made)
    return made


def refuse(orchard: Any, question: str, thing: str, value: str | None = None) -> str:
    with pytest.raises(UnknownNameError) as caught:
        ask_lineage(orchard.loop, question, thing, value)
    return str(caught.value)


def test_every_question_says_of_what_it_is_asked_and_shows_no_raw_parameter() -> None:
    questions = list_questions()
    assert {question.kind for question in questions} == KINDS
    assert [question.name for question in questions if "$" in question.words] == []
    assert [
        question.name for question in questions if question.wants_value and "VALUE" not in question.words
    ] == []


def test_a_mistyped_name_is_no_thing_that_nothing_is_known_of(orchard: Any, version: str) -> None:
    told = refuse(orchard, "files-of-model", "m11")
    assert told == (
        "m11: the warehouse knows no model of that name, which files-of-model is about; "
        "the nearest known one is `m1`"
    )
    assert f"the nearest known one is `{version}`" in refuse(orchard, "history-of-version", version[:-1])
    assert "the nearest known one is `base-crate-001`" in refuse(
        orchard, "versions-with-recording", "base-crte-001"
    )
    assert "`turnrow why SAMPLE --json`" in refuse(orchard, "if-label-were-wrong", "0123")


def test_another_kind_of_thing_is_refused_with_the_questions_about_it(orchard: Any, version: str) -> None:
    assert refuse(orchard, "files-of-model", version) == (
        f"{version}: is a training set, and files-of-model is about a model; "
        "ask of it history-of-version, labels-by-annotator, rows-for-case"
    )
    sample = orchard.number("select min(sample_id) from sample")
    assert refuse(orchard, "if-label-were-wrong", sample) == (
        f"{sample}: is a sample, and if-label-were-wrong is about a label revision; "
        f"`turnrow lineage {sample}` shows where it came from"
    )
    assert refuse(orchard, "rows-for-case", "base-crate-001", "dusk").endswith("ask of it versions-with-recording")
    assert "is known by its predictions alone" in refuse(orchard, "files-of-model", "served-elsewhere")


def test_a_thing_that_nothing_came_of_is_answered_with_no_row(orchard: Any, version: str) -> None:
    found = ask_lineage(orchard.loop, "versions-with-recording", "seen-crate-000")
    assert (found.columns[0], found.rows) == ("version", [])
    found = ask_lineage(orchard.loop, "versions-with-recording", "base-crate-001")
    assert [(row[0], row[2]) for row in found.rows] == [(version, "m1")]


def test_a_recording_is_found_however_its_letters_are_composed(orchard: Any, field: Any) -> None:
    orchard.pull(field.label([field.sight("crate", "caf\u00e9-crate-000"), field.sight("person", "b-person-000")]))
    version = orchard.assemble().version
    for spelt in ("caf\u00e9-crate-000", "cafe\u0301-crate-000"):
        assert [row[0] for row in ask_lineage(orchard.loop, "versions-with-recording", spelt).rows] == [version]


def test_an_erased_recording_is_told_with_the_sets_that_it_concerned(orchard: Any, version: str) -> None:
    for recording in ("base-crate-001", "seen-crate-000"):
        erase_recording(orchard.loop, recording)
    concerned = f"of training sets that concerned {version}, which cannot be rebuilt any more"
    for recording, rest in (("base-crate-001", concerned), ("seen-crate-000", "no training set holds it")):
        told = refuse(orchard, "versions-with-recording", recording)
        assert told.startswith(f"{recording}: erased on ")
        assert told.endswith(rest)
        with pytest.raises(UnknownNameError, match=f"{recording}: erased on .*; {rest}"):
            trace_lineage(orchard.loop, recording)


@pytest.mark.usefixtures("version")
def test_the_tree_of_a_recording_points_to_the_question_about_it(orchard: Any) -> None:
    with pytest.raises(
        UnknownNameError, match="is a recording, which has no tree: `--ask versions-with-recording`"
    ):
        trace_lineage(orchard.loop, "base-crate-001")
