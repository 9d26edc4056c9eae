"""`import-set`: a labelled set that exists already becomes an attribute's first training set."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

import duckdb

from schemas.settings import AttributeSettings
from schemas.sql_files import read_sql
from tasks.assemble_training_set import AssembleSummary, assemble_training_set
from tasks.check_log_rows import prepare_staging, stage_file
from tasks.errors import InputError
from tasks.find_log_files import FoundFile, has_changed, hash_file, look_at_file
from tasks.find_names import find_attribute
from tasks.group_samples import view_groups
from tasks.hash_artefact import hash_content
from tasks.loop import Loop
from tasks.pull_logs import pull_files
from tasks.read_log_file import blame_file, open_log
from tasks.warehouse import Engine, Warehouse, open_engine

_ROWS, _SUMS = "rows.parquet", "SHA256SUMS"  # what `export` writes
_FILE_NUMBER = 1


@dataclass(frozen=True)
class ImportSetSummary:
    """What became of a file's rows, each counted once: the counts add up to `rows_read`.

    `refused`: by reason, as `quarantined_row` has them; `repeated`: further rows of a sample that is in the set or
    left out; `left_out`: by why, as `assemble` has them, and `other_label`: the sample has another label now. Of a
    set that was imported before, `before`: all that was left out then or was erased since.
    """

    version: str
    state: str
    attribute: str
    is_new: bool
    rows_read: int
    row_count: int
    refused: dict[str, int]
    of_other_attributes: int
    repeated: int
    left_out: dict[str, int] = field(default_factory=dict)
    checks: tuple[object, ...] = ()


@dataclass(frozen=True)
class _Counts:
    rows_read: int
    of_other_attributes: int
    known_rows: int
    unknown_rows: int
    samples: int

    @property
    def repeated(self) -> int:
        """How many rows are further ones of a sample."""
        return self.known_rows - self.samples


def import_set(loop: Loop, attribute_name: str, path: Path) -> ImportSetSummary:
    """Pull a label file, or the rows of a folder that `export` wrote, and make a version of exactly its rows.

    Their reason is `base`, and the version is composed, checked and verified like any other. The same file, or the
    same rows in another one, give the same version. Raises InputError for a file that is no label file or holds
    no row of the attribute, for a folder whose sums differ, and where the attribute has another training set;
    NotYetError where no row can be trained on.
    """
    attribute = find_attribute(loop, attribute_name)
    with open_engine(loop) as engine:
        file = _stage(engine, loop, _find_rows(path))
        with engine.attach(write=False) as warehouse:
            known = _find_known(warehouse, attribute, file)
            if known is not None:
                return _tell_known(warehouse, attribute, known)
        _pull(loop, file)
        with engine.attach(write=True) as warehouse:
            list_id = _keep_list(warehouse, attribute, file)
            counts = _count_rows(warehouse.connection, attribute)
            refused = _count_refused(warehouse.connection)
    made = assemble_training_set(loop, attribute.name, listed=list_id)
    return _summarise(attribute, made, counts, refused)


def _find_rows(path: Path) -> Path:
    """Return the file with the rows: `path` itself, or what a folder's own sums vouch for."""
    if not path.is_dir():
        return path
    sums = path / _SUMS
    if not sums.is_file():
        raise InputError(f"{path}: is no folder that `turnrow export` wrote: it lacks {_SUMS}; name a label file")
    pairs = [line.split("  ", 1) for line in sums.read_text(encoding="utf-8").splitlines()]
    listed = {pair[1]: pair[0] for pair in pairs if len(pair) > 1}
    if _ROWS not in listed:
        raise InputError(f"{sums}: does not name {_ROWS}; export the set again")
    for name, digest in listed.items():
        if not (path / name).is_file() or hash_content(path / name) != digest:
            raise InputError(f"{path / name}: is not the file that {_SUMS} vouches for; copy or export it again")
    return path / _ROWS


def _stage(engine: Engine, loop: Loop, path: Path) -> FoundFile:
    """Stage the file's rows with their ids in `staged_row`; nothing is stored by it."""
    file = hash_file(look_at_file(loop, path))
    prepare_staging(engine.connection, loop)
    with blame_file(_FILE_NUMBER, file.name):
        log = open_log(engine.connection, path, file.name, _FILE_NUMBER)
        if log.is_prediction:
            raise InputError(
                f"{file.name}: is a prediction log; a training set comes as a label file (see README)"
            )
        stage_file(engine.connection, log, _FILE_NUMBER)
    return file


def _list_rows(warehouse: Warehouse, attribute: AttributeSettings, file: FoundFile) -> str:
    """Make `file_row` and `listed_row` by what the warehouse knows now; return what the list is called."""
    connection = warehouse.connection
    connection.execute(read_sql("import_set/file_row"), {"sha256": file.sha256})
    view_groups(connection, attribute)
    own = {"attribute": attribute.name}
    connection.execute(read_sql("import_set/listed_row"), own)
    row = connection.execute(read_sql("import_set/name_list"), own).fetchone()
    return str(row[0]) if row else ""


def _find_known(warehouse: Warehouse, attribute: AttributeSettings, file: FoundFile) -> str | None:
    """Return the version that was made of this file or of the same rows before.

    Raises InputError for a file without a row of the attribute, and where the attribute has another training set.
    """
    connection = warehouse.connection
    list_id = _list_rows(warehouse, attribute, file)
    counts = _count_rows(connection, attribute)
    if counts.known_rows + counts.unknown_rows == 0 and not _has_refused(connection):
        raise InputError(f"{file.name}: holds no row of the attribute {attribute.name}")
    own = {"attribute": attribute.name, "list_id": list_id}
    same = connection.execute(read_sql("import_set/find_version"), {**own, "sha256": file.sha256}).fetchone()
    if same is not None:
        return str(same[0])
    other = connection.execute(read_sql("import_set/find_other"), own).fetchone()
    if other is not None:
        raise InputError(
            f"{attribute.name}: has the training set {other[0]} already, and an imported one can only be first; "
            "`turnrow pull` takes the file's labels in, for `turnrow assemble` to choose from"
        )
    return None


def _has_refused(connection: duckdb.DuckDBPyConnection) -> bool:
    return connection.execute("select 1 from file_row where refused is not null limit 1").fetchone() is not None


def _pull(loop: Loop, file: FoundFile) -> None:
    (pulled,) = pull_files(loop, [file.path]).files
    if pulled.error:
        raise InputError(pulled.error)
    if has_changed(file):
        raise InputError(f"{file.name}: changed while it was read; import it again")


def _keep_list(warehouse: Warehouse, attribute: AttributeSettings, file: FoundFile) -> str:
    connection = warehouse.connection
    list_id = _list_rows(warehouse, attribute, file)

    def insert(known_at: datetime) -> None:
        own = {"list_id": list_id}
        connection.execute(read_sql("import_set/insert_members"), own)
        connection.execute(
            read_sql("import_set/insert_list"),
            {**own, "attribute": attribute.name, "sha256": file.sha256, "known_at": known_at},
        )

    warehouse.write(insert)
    return list_id


def _count_rows(connection: duckdb.DuckDBPyConnection, attribute: AttributeSettings) -> _Counts:
    row = connection.execute(read_sql("import_set/count_rows"), {"attribute": attribute.name}).fetchone()
    return _Counts(*row) if row else _Counts(0, 0, 0, 0, 0)


def _count_refused(connection: duckdb.DuckDBPyConnection) -> dict[str, int]:
    rows = connection.execute(read_sql("import_set/count_refused")).fetchall()
    return {str(reason): int(count) for reason, count in rows}


def _tell_known(warehouse: Warehouse, attribute: AttributeSettings, version: str) -> ImportSetSummary:
    connection = warehouse.connection
    counts = _count_rows(connection, attribute)
    row = connection.execute(
        "select row_count from training_set where version = $version", {"version": version}
    ).fetchone()
    row_count = int(row[0]) if row else 0
    return ImportSetSummary(
        version=version,
        state="passed",
        attribute=attribute.name,
        is_new=False,
        rows_read=counts.rows_read,
        row_count=row_count,
        refused=_count_refused(connection),
        of_other_attributes=counts.of_other_attributes,
        repeated=counts.repeated,
        left_out={"before": counts.samples + counts.unknown_rows - row_count},
    )


def _summarise(
    attribute: AttributeSettings, made: AssembleSummary, counts: _Counts, refused: Mapping[str, int]
) -> ImportSetSummary:
    return ImportSetSummary(
        version=str(made.version),
        state=made.state,
        attribute=attribute.name,
        is_new=made.is_new,
        rows_read=counts.rows_read,
        row_count=made.row_count,
        refused=dict(refused),
        of_other_attributes=counts.of_other_attributes,
        repeated=counts.repeated,
        left_out=made.left_out_by_why,
        checks=made.checks,
    )
