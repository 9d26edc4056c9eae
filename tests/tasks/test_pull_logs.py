"""What a pull promises: the same fact once, whatever file, format, order or notation it comes in."""

import csv
import gzip
import hashlib
import itertools
import json
import random
import shutil
import struct
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import duckdb
import pytest

from tasks.loop import Loop
from tasks.pull_logs import PulledFile, pull_files
from tasks.warehouse import open_warehouse

FACTS = ("sample", "sample_vector", "prediction", "label_revision", "quarantined_row", "vector_space")

ROWS: list[dict[str, Any]] = [
    {
        "recording_id": f"run-{i // 3}",
        "object_id": f"track-{i % 3}",
        "observed_at": f"2024-05-01T10:00:{i:02d}.250000Z",
        "attribute": "obstacle",
        "model_version": "obstacle-1-5f2a",
        "predicted": ["person", "animal", "crate"][i % 3],
        "confidence": round(0.5 + i / 100, 2),
        "predicted_at": f"2024-05-01T10:00:{i:02d}.500000Z",
        "role": "served",
        "scores": {"person": 0.25, "crate": 0.1 * i},
        "features": [0.1 * i + 1, -2.5, 3.0],
        "feature_version": "1",
        "embedding": [1.0, float(i + 1)],
        "embedder": "silhouette-2",
        "context": {"light": "dusk", "slope": 1.0 * i, "wet": True, "block": None},
        "unit_id": f"cart-{i // 3}",
        "media_uri": f"frames/{i}.png",
    }
    for i in range(9)
]  # invented

LABELS: list[dict[str, Any]] = [
    {
        "recording_id": row["recording_id"],
        "object_id": row["object_id"],
        "observed_at": row["observed_at"],
        "attribute": "obstacle",
        "label": "person",
        "origin": "person",
        "decided_by": "ada",
        "decided_at": "2024-06-01T08:00:00Z",
    }
    for row in ROWS
]  # invented


def write_jsonl(path: Path, rows: list[dict[str, Any]]) -> None:
    path.write_text("".join(json.dumps(row) + "\n" for row in rows), encoding="utf-8")


def write_csv(path: Path, rows: list[dict[str, Any]], separator: str = ",") -> None:
    with path.open("w", encoding="utf-8", newline="") as handle:
        writer = csv.writer(handle, delimiter=separator)
        writer.writerow(rows[0])
        for row in rows:
            writer.writerow([json.dumps(v) if isinstance(v, dict | list) else v for v in row.values()])


def write_parquet(path: Path, rows: list[dict[str, Any]]) -> None:
    """Typed as a logger would: timestamps, float32 vectors, a map of scores, a struct of context."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    kinds: dict[str, Any] = {
        "observed_at": pa.timestamp("us", tz="Europe/Berlin"),
        "predicted_at": pa.timestamp("ns"),
        "decided_at": pa.timestamp("ms"),
        "features": pa.list_(pa.float32()),
        "embedding": pa.list_(pa.float64()),
        "scores": pa.map_(pa.string(), pa.float32()),
        "confidence": pa.float32(),
    }
    columns = {}
    for name in rows[0]:
        values = [row[name] for row in rows]
        if name.endswith("_at"):
            values = [datetime.fromisoformat(value) for value in values]
            if name != "observed_at":
                values = [value.replace(tzinfo=None) for value in values]
        if name == "scores":
            values = [list(value.items()) for value in values]
        columns[name] = pa.array(values, kinds.get(name))
    pq.write_table(pa.table(columns), path)


def pull_one(loop: Loop, path: Path) -> PulledFile:
    (pulled,) = pull_files(loop, [path]).files
    assert pulled.error == ""
    return pulled


def count_up(pulled: PulledFile) -> tuple[int, int, int, int]:
    return pulled.rows_read, pulled.rows_kept, pulled.rows_duplicate, pulled.rows_quarantined


def read(loop: Loop, query: str) -> list[tuple[Any, ...]]:
    with open_warehouse(loop, write=False) as warehouse:
        return warehouse.connection.execute(query).fetchall()


def read_facts(loop: Loop) -> dict[str, list[tuple[Any, ...]]]:
    with open_warehouse(loop, write=False) as warehouse:
        return {
            table: warehouse.connection.execute(f"select * from {table} order by all").fetchall()
            for table in FACTS
        }


def read_current(loop: Loop) -> list[list[tuple[Any, ...]]]:
    """What the current views say, `batch_id` and `known_at` aside."""
    queries = (
        "select * exclude (batch_id, known_at) from current_sample order by all",
        "select * exclude (batch_id, known_at) from current_prediction order by all",
        "select * exclude (batch_id, known_at) from current_label order by all",
        "select * exclude (batch_id, known_at) from sample_vector order by all",
    )
    with open_warehouse(loop, write=False) as warehouse:
        return [warehouse.connection.execute(query).fetchall() for query in queries]


def identify(*fields: str) -> str:
    return hashlib.sha256("\x1f".join(fields).encode()).hexdigest()[:32]


def spell_micros(text: str) -> str:
    return str((datetime.fromisoformat(text) - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(microseconds=1))


def test_ids_are_made_of_content_as_the_contract_says(loop: Loop) -> None:
    write_jsonl(loop.folder / "log.jsonl", ROWS[:1])
    write_jsonl(loop.folder / "labels.jsonl", LABELS[:1])
    number = {**ROWS[0], "attribute": "distance", "predicted": 4.5, "scores": None}
    write_jsonl(loop.folder / "far.jsonl", [number])
    pull_files(loop, [loop.folder / name for name in ("log.jsonl", "labels.jsonl", "far.jsonl")])
    observed = spell_micros(ROWS[0]["observed_at"])
    sample_id = identify("run-0", "track-0", observed, "obstacle")
    far_id = identify("run-0", "track-0", observed, "distance")
    value = struct.pack(">d", 4.5).hex()
    assert read(loop, "select sample_id from sample order by attribute desc") == [(sample_id,), (far_id,)]
    assert sorted(read(loop, "select prediction_id from prediction")) == sorted(
        [
            (identify(sample_id, "obstacle-1-5f2a", "served", "person", "\x00"),),
            (identify(far_id, "obstacle-1-5f2a", "served", "\x00", value),),
        ]
    )
    decided = spell_micros("2024-06-01T08:00:00+00:00")
    assert read(loop, "select revision_id from label_revision") == [
        (identify(sample_id, "person", "\x00", "person", "ada", decided, "\x00"),)
    ]
    content = hashlib.sha256((loop.folder / "log.jsonl").read_bytes()).hexdigest()
    assert read(loop, "select batch_id, content_sha256 from pull_batch where source_uri = 'log.jsonl'") == [
        (identify(content), content)
    ]


def test_a_file_pulled_again_or_renamed_adds_nothing(loop: Loop) -> None:
    first = loop.folder / "log.jsonl"
    write_jsonl(first, ROWS)
    assert count_up(pull_one(loop, first)) == (9, 9, 0, 0)
    before = read_facts(loop), read(loop, "select * from pull_batch")
    again = pull_one(loop, first)
    assert (again.is_known, count_up(again)) == (True, (9, 9, 0, 0))
    shutil.copy(first, loop.folder / "renamed.jsonl")
    assert pull_one(loop, loop.folder / "renamed.jsonl").is_known
    assert (read_facts(loop), read(loop, "select * from pull_batch")) == before
    assert read(loop, "select path from seen_file order by path") == [("log.jsonl",), ("renamed.jsonl",)]


def test_two_copies_in_one_pull_are_one_batch(file_loop: Loop) -> None:
    for name in ("a.jsonl", "b.jsonl"):
        write_jsonl(file_loop.folder / name, ROWS)
    summary = pull_files(file_loop, [file_loop.folder / "b.jsonl", file_loop.folder / "a.jsonl"])
    assert [(f.path, f.is_known, f.rows_kept) for f in summary.files] == [
        ("a.jsonl", False, 9),
        ("b.jsonl", True, 9),
    ]
    assert read(file_loop, "select source_uri from pull_batch") == [("a.jsonl",)]


WRITERS: dict[str, Callable[[Path, list[dict[str, Any]]], None]] = {
    "log.jsonl": write_jsonl,
    "log.csv": write_csv,
    "log.parquet": write_parquet,
    "semicolons.csv": lambda path, rows: write_csv(path, rows, ";"),
}


@pytest.mark.parametrize("first", WRITERS)
def test_the_same_rows_in_another_format_are_duplicates(file_loop: Loop, first: str) -> None:
    for name in [first, *(name for name in WRITERS if name != first)]:
        WRITERS[name](file_loop.folder / name, ROWS)
        expected = (9, 9, 0, 0) if name == first else (9, 0, 9, 0)
        assert (name, count_up(pull_one(file_loop, file_loop.folder / name))) == (name, expected)
    facts = read_facts(file_loop)
    assert [len(facts[table]) for table in FACTS] == [9, 18, 9, 0, 0, 2]


@pytest.mark.parametrize("without", [("embedding", "embedder"), ("features", "feature_version")])
def test_rows_that_lack_a_vector_are_duplicates_the_second_time(file_loop: Loop, without: tuple[str, str]) -> None:
    rows = [{name: value for name, value in row.items() if name not in without} for row in ROWS]
    for name, again, expected in (("log.jsonl", rows, (9, 9, 0, 0)), ("more.jsonl", rows[::-1], (9, 0, 9, 0))):
        write_jsonl(file_loop.folder / name, again)
        assert count_up(pull_one(file_loop, file_loop.folder / name)) == expected


def test_every_format_gives_the_same_facts(make_file_loop: Callable[..., Loop]) -> None:
    facts = []
    for name, write in WRITERS.items():
        loop = make_file_loop(name=name)
        write(loop.folder / name, ROWS)
        write(loop.folder / f"labels-{name}", LABELS)
        pull_files(loop, [loop.folder / name, loop.folder / f"labels-{name}"])
        facts.append(read_current(loop))
    assert [len(view) for view in facts[0]] == [9, 9, 9, 18]
    assert all(other == facts[0] for other in facts[1:])


@pytest.mark.parametrize("suffix", [".gz", ".zst"])
@pytest.mark.parametrize("name", ["log.csv", "log.jsonl"])
def test_compressed_text_is_read_by_suffix(file_loop: Loop, name: str, suffix: str) -> None:
    plain = file_loop.folder / name
    WRITERS[name](plain, ROWS)
    packed = file_loop.folder / f"packed-{name}{suffix}"
    if suffix == ".gz":
        packed.write_bytes(gzip.compress(plain.read_bytes()))
    else:
        import pyarrow as pa

        with pa.CompressedOutputStream(str(packed), "zstd") as stream:
            stream.write(plain.read_bytes())
    assert count_up(pull_one(file_loop, packed)) == (9, 9, 0, 0)
    assert count_up(pull_one(file_loop, plain)) == (9, 0, 9, 0)


NOTATIONS = [
    "2024-05-01T10:00:00Z",
    "2024-05-01T10:00:00z",
    "2024-05-01t10:00:00Z",
    "2024-05-01 10:00:00",
    "2024-05-01T10:00:00",
    "2024-05-01T10:00",
    "2024-05-01T10:00Z",
    "2024-05-01T10:00:00.000Z",
    "2024-05-01T10:00:00,000Z",
    "2024-05-01T10:00:00.000000000Z",
    "2024-05-01T12:00:00+02:00",
    "2024-05-01T12:00:00+0200",
    "2024-05-01T12:00:00+02",
    "2024-05-01T12:00+02:00",
    "2024-05-01T12:00:00 +02:00",
    "2024-04-30T22:15:00-11:45",
    "2024-05-01 10:00:00 UTC",
    "2024-05-01 10:00:00",
    "20240501T100000Z",
    "20240501T120000+0200",
    " 2024-05-01T10:00:00Z ",
]


def test_every_notation_of_an_instant_is_the_same_sample(file_loop: Loop) -> None:
    rows = [{**ROWS[0], "observed_at": text, "model_version": f"m-{i}"} for i, text in enumerate(NOTATIONS)]
    write_jsonl(file_loop.folder / "log.jsonl", rows)
    assert count_up(pull_one(file_loop, file_loop.folder / "log.jsonl")) == (21, 21, 0, 0)
    assert read(file_loop, "select epoch_us(observed_at) from sample") == [(1714557600000000,)]
    assert read(file_loop, "select count(*) from prediction") == [(21,)]


def test_text_is_stored_in_one_unicode_form(file_loop: Loop) -> None:
    rows = [{**ROWS[0], "recording_id": "caf\u00e9"}, {**ROWS[0], "recording_id": "cafe\u0301"}]
    write_jsonl(file_loop.folder / "log.jsonl", rows)
    assert count_up(pull_one(file_loop, file_loop.folder / "log.jsonl")) == (2, 1, 1, 0)
    assert read(file_loop, "select recording_id from sample") == [("caf\u00e9",)]


def test_context_is_stored_with_sorted_keys_and_plain_numbers(file_loop: Loop) -> None:
    texts = ['{"b": 1, "a": "x", "n": null}', '{"a": "x", "b": 1.0}', '{"b": 1e0, "a": "x"}']
    rows = [{**ROWS[0], "context": text} for text in texts]
    write_csv(file_loop.folder / "log.csv", rows)
    assert count_up(pull_one(file_loop, file_loop.folder / "log.csv")) == (3, 1, 2, 0)
    assert read(file_loop, "select context::varchar from sample") == [('{"a":"x","b":1}',)]


def test_files_in_any_order_end_in_the_same_views(make_file_loop: Callable[..., Loop]) -> None:
    """Parts of the same rows, with what each part knows; nothing contradicts."""
    parts = [
        [
            {k: v for k, v in row.items() if k not in ("unit_id", "features", "feature_version")}
            for row in ROWS[:6]
        ],
        [{k: v for k, v in row.items() if k not in ("context", "media_uri", "embedding")} for row in ROWS[3:]],
        [{**row, "model_version": "obstacle-2-77aa", "role": "replay"} for row in ROWS],
        LABELS,
    ]
    views = []
    for place, order in enumerate(itertools.islice(itertools.permutations(range(4)), 0, 24, 5)):
        loop = make_file_loop(name=f"loop-{place}")
        for number in order:
            write_jsonl(loop.folder / f"{number}.jsonl", parts[number])
            pulled = pull_one(loop, loop.folder / f"{number}.jsonl")
            assert pulled.rows_quarantined == 0
        views.append(read_current(loop))
    together = make_file_loop(name="together")
    for number, rows in enumerate(parts):
        write_jsonl(together.folder / f"{number}.jsonl", rows)
    pull_files(together, sorted(together.folder.glob("*.jsonl")))
    views.append(read_current(together))
    assert all(view == views[0] for view in views[1:])
    assert len(views[0][0]) == 9


def test_what_a_row_leaves_open_a_later_row_fills(loop: Loop) -> None:
    bare = {k: v for k, v in ROWS[0].items() if k not in ("unit_id", "media_uri", "context", "features")}
    write_jsonl(loop.folder / "bare.jsonl", [bare])
    write_jsonl(loop.folder / "full.jsonl", [ROWS[0]])
    assert count_up(pull_one(loop, loop.folder / "bare.jsonl")) == (1, 1, 0, 0)
    assert count_up(pull_one(loop, loop.folder / "full.jsonl")) == (1, 1, 0, 0)
    assert read(loop, "select unit_id, media_uri from current_sample") == [("cart-0", "frames/0.png")]
    bare_batch = read(loop, "select batch_id from pull_batch where source_uri = 'bare.jsonl'")
    assert read(loop, "select batch_id from current_sample") == bare_batch


def test_labels_that_disagree_are_all_kept(file_loop: Loop) -> None:
    rows = [LABELS[0], {**LABELS[0], "label": "crate"}, LABELS[0]]
    write_jsonl(file_loop.folder / "labels.jsonl", rows)
    assert count_up(pull_one(file_loop, file_loop.folder / "labels.jsonl")) == (3, 2, 1, 0)
    assert read(file_loop, "select label from label_revision order by label") == [("crate",), ("person",)]


def test_a_reference_label_is_a_revision_of_the_log(file_loop: Loop) -> None:
    rows = [{**ROWS[0], "reference_label": "animal", "reference_origin": "machine"}]
    write_jsonl(file_loop.folder / "log.jsonl", rows)
    pull_one(file_loop, file_loop.folder / "log.jsonl")
    assert read(file_loop, "select label, origin from label_revision") == [("animal", "machine")]


def test_an_old_label_is_taken_and_kept_as_it_was_written(file_loop: Loop) -> None:
    write_jsonl(file_loop.folder / "log.jsonl", [{**ROWS[0], "predicted": "step_ladder"}])
    pull_one(file_loop, file_loop.folder / "log.jsonl")
    assert read(file_loop, "select predicted from prediction") == [("step_ladder",)]


def test_contradictions_between_files_fall_to_the_order_of_their_content(file_loop: Loop) -> None:
    sides = {"left": "cart-1", "right": "cart-2"}
    for name, unit in sides.items():
        write_jsonl(file_loop.folder / f"{name}.jsonl", [{**ROWS[0], "unit_id": unit}])
    paths = [file_loop.folder / f"{name}.jsonl" for name in sides]
    first = min(paths, key=lambda path: hashlib.sha256(path.read_bytes()).hexdigest())
    summary = pull_files(file_loop, paths)
    assert {f.path: f.rows_kept for f in summary.files} == {p.name: int(p == first) for p in paths}
    assert read(file_loop, "select unit_id from current_sample") == [(sides[first.stem],)]


def test_the_inbox_is_found_by_its_globs(file_loop: Loop) -> None:
    predictions = file_loop.folder / "inbox" / "predictions" / "2024 [a]*"
    labels = file_loop.folder / "inbox" / "labels"
    for folder in (predictions, labels):
        folder.mkdir(parents=True, exist_ok=True)
    write_parquet(predictions / "attribute=x.parquet", ROWS)
    write_parquet(labels / "labels.parquet", LABELS)
    (labels / "notes.txt").write_text("not looked at", encoding="utf-8")
    summary = pull_files(file_loop)
    assert [(f.path, f.kind, f.rows_kept, f.error) for f in summary.files] == [
        ("inbox/labels/labels.parquet", "labels", 9, ""),
        ("inbox/predictions/2024 [a]*/attribute=x.parquet", "predictions", 9, ""),
    ]
    assert [f.is_known for f in pull_files(file_loop).files] == [True, True]


def test_a_run_with_nothing_new_moves_no_clock(file_loop: Loop) -> None:
    write_jsonl(file_loop.folder / "log.jsonl", ROWS)
    pull_one(file_loop, file_loop.folder / "log.jsonl")
    before = read(file_loop, "select known_at from warehouse_clock")
    pull_one(file_loop, file_loop.folder / "log.jsonl")
    assert read(file_loop, "select known_at from warehouse_clock") == before


def test_a_space_has_the_length_of_its_first_vectors(file_loop: Loop) -> None:
    write_jsonl(file_loop.folder / "a.jsonl", ROWS[:2])
    pull_one(file_loop, file_loop.folder / "a.jsonl")
    later = [{**row, "features": [1.0, 2.0]} for row in ROWS[2:]]
    write_jsonl(file_loop.folder / "b.jsonl", later)
    assert count_up(pull_one(file_loop, file_loop.folder / "b.jsonl")) == (7, 0, 0, 7)
    assert read(file_loop, "select distinct reason from quarantined_row") == [
        ("features has length 2; expected 3, as elsewhere in the space features:1",)
    ]


def test_many_rows_of_one_sample_are_settled(file_loop: Loop) -> None:
    """Against a plain loop over the rows in their order, on 2,000 rows of 40 samples."""
    dice = random.Random(5)
    rows = []
    for _ in range(2000):
        row = {k: v for k, v in ROWS[0].items() if k not in ("scores", "embedding", "embedder", "context")}
        row["object_id"] = f"track-{dice.randrange(40)}"
        row["model_version"] = f"m-{dice.randrange(20)}"
        row["predicted"] = dice.choice(["person", "crate"])
        row["unit_id"] = dice.choice([None, None, None, "cart-1", "cart-2"])
        row["media_uri"] = dice.choice([None, None, "a", "b"])
        row["features"] = dice.choice([None, None, [1.0, 2.0], [1.0, 3.0]])
        rows.append(row)
    write_jsonl(file_loop.folder / "log.jsonl", rows)
    expected = settle_one_by_one(rows)
    pulled = pull_one(file_loop, file_loop.folder / "log.jsonl")
    bad = [number for (number,) in read(file_loop, "select row_number from quarantined_row order by 1")]
    assert bad == [number for number, fate in expected.items() if fate == "bad"]
    assert pulled.rows_kept == sum(fate == "kept" for fate in expected.values())


def settle_one_by_one(rows: list[dict[str, Any]]) -> dict[int, str]:
    known: dict[tuple[str, ...], Any] = {}
    fates = {}
    for number, row in enumerate(rows, start=1):
        sample = row["object_id"]
        says: dict[tuple[str, ...], Any] = {
            (sample, c): row[c] for c in ("unit_id", "media_uri", "features") if row[c] is not None
        }
        says[(sample, "prediction", row["model_version"])] = row["predicted"]
        says[(sample,)] = True
        if any(known.get(key, value) != value for key, value in says.items()):
            fates[number] = "bad"
            continue
        fates[number] = "kept" if any(key not in known for key in says) else "duplicate"
        known.update(says)
    return fates


def test_a_large_file_is_taken_whole(file_loop: Loop) -> None:
    path = file_loop.folder / "large.parquet"
    connection = duckdb.connect()
    connection.execute(
        "copy (select 'run-' || i // 100 as recording_id, 'track-' || i as object_id, "
        "timestamp '2024-05-01' + to_seconds(i) as observed_at, 'obstacle' as attribute, 'm' as model_version, "
        "'crate' as predicted, 0.5 as confidence, [i + 1.0, 2.0] as features from range(200000) as r(i)) "
        f"to '{path}'"
    )
    assert count_up(pull_one(file_loop, path)) == (200_000, 200_000, 0, 0)
    query = (
        "select count(*) from sample_vector as v join sample as s using (sample_id) "
        "where v.vector[1] = s.object_id.replace('track-', '')::float + 1"
    )
    assert read(file_loop, query) == [(200_000,)]
