"""What a retrain writes into `evaluation`, recomputed from what else the warehouse holds."""

import itertools
import json
from collections import Counter
from dataclasses import dataclass
from typing import Any

import pytest

from schemas.sql_files import read_sql
from tasks.errors import ExpressionError
from tasks.group_samples import view_groups
from tasks.warehouse import open_warehouse

KINDS = ("person", "crate", "foliage")
SLICED = 'slices = ["unit_id", "(context->>\'light\')"]\nanswers_needed'
STEPS = ("person", "crate", "person", "person", "crate")  # what an object of three looks like, minute by minute


OWN = """
import json
import pyarrow as pa, pyarrow.parquet as pq

def train(folder):
    request = json.loads((folder / "request.json").read_text())
    asked = pq.read_table(folder / "predict.parquet")
    assert asked["features"].null_count == 0, "a step without features was asked about"
    seen = json.dumps([asked.column_names, asked.num_rows, request["settings"]])
    (folder / "model").mkdir()
    (folder / "model" / "seen.json").write_text(seen)
    called = "person" if request["seed"] == 1 else "crate"
    pq.write_table(pa.table({
        "sample_id": asked["sample_id"], "predicted": pa.array([called] * asked.num_rows, pa.string()),
        "confidence": pa.array([1.0] * asked.num_rows, pa.float64()),
    }), folder / "predictions.parquet")
"""


def configure(settings: str, seeds: int = 2, trained_by: int = 1) -> str:
    sown = settings.replace("hidden = [8]", f"hidden = [8]\nseed = {trained_by}")
    return sown.replace("answers_needed", SLICED) + f"seeds = {seeds}\n"


def hold_tracks(orchard: Any, field: Any) -> list[dict[str, Any]]:
    """Freeze a general hold-out, one sample an object, of objects that were seen for minutes; return all steps."""
    held, steps = [], []
    for number, kind in itertools.product(range(6), KINDS):
        name = f"held-{kind}-{number:03d}"
        unit = {} if number == 0 else {"unit_id": f"cart-{number % 3}"}
        looks = STEPS if number < 4 and kind != "foliage" else (kind,)
        track = [
            field.sight(look, name, minute=100 * number + minute, **unit) for minute, look in enumerate(looks)
        ]
        held.append(track[0])
        steps += track
    truths = [row | {"label": str(row["recording_id"]).split("-")[1], "origin": "person"} for row in held]
    orchard.pull(truths)
    later = [row for row in steps if row not in held]
    orchard.pull(field.predict(later, "foliage", model="older"))
    orchard.hold(held)
    return steps


@dataclass
class Judged:
    """An orchard whose second candidate was judged; `steps`: all of the held-out objects' tracks."""

    orchard: Any
    steps: list[dict[str, Any]]
    first: str
    candidate: str
    control: str


def start(orchard: Any, field: Any) -> list[dict[str, Any]]:
    """Base labels, the hold-out, and a version; return the steps of the held-out objects."""
    orchard.pull(field.label([row for kind in KINDS for row in field.sights(kind, 12, "base")]))
    steps = hold_tracks(orchard, field)
    orchard.assemble()
    return steps


def judge(orchard: Any, field: Any) -> Judged:
    steps = start(orchard, field)
    first = orchard.retrain().model
    orchard.accept(first, "the first model")
    case = orchard.case()
    misread = field.sights("crouched", 6, "log")
    orchard.pull(field.predict(misread, model=first))
    orchard.pull(field.label(misread))
    orchard.flag(case)
    orchard.assemble()
    result = orchard.retrain(case)
    return Judged(orchard, steps, first, result.model, result.control_model)


def read_figures(orchard: Any, model: str) -> dict[tuple[str, str], tuple[float, int]]:
    rows = orchard.ask("select slice, metric, value, n from evaluation where model_version = $m", m=model)
    found = {(row[0], row[1]): (row[2], row[3]) for row in rows}
    assert len(found) == len(rows)
    return found


def test_what_is_measured_can_be_recomputed(make_orchard: Any, field: Any) -> None:
    orchard = make_orchard(configure(field.settings))
    judged = judge(orchard, field)
    for model in (judged.first, judged.candidate, judged.control):
        figures = read_figures(orchard, model)
        check_confusion_and_calibration(orchard, model, figures)
        check_slices(orchard, model, figures)
        check_tracks(judged, model, figures)
    check_limits(orchard)
    check_nothing_else_is_stored(judged)
    check_seeds(judged, make_orchard(configure(field.settings, 1, trained_by=2), "sown"), field)
    check_the_same_again(judged, field)


def read_answers(orchard: Any, model: str) -> list[tuple[Any, ...]]:
    return list(
        orchard.ask(
            "select r.label, p.predicted, p.confidence, k.unit_id, k.context->>'light' "
            "from holdout_prediction as p "
            "inner join holdout_label as l using (holdout_id, sample_id) "
            "inner join label_revision as r using (revision_id) "
            "inner join known_sample as k on k.sample_id = p.sample_id where p.model_version = $m",
            m=model,
        )
    )


def check_confusion_and_calibration(orchard: Any, model: str, figures: dict[Any, Any]) -> None:
    answers = read_answers(orchard, model)
    assert len(answers) == 18
    pairs = Counter((truth, called) for truth, called, *_ in answers)
    cells = {key: value for key, value in figures.items() if key[1].startswith("called=")}
    assert cells == {
        (f"truth={truth}", f"called={called}"): (count, 6) for (truth, called), count in pairs.items()
    }
    score = sum((told - (truth == called)) ** 2 for truth, called, told, *_ in answers) / 18
    assert figures["all", "brier_score"] == (pytest.approx(score), 18)
    assert figures["all", "expected_calibration_error"][1] == 18


def check_slices(orchard: Any, model: str, figures: dict[Any, Any]) -> None:
    rows = [
        (name, truth, called)
        for truth, called, _, unit, light in read_answers(orchard, model)
        for name in ("unit_id is null" if unit is None else f"unit_id={unit}", f"(context->>'light')={light}")
    ]
    wanted = {}
    for name in {row[0] for row in rows}:
        part = [row for row in rows if row[0] == name]
        people = [row for row in part if row[1] == "person"]
        wanted[name, "accuracy"] = (pytest.approx(sum(row[1] == row[2] for row in part) / len(part)), len(part))
        hits = sum(row[2] == "person" for row in people)
        wanted[f"{name}, truth=person", "recall"] = (pytest.approx(hits / len(people)), len(people))
    assert len(wanted) == 10, "three carts, none, and one light"
    assert wanted == {key: value for key, value in figures.items() if key[0].startswith(("unit_id", "(context"))}


def check_tracks(judged: Judged, model: str, figures: dict[Any, Any]) -> None:
    """The model itself answers the steps again; eight objects were seen for more than a minute."""
    answers: dict[str, list[str]] = {}
    for row in sorted(judged.orchard.replay(model, judged.steps), key=lambda row: str(row["observed_at"])):
        answers.setdefault(row["recording_id"], []).append(row["predicted"])
    tracks = [track for track in answers.values() if len(track) > 1]
    flips = [[before != after for before, after in itertools.pairwise(track)] for track in tracks]
    rates = [100 * sum(track) / len(track) for track in flips]
    lasting = [max((place for place, flip in enumerate(track, 1) if flip), default=0) for track in flips]
    assert len(tracks) == 8
    assert max(rates) >= 50, "or there would be nothing to see"
    assert figures["all", "flips_per_hundred_steps"] == (pytest.approx(sum(rates) / 8), 8)
    assert figures["all", "steps_to_lasting_answer"] == (pytest.approx(sum(lasting) / 8), 8)


def check_limits(orchard: Any) -> None:
    """Of so many tracks the first so many steps are asked, and every member whatever the limits."""
    attribute = orchard.loop.settings.attribute["obstacle"]
    limits = {"attribute": "obstacle", "feature_space": "features:1", "tracks_at_most": 3, "steps_at_most": 2}
    with open_warehouse(orchard.loop, write=False) as warehouse:
        view_groups(warehouse.connection, attribute)
        warehouse.connection.execute(read_sql("evaluate/asked_sample"), limits)
        tracks = warehouse.connection.execute(
            "select count(*), count(distinct track_id), max(extract(minute from observed_at) % 10) "
            "from asked_sample where track_id is not null"
        ).fetchall()
        members = warehouse.connection.execute(
            "select count(*) from asked_sample inner join holdout_member using (holdout_id, sample_id) "
            "where track_id is null"
        ).fetchall()
    assert tracks == [(6, 3, 1)]
    assert members == [(18,)]


def check_nothing_else_is_stored(judged: Judged) -> None:
    """Neither the steps' answers nor the models with other seeds are anywhere but in figures."""
    ask = judged.orchard.ask
    names = sorted([judged.first, judged.candidate, judged.control])
    assert ask("select model_version, count(*) from holdout_prediction group by all order by all") == [
        (name, 18) for name in names
    ]
    assert ask("select model_version from model order by all") == [(name,) for name in names]
    assert sorted(path.name for path in (judged.orchard.loop.folder / "models").iterdir()) == names
    assert ask("select distinct model_version from evaluation order by all") == [(name,) for name in names]
    assert ask("select distinct candidate from gate_decision order by all") == [
        (name,) for name in sorted([judged.first, judged.candidate])
    ]


def check_seeds(judged: Judged, sown: Any, field: Any) -> None:
    """What is told of seed 2 is what a loop measures that trains with it."""
    other = judge(sown, field)
    told, wanted = read_figures(judged.orchard, judged.first), read_figures(sown, other.first)
    assert told["seed=2", "accuracy"] == wanted["all", "accuracy"]
    recalls = {
        key[0]: value for key, value in wanted.items() if key[1] == "recall" and key[0].startswith("truth=")
    }
    assert len(recalls) == 3
    for name, recall in recalls.items():
        assert told[f"seed=2, {name}", "recall"] == recall
        spread = abs(recall[0] - told[name, "recall"][0])
        assert told[name, "seed_spread"] == (pytest.approx(spread), 2)
    assert not any(metric == "seed_spread" for _, metric in wanted)
    for model in (judged.candidate, judged.control):
        assert ("seed=2", "accuracy") in read_figures(judged.orchard, model)


def check_the_same_again(judged: Judged, field: Any) -> None:
    """Judged again, only what changed is written; a pair of a confusion that is gone counts none."""
    orchard = judged.orchard
    count = orchard.number("select count(*) from evaluation")
    orchard.tamper(
        "insert into evaluation select model_version, holdout_id, 'truth=ghost', 'called=crate', 3, null, null, "
        f"3, known_at from evaluation where model_version = '{judged.candidate}' limit 1"
    )
    orchard.configure(configure(field.settings).replace("margin = 0.15", "margin = 0.16", 1))
    assert orchard.retrain(orchard.case()).model == judged.candidate
    ghosts = orchard.ask("select value, n from evaluation where slice = 'truth=ghost' order by known_at")
    assert ghosts == [(3, 3), (0, 0)]
    assert orchard.number("select count(*) from evaluation") == count + 2


def test_a_slice_that_fails_on_a_sample_stops_before_anything_is_trained(orchard: Any, field: Any) -> None:
    start(orchard, field)
    broken = SLICED.replace('"unit_id"', "\"cast((context->>'light') as integer)\"")
    orchard.configure(field.settings.replace("answers_needed", broken))
    with pytest.raises(ExpressionError, match=r"attribute\.obstacle\.slices: fails on a stored sample"):
        orchard.retrain()
    assert list((orchard.loop.folder / "models").iterdir()) == []
    assert orchard.number("select count(*) from evaluation") == 0


def test_a_trainer_of_ones_own_answers_tracks_and_seeds(make_orchard: Any, field: Any) -> None:
    """It calls everything a person by seed 1, and a crate by any other: six of eighteen are either.

    It is shown 18 members and 32 more steps, nothing of labels, and no step that lacks its track's features.
    """
    settings = configure(field.settings, seeds=3).replace("critical =", 'trainer = "own:train"\ncritical =')
    orchard = make_orchard(settings.replace("seed = 1\n", ""))
    (orchard.loop.folder / "own.py").write_text(OWN, encoding="utf-8")
    bare = field.sight("person", "held-person-000", minute=50)
    del bare["features"]
    orchard.pull(field.predict([bare], "foliage", model="older"))
    start(orchard, field)
    model = orchard.retrain().model

    seen = json.loads((orchard.loop.folder / "models" / model / "seen.json").read_text(encoding="utf-8"))
    assert seen[1] == 18 + 8 * 4
    assert not {"label", "origin", "reason", "weight"} & set(seen[0])
    figures = read_figures(orchard, model)
    wanted = {
        ("all", "accuracy"): (pytest.approx(1 / 3), 18),
        ("seed=2", "accuracy"): (pytest.approx(1 / 3), 18),
        ("seed=3", "accuracy"): (pytest.approx(1 / 3), 18),
        ("all", "seed_spread"): (0, 3),
        ("truth=person", "seed_spread"): (1, 3),
        ("truth=crate", "seed_spread"): (1, 3),
        ("truth=foliage", "seed_spread"): (0, 3),
        ("seed=3, truth=crate", "recall"): (1, 6),
        ("truth=crate", "called=person"): (6, 6),
        ("all", "brier_score"): (pytest.approx(2 / 3), 18),
        ("all", "expected_calibration_error"): (pytest.approx(2 / 3), 18),
        ("all", "flips_per_hundred_steps"): (0, 8),
        ("all", "steps_to_lasting_answer"): (0, 8),
    }
    assert {key: figures[key] for key in wanted} == wanted
