"""A labelled set that exists already as the first training set: each row counted once, the same set every time."""

import json
import random
import shutil
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import duckdb
import pytest

from flows.cli import main
from tasks.assemble_training_set import assemble_training_set
from tasks.erase_recording import erase_recording
from tasks.errors import ExpressionError, InputError, NotYetError, UnknownNameError
from tasks.export_training_set import export_training_set
from tasks.import_model import import_model
from tasks.import_set import ImportSetSummary, import_set
from tasks.loop import Loop, read_clock
from tasks.verify_training_set import verify_training_set

KINDS = ("person", "crate", "foliage")
GROUND = '[attribute.ground]\nlabels = ["firm", "soft"]\nrules = ["label_disagrees"]\n'
CHECK = '[[check]]\nattribute = "obstacle"\nrequirement = "must"\n'
MEMBERS = (
    "select sample_id, label, label_value, reason from training_set_member where version = $version order by 1"
)


def set_up(field: Any) -> str:
    """The orchard's settings without the search for suspects, which takes most of an import's time."""
    return str(field.settings) + "[checks]\nlook_for_suspects = false\n"


@pytest.fixture
def orchard(make_orchard: Any, field: Any) -> Any:
    """The invented orchard on a DuckDB file."""
    return make_orchard(set_up(field))


@pytest.fixture(scope="module")
def shelf(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Where a loop with an imported set is kept, to be copied."""
    return tmp_path_factory.mktemp("shelf")


@dataclass(frozen=True)
class Imported:
    """A loop whose first training set was imported, twelve rows, from a file of it."""

    orchard: Any
    path: Path
    version: str
    digest: str


@pytest.fixture
def imported(make_orchard: Any, field: Any, shelf: Path) -> Imported:
    """The imported set in a loop of its own: made once, then copied."""
    orchard = make_orchard(set_up(field), "imported")
    path = orchard.loop.folder / "set.jsonl"
    if not (shelf / "kept").exists():
        orchard.write(make_rows(field)).rename(path)
        bring(orchard, path)
        shutil.copytree(orchard.loop.folder, shelf / "kept")
    shutil.copytree(shelf / "kept", orchard.loop.folder, dirs_exist_ok=True)
    ((version, digest),) = orchard.ask("select version, digest from training_set")
    return Imported(orchard, path, version, digest)


def make_rows(field: Any, count: int = 4) -> list[Any]:
    return list(field.label([row for kind in KINDS for row in field.sights(kind, count, "set")]))


def bring(orchard: Any, path: Path, attribute: str = "obstacle") -> ImportSetSummary:
    """Import, and see that every row of the file is counted, once."""
    done = import_set(orchard.loop, attribute, path)
    told = [*done.refused.values(), done.of_other_attributes, done.repeated, *done.left_out.values()]
    assert done.row_count + sum(told) == done.rows_read, done
    assert min(told) >= 0, done
    return done


def read_digest(orchard: Any, version: str) -> str:
    return str(orchard.number("select digest from training_set where version = $version", version=version))


def write_as(rows: Sequence[Any], path: Path) -> Path:
    """Write rows in the format of the suffix; a csv has its lists and objects as JSON."""
    lines = path.with_suffix(".lines")
    lines.write_text("".join(json.dumps(row) + "\n" for row in rows))
    packed = "* replace (to_json(features)::varchar as features, to_json(context)::varchar as context)"
    select, form = {".parquet": ("*", "parquet"), ".csv": (packed, "csv, header"), ".jsonl": ("*", "json")}[
        path.suffix
    ]
    read = f"read_json('{lines}', format = 'newline_delimited', sample_size = -1)"
    duckdb.connect().execute(f"copy (select {select} from {read}) to '{path}' (format {form})")
    return path


# The rows of the file, and nothing else


def test_the_version_is_the_files_rows_and_is_verified(any_orchard: Any, field: Any) -> None:
    """Other labels of the attribute stay out; the same rows again, in another file, are the same version."""
    rows = make_rows(field)
    any_orchard.pull(field.label(field.sights("person", 2, "other")))
    done = bring(any_orchard, any_orchard.write(rows))
    assert (done.state, done.is_new, done.rows_read, done.row_count) == ("passed", True, 12, 12)
    assert any_orchard.ask(
        "select k.recording_id, m.label, m.reason from training_set_member as m "
        "inner join known_sample as k on k.sample_id = m.sample_id order by 1"
    ) == sorted((row["recording_id"], row["label"], "base") for row in rows)
    assert verify_training_set(any_orchard.loop, done.version).is_equal
    again = bring(any_orchard, write_as(rows[::-1], any_orchard.loop.folder / "again.parquet"))
    assert again == replace(done, is_new=False, left_out={}, checks=())
    assert any_orchard.number("select count(*) from training_set") == 1


def test_format_order_and_repetition_change_nothing(
    imported: Imported, make_orchard: Any, field: Any, tmp_path: Path
) -> None:
    """In the same loop it is the same version, with every row counted; in another loop the digest is the same."""
    rows = make_rows(field)
    mixed = random.Random(3).sample([*rows, *rows[:3]], len(rows) + 3)
    for suffix in (".parquet", ".csv"):
        path = write_as(mixed, tmp_path / f"set{suffix}")
        known = bring(imported.orchard, path)
        assert (known.version, known.is_new, known.repeated) == (imported.version, False, 3)
        elsewhere = make_orchard(set_up(field), f"elsewhere{suffix}")
        other = bring(elsewhere, path)
        assert (other.row_count, other.repeated) == (12, 3)
        assert read_digest(elsewhere, other.version) == imported.digest


def test_the_same_file_again_is_the_same_version_whatever_came_since(imported: Imported, field: Any) -> None:
    orchard, rows = imported.orchard, make_rows(field)
    orchard.pull(field.label([rows[0] | {"decided_at": "2026-06-02T00:00:00Z"}], "crate"))
    assert orchard.assemble().version != imported.version
    erase_recording(orchard.loop, rows[1]["recording_id"])
    for path in (imported.path, write_as(rows, orchard.loop.folder / "other.parquet")):
        again = bring(orchard, path)
        assert (again.version, again.is_new, again.left_out) == (imported.version, False, {})


def test_rows_that_cannot_be_taken_are_each_counted_for_one_reason(orchard: Any, field: Any) -> None:
    """Each kind of trouble once or twice in a file, in no order, the rest of it in the set."""
    orchard.configure(
        set_up(field)
        + GROUND
        + "[[restriction]]\nwhere = \"recording_id = 'set-person-004'\"\nnever = ['train']\n"
        + '[[leave_out]]\nattribute = "obstacle"\nbecause = "fog"\nwhere = "recording_id = \'set-person-005\'"\n'
    )
    rows = make_rows(field, 6)
    crates = [row for row in rows if row["label"] == "crate"]
    held, odd, bare, gone = (field.sights(kind, 2, "odd") for kind in ("person", "crate", "foliage", "crouched"))
    orchard.pull(field.label(held[:1]))
    orchard.hold(held[:1])
    orchard.pull(field.label([odd[0] | {"decided_at": "2026-06-01T00:00:00Z"}], "foliage"))  # decided later
    orchard.pull(field.predict([odd[1]]))
    orchard.pull(field.label(gone[:1]))
    erase_recording(orchard.loop, gone[0]["recording_id"])
    file = [
        *rows,
        *field.label(held[:1]),
        *field.label([odd[0] | {"decided_at": "2026-05-31T00:00:00Z"}]),
        *field.label([odd[1] | {"context": {"light": "dawn"}}]),  # the log says noon
        *field.label([{name: value for name, value in bare[0].items() if name != "features"}]),
        *field.label(gone[:1]),
        crates[0],  # once more
        crates[1] | {"label": "person"},  # its labels disagree
        rows[0] | {"recording_id": "bad-1", "label": "ladder"},
        rows[0] | {"recording_id": "bad-2", "origin": "hearsay"},
        rows[0] | {"recording_id": "bad-3", "features": [1.0]},
        rows[0] | {"attribute": "ground", "label": "soft"},
    ]
    done = bring(orchard, orchard.write(random.Random(4).sample(file, len(file))))
    assert done.left_out == {
        "left_out": 1,
        "no_features": 1,
        "no_label": 1,
        "other_label": 1,
        "reserved": 1,
        "restricted": 1,
    }
    assert (done.rows_read, done.row_count, done.repeated, done.of_other_attributes) == (len(file), 15, 2, 1)
    assert sorted(done.refused.values()) == [1, 1, 1, 1, 1]
    assert done.refused["erased"] == 1
    for told in ("ladder", "hearsay", "context", "features"):
        assert [reason for reason in done.refused if told in reason], (told, done.refused)
    assert verify_training_set(orchard.loop, done.version).is_equal
    again = bring(orchard, write_as(file[::-1], orchard.loop.folder / "again.parquet"))
    assert (again.version, again.is_new) == (done.version, False)


def test_rows_that_a_pull_took_in_and_an_erasure_took_away_are_counted_as_erased(orchard: Any, field: Any) -> None:
    rows = make_rows(field)
    path = orchard.pull([*rows, rows[0]])
    erase_recording(orchard.loop, rows[0]["recording_id"])
    done = bring(orchard, path)
    assert (done.row_count, done.left_out) == (11, {"erased": 2})


def test_rows_need_no_features_where_a_log_brought_them(orchard: Any, field: Any) -> None:
    """And limits of [assemble] cut nothing off, nor do weights of other reasons count."""
    limits = "[assemble]\nrows_a_recording_at_most = 1\ncaps = {base = 3}\nweights = {base = 0.5}\n"
    orchard.configure(set_up(field) + limits)
    samples = [field.sight("person", "one-person-000", str(number), minute=number) for number in range(4)]
    orchard.pull(field.predict(samples))
    done = bring(orchard, orchard.write(field.label([{**row, "features": None} for row in samples])))
    assert (done.row_count, done.left_out) == (4, {})
    assert orchard.ask("select distinct weight from training_set_member") == [(0.5,)]


def test_another_attributes_rows_are_pulled_and_can_be_imported_from_the_same_file(
    orchard: Any, field: Any
) -> None:
    orchard.configure(set_up(field) + GROUND)
    rows = make_rows(field)
    ground = [row | {"attribute": "ground", "label": ("firm", "soft")[n % 2]} for n, row in enumerate(rows[:5])]
    path = orchard.write([*rows, *ground])
    first, second = bring(orchard, path), bring(orchard, path, "ground")
    assert (first.row_count, first.of_other_attributes) == (12, 5)
    assert (second.row_count, second.of_other_attributes, second.is_new) == (5, 12, True)
    assert second.version.startswith("ground-0001-")
    assert bring(orchard, path).version == first.version


# Stopped and failed


class Stopping:
    """A clock at which a process is interrupted, the given number of looks from now."""

    def __init__(self, looks: int) -> None:
        self.left = looks

    def __call__(self) -> Any:
        if self.left == 0:
            raise KeyboardInterrupt
        self.left -= 1
        return read_clock()


def test_stopped_at_any_moment_and_run_again_it_is_as_undisturbed(orchard: Any, imported: Imported) -> None:
    """Each run gets a step further; nothing is doubled, and the digest is that of a loop that was left alone."""
    stops, done = 0, None
    while done is None:
        loop = Loop(orchard.loop.folder, orchard.loop.settings, Stopping(stops))
        with suppress(KeyboardInterrupt):
            done = import_set(loop, "obstacle", imported.path)
        stops += done is None
    assert stops >= 5
    assert (done.version, done.is_new, done.row_count, done.left_out) == (imported.version, True, 12, {})
    assert read_digest(orchard, done.version) == imported.digest
    for table in ("sample", "label_revision", "listed_set", "listed_set_member", "training_set", "pull_batch"):
        count = f"select count(*) from {table}"
        assert orchard.number(count) == imported.orchard.number(count), table
    assert verify_training_set(orchard.loop, done.version).is_equal


def test_pulled_before_or_listed_before_it_is_the_same_set(orchard: Any, imported: Imported, field: Any) -> None:
    """The list of a run that ended before its version was made is taken up, also from another file."""
    rows = make_rows(field)
    path = orchard.pull(rows)
    broken = '[[leave_out]]\nattribute = "obstacle"\nbecause = "x"\nwhere = "cast(recording_id as int) = 1"\n'
    orchard.configure(set_up(field) + broken)
    with pytest.raises(ExpressionError):
        bring(orchard, path)
    assert orchard.number("select count(*) from listed_set") == 1
    orchard.configure(set_up(field))
    done = bring(orchard, write_as(rows, orchard.loop.folder / "same.csv"))
    assert read_digest(orchard, done.version) == imported.digest
    assert orchard.number("select count(*) from listed_set") == 1


def test_a_set_that_fails_a_check_is_kept_as_failed_and_imported_again_once_it_is_mended(
    orchard: Any, field: Any
) -> None:
    check = f'{CHECK}name = "no_crates"\nwhere = "label = \'crate\'"\n'
    orchard.configure(set_up(field) + check)
    path = orchard.write(make_rows(field))
    failed = bring(orchard, path)
    assert (failed.state, failed.is_new) == ("failed", True)
    again = bring(orchard, path)
    assert (again.version, again.state, again.is_new) == (failed.version, "failed", False)
    leave_out = '[[leave_out]]\nattribute = "obstacle"\nbecause = "bad light"\nwhere = "truth = \'crate\'"\n'
    orchard.configure(set_up(field) + check + leave_out)
    done = bring(orchard, path)
    assert (done.state, done.row_count, done.left_out) == ("passed", 8, {"left_out": 4})


def test_where_no_row_can_be_trained_on_it_says_why_and_can_be_done_later(orchard: Any, field: Any) -> None:
    rows = make_rows(field)
    path = orchard.write([{name: value for name, value in row.items() if name != "features"} for row in rows])
    with pytest.raises(NotYetError, match="no row of the imported set can be trained on: 12 as no_features; pull"):
        bring(orchard, path)
    orchard.pull(
        field.predict([{name: row[name] for name in row if name not in ("label", "origin")} for row in rows])
    )
    assert bring(orchard, path).row_count == 12


def test_where_all_rows_are_refused_it_says_why_and_keeps_them_in_quarantine(orchard: Any, field: Any) -> None:
    path = orchard.write([row | {"label": "ladder"} for row in make_rows(field, 1)])
    with pytest.raises(
        NotYetError, match=r"no row of obstacle could be taken in: 3 refused \(label 'ladder' is no"
    ):
        bring(orchard, path)
    assert orchard.number("select count(*) from quarantined_row") == 3
    assert orchard.number("select count(*) from listed_set") == 0


# What is no first training set


def spoil_rows(folder: Path) -> None:
    (folder / "rows.parquet").write_bytes((folder / "rows.parquet").read_bytes()[:-1] + b"x")


def spoil_sheet(folder: Path) -> None:
    (folder / "datasheet.md").write_text("another text\n")


def lose_sums(folder: Path) -> None:
    (folder / "SHA256SUMS").unlink()


def lose_row_sum(folder: Path) -> None:
    lines = (folder / "SHA256SUMS").read_text().splitlines()
    (folder / "SHA256SUMS").write_text("".join(f"{line}\n" for line in lines if "rows.parquet" not in line))


def spoil_sums(folder: Path) -> None:
    (folder / "SHA256SUMS").write_bytes(b"\xff\xfe\x00")


SPOILT: tuple[tuple[Callable[[Path], None], str], ...] = (
    (spoil_rows, "rows.parquet: is not the file that SHA256SUMS vouches for"),
    (spoil_sheet, "datasheet.md: is not the file that SHA256SUMS vouches for"),
    (lose_sums, "is no folder that `turnrow export` wrote: it lacks SHA256SUMS"),
    (lose_row_sum, "SHA256SUMS: does not name rows.parquet"),
    (spoil_sums, "SHA256SUMS: cannot be read as a list of sums"),
)


def test_a_folder_that_was_altered_is_refused_and_nothing_is_stored(
    imported: Imported, orchard: Any, tmp_path: Path
) -> None:
    export_training_set(imported.orchard.loop, imported.version, tmp_path / "given")
    for spoil, text in SPOILT:
        folder = shutil.copytree(tmp_path / "given", tmp_path / spoil.__name__)
        spoil(folder)
        with pytest.raises(InputError, match=text):
            bring(orchard, folder)
    assert orchard.number("select count(*) from pull_batch") == 0


def test_a_file_that_is_no_labelled_set_of_the_attribute_is_refused_and_nothing_is_stored(
    orchard: Any, field: Any
) -> None:
    orchard.configure(set_up(field) + GROUND)
    rows = make_rows(field, 1)
    for path, text in (
        (orchard.loop.folder / "nothing.csv", "nothing.csv: cannot be read"),
        (orchard.write(field.predict(rows[:1])), "is a prediction log; a training set comes as a label file"),
        (orchard.write([row | {"attribute": "ground"} for row in rows]), "holds no row of the attribute obstacle"),
        (orchard.write([{"a": 1}]), "has neither a column predicted"),
        (orchard.write(rows, ".txt"), "no format is known by that suffix"),
    ):
        with pytest.raises(InputError, match=text):
            bring(orchard, path)
    with pytest.raises(UnknownNameError, match="obstacel"):
        bring(orchard, orchard.write(rows), "obstacel")
    assert orchard.number("select count(*) from pull_batch") == 0


def test_an_attribute_that_has_a_training_set_takes_no_other(imported: Imported, field: Any) -> None:
    """Neither after an imported one nor after an assembled one; nothing of the file is taken in."""
    orchard, rows = imported.orchard, make_rows(field, 5)
    with pytest.raises(InputError, match=f"has the training set {imported.version} already, .* can only be first"):
        bring(orchard, orchard.write(rows))
    assert orchard.number("select count(*) from pull_batch") == 1
    orchard.pull(rows)
    second = orchard.assemble().version
    with pytest.raises(InputError, match=f"has the training set {second} already"):
        bring(orchard, orchard.write(rows[:9]))


# From loop to loop


def test_an_exported_set_comes_into_a_fresh_loop_with_the_same_digest(make_orchard: Any, field: Any) -> None:
    """Where its labels came by file and it was all base: label by label what the other loop had."""
    settings = set_up(field) + '[attribute.distance]\nkind = "number"\nunit = "m"\ntolerance = 0.2\n'
    source, here = make_orchard(settings, "source"), make_orchard(settings, "here")
    rows = [
        row | {"decided_by": "ana, ben", "decided_at": "2026-06-01T08:00:00.5+02:00"} for row in make_rows(field)
    ]
    rows[0]["features"][4] = -0.0
    far = [
        row | {"attribute": "distance", "label": str(value)}
        for row, value in zip(rows, (0.1 + 0.2, 1e-300, 7, 12.5, 1 / 3), strict=False)
    ]
    source.pull([*rows, *far])
    for attribute in ("obstacle", "distance"):
        version = str(assemble_training_set(source.loop, attribute).version)
        folder = here.loop.folder / attribute
        export_training_set(source.loop, version, folder)
        done = bring(here, folder, attribute)
        assert read_digest(here, done.version) == read_digest(source, version)
        assert here.ask(MEMBERS, version=done.version) == source.ask(MEMBERS, version=version)


def test_reasons_weights_and_questions_stay_behind_and_the_digest_says_so(make_orchard: Any, field: Any) -> None:
    """The rows and labels are the same; all are base rows here, of this loop's weight, labelled by a file."""
    source, here = (
        make_orchard(set_up(field) + "[assemble]\nweights = {fixed = 2}\n", "source"),
        make_orchard(set_up(field), "here"),
    )
    source.pull(make_rows(field))
    source.assemble()
    source.accept(source.retrain().model)
    case = source.case()
    crouched = field.sights("crouched", 2, "log")
    source.pull(field.predict(crouched, "crate", source.number("select model_version from incumbent")))
    source.pull(field.label(crouched[:1]))
    source.flag(case)
    source.mine(case)
    assert source.answer("person") == 1
    made = source.assemble()
    assert made.rows_by_reason == {"base": 12, "fixed": 1, "mined": 1}
    export_training_set(source.loop, made.version, here.loop.folder / "given")
    done = bring(here, here.loop.folder / "given")
    labels = "select sample_id, label from training_set_member where version = $version order by 1"
    assert here.ask(labels, version=done.version) == source.ask(labels, version=made.version)
    assert here.ask("select distinct reason, weight, fix_id from training_set_member") == [("base", 1.0, None)]
    assert read_digest(here, done.version) != read_digest(source, made.version)


# The model that learned from it


def put_in_service(orchard: Any, version: str | None, name: str = "m0") -> None:
    import_model(orchard.loop, "obstacle", None, model_version=name, signed_by="A. Picker", trained_on=version)


@pytest.mark.parametrize("is_told", [True, False])
def test_a_holdout_keeps_away_from_what_the_imported_model_learned_from(
    orchard: Any, field: Any, is_told: bool
) -> None:
    """Also from the groups of rows that could not be taken in; without the training set's name it cannot know."""
    rows, fresh = make_rows(field, 2), field.sights("person", 3, "fresh")
    bare = field.label([field.sight("crate", "bare-crate-000")])
    version = bring(orchard, orchard.write([*rows, bare[0] | {"features": None}])).version
    put_in_service(orchard, version if is_told else None)
    others = [row | {"object_id": "2", "observed_at": "2026-05-05T06:00:00Z"} for row in (*rows, *bare)]
    samples = [{key: row[key] for key in row if key not in ("label", "origin")} for row in (*others, *fresh)]
    orchard.pull(field.predict(samples, model="m0"))
    orchard.pull(field.label([*others, *fresh]))
    orchard.holdout()
    drawn = {name for (name,) in orchard.ask("select distinct group_id from holdout_member")}
    assert drawn >= {row["recording_id"] for row in fresh}
    assert drawn.isdisjoint(row["recording_id"] for row in (*rows, *bare)) == is_told
    if is_told:
        with pytest.raises(InputError, match="the incumbent was trained on the groups of all samples"):
            orchard.hold(others[:2])


def test_a_holdout_from_before_is_judged_without_the_groups_of_the_imported_set(
    imported: Imported, field: Any
) -> None:
    orchard, fresh = imported.orchard, field.label(field.sights("person", 3, "fresh"))
    others = [
        row | {"object_id": "2", "observed_at": "2026-05-05T06:00:00Z", "features": field.measure("crate", str(n))}
        for n, row in enumerate(make_rows(field)[:2])
    ]
    orchard.pull([*others, *fresh])
    assert orchard.hold([*others, *fresh]).members == 5
    put_in_service(orchard, imported.version)
    orchard.assemble()
    orchard.retrain()
    judged = orchard.ask("select distinct n from evaluation where slice = 'all' and metric = 'accuracy'")
    assert judged == [(3,)]


def test_the_next_version_starts_from_the_set_and_the_lineage_names_it(imported: Imported, field: Any) -> None:
    orchard, version = imported.orchard, imported.version
    orchard.pull(field.label(field.sights("person", 2, "other")))
    for named in (version, version, None):
        put_in_service(orchard, named)
    assert orchard.ask("select model_version, role, training_set_version from model") == [
        ("m0", "imported", version)
    ]
    assert orchard.ask("select parent_id from lineage_edge where child_kind = 'model'") == [(version,)]
    made = orchard.assemble()
    assert (made.row_count, made.rows_by_reason) == (12, {"base": 12})
    parent = "select parent_version from training_set where version = $version"
    assert orchard.number(parent, version=made.version) == version


def test_what_a_model_learned_from_must_be_a_training_set_of_its_attribute(imported: Imported, field: Any) -> None:
    orchard, version = imported.orchard, imported.version
    orchard.configure(set_up(field) + GROUND)
    ground = [
        row | {"attribute": "ground", "label": ("firm", "soft")[n % 2]} for n, row in enumerate(make_rows(field))
    ]
    other = bring(orchard, orchard.write(ground), "ground").version
    with pytest.raises(UnknownNameError, match=f"{version}x: no such training set; the nearest is {version}"):
        put_in_service(orchard, f"{version}x")
    with pytest.raises(InputError, match=f"--trained-on {other}: is a training set of ground, not of obstacle"):
        put_in_service(orchard, other)
    assert orchard.number("select count(*) from model") == 0
    put_in_service(orchard, None)
    with pytest.raises(InputError, match="m0 was imported before, without --trained-on, and that stays"):
        put_in_service(orchard, version)
    assert orchard.ask("select training_set_version from model") == [(None,)]


def test_the_command_line_passes_it_on(imported: Imported, capsys: pytest.CaptureFixture[str]) -> None:
    folder = str(imported.orchard.loop.folder)
    words = ["import-model", "obstacle", "none", "--as", "m0", "--by", "A. Picker", "--at", folder]
    assert main([*words, "--trained-on", "obstacle-9"]) == 1
    assert "obstacle-9: no such training set" in capsys.readouterr().err
    assert main([*words, "--trained-on", imported.version, "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["trained_on"] == imported.version
    assert imported.orchard.ask("select training_set_version from model") == [(imported.version,)]
