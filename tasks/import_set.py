"""`import-set`: a labelled set that exists already becomes an attribute's first training set."""

from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path

from schemas.settings import AttributeSettings
from schemas.sql_files import read_sql
from tasks.assemble_training_set import AssembleSummary, assemble_training_set, require_first
from tasks.check_log_rows import prepare_staging, stage_file
from tasks.errors import InputError, NotYetError
from tasks.export_training_set import ROWS
from tasks.find_log_files import FoundFile, hash_file, look_at_file
from tasks.find_names import find_attribute
from tasks.group_samples import view_groups
from tasks.hash_artefact import hash_content
from tasks.list_sums import SUMS, read_sums
from tasks.loop import Loop
from tasks.pull_logs import pull_files
from tasks.read_log_file import blame_file, open_log
from tasks.record_run import record_run
from tasks.run_expectations import CheckResult
from tasks.warehouse import Engine, Warehouse, open_engine

_FILE_NUMBER = 1


@dataclass(frozen=True)
class ImportSetSummary:
    """What became of a file's rows, each counted once: the counts add up to `rows_read`.

    `refused`: by reason, as `quarantined_row` has them; `repeated`: further rows of a sample that is in the set or
    left out; `left_out`: by why, as `assemble` has them, `other_label` where the sample has another label now, and
    `erased` for rows that an earlier pull took in and an erasure took away. Of a set that was imported before,
    `before` alone: all that was left out then or was erased since, if anything was.
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
    checks: tuple[CheckResult, ...] = ()


@dataclass(frozen=True)
class _Source:
    """A staged file, and what the list of its labels is called."""

    file: FoundFile
    list_id: str


@dataclass(frozen=True)
class _Counts:
    rows_read: int
    of_other_attributes: int
    known_rows: int
    unknown_rows: int
    samples: int
    refused: dict[str, int] = field(default_factory=dict)

    @property
    def repeated(self) -> int:
        """How many rows are further ones of a sample."""
        return self.known_rows - self.samples


def import_set(loop: Loop, attribute_name: str, path: Path) -> ImportSetSummary:
    """Pull a label file, or the rows of a folder that `export` wrote, and make a version of exactly its rows.

    Their reason is `base`, and the version is composed, checked and verified like any other. The same file, or the
    same rows in another one, give the same version. Raises InputError for a file that is no label file or holds
    no row of the attribute, for a folder whose sums differ, and where the attribute has another training set;
    NotYetError where no row can be trained on, though what is good of the file is then pulled.
    """
    started_at = loop.clock()
    attribute = find_attribute(loop, attribute_name)
    with open_engine(loop) as engine:
        source = _stage(engine, attribute, _find_rows(path))
        with engine.attach(write=False) as warehouse:
            known = _find_known(warehouse, attribute, source)
        _pull(engine, source.file)  # also of the same rows in another file: what contradicts is refused and told
        if known is not None:
            with engine.attach(write=False) as warehouse:
                return _tell_known(warehouse, attribute, source, known)
        with engine.attach(write=True) as warehouse:
            counts = _keep_list(warehouse, attribute, source, started_at)
    return _summarise(attribute, assemble_training_set(loop, attribute.name, listed=source.list_id), counts)


def _find_rows(path: Path) -> Path:
    """Return the file with the rows: `path` itself, or what a folder's own sums vouch for."""
    if not path.is_dir():
        return path
    sums = path / SUMS
    if not sums.is_file():
        raise InputError(f"{path}: is no folder that `turnrow export` wrote: it lacks {SUMS}; name a label file")
    try:
        noted = read_sums(sums)
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(f"{sums}: cannot be read as a list of sums; copy or export the set again") from error
    if ROWS not in noted:
        raise InputError(f"{sums}: does not name {ROWS}; export the set again")
    for name, digest in noted.items():
        if not (path / name).is_file() or hash_content(path / name) != digest:
            raise InputError(f"{path / name}: is not the file that {SUMS} vouches for; copy or export it again")
    return path / ROWS


def _stage(engine: Engine, attribute: AttributeSettings, path: Path) -> _Source:
    """Stage the file's rows with their ids in `staged_row`; nothing is stored by it.

    Raises InputError for a file that is no label file, or has no row of the attribute.
    """
    connection = engine.connection
    file = hash_file(look_at_file(engine.loop, path))
    prepare_staging(connection, engine.loop)
    with blame_file(_FILE_NUMBER, file.name):
        log = open_log(connection, path, file.name, _FILE_NUMBER)
        if log.is_prediction:
            raise InputError(
                f"{file.name}: is a prediction log; a training set comes as a label file (see README)"
            )
        stage_file(connection, log, _FILE_NUMBER)
    connection.execute(f"drop table if exists text_log_{_FILE_NUMBER}")
    named = connection.execute(read_sql("import_set/name_list"), {"attribute": attribute.name}).fetchone()
    if named is None or named[1] == 0:
        raise InputError(f"{file.name}: holds no row of the attribute {attribute.name}")
    return _Source(file, str(named[0]))


def _find_known(warehouse: Warehouse, attribute: AttributeSettings, source: _Source) -> str | None:
    """Return the version that was made of this file or of the same rows before.

    Raises InputError where the attribute has another training set.
    """
    own = {"attribute": attribute.name, "list_id": source.list_id}
    same = warehouse.connection.execute(
        read_sql("import_set/find_version"), {**own, "sha256": source.file.sha256}
    ).fetchone()
    if same is not None:
        return str(same[0])
    require_first(warehouse.connection, attribute.name, source.list_id)
    return None


def _pull(engine: Engine, file: FoundFile) -> None:
    """Pull the file. Raises InputError where it cannot be read, or where it is not what was staged."""
    (pulled,) = pull_files(engine.loop, [file.path]).files
    if pulled.error:
        raise InputError(pulled.error)
    staged = engine.connection.execute("select make_batch_id($sha256)", {"sha256": file.sha256}).fetchone()
    if staged != (pulled.batch_id,):
        raise InputError(
            f"{file.name}: is not what the pull knows by its name, size and time; give it another name and import "
            "it again"
        )


def _keep_list(
    warehouse: Warehouse, attribute: AttributeSettings, source: _Source, started_at: datetime
) -> _Counts:
    """Note which samples the file lists, once; a list that a stopped import left stays as it is.

    Raises NotYetError where no row of the file was kept.
    """
    connection = warehouse.connection
    counts = _count_rows(warehouse, attribute, source)
    if counts.samples == 0:
        raise NotYetError(_tell_none(source.file, attribute, counts))
    own = {"list_id": source.list_id}
    whole = {**own, "attribute": attribute.name, "sha256": source.file.sha256}

    def insert(known_at: datetime) -> None:
        connection.execute(read_sql("import_set/insert_members"), own)
        connection.execute(read_sql("import_set/insert_list"), {**whole, "known_at": known_at})
        record_run(
            connection,
            "import-set",
            started_at=started_at,
            ended_at=warehouse.loop.clock(),
            parameters={"attribute": attribute.name, "list": source.list_id},
            counts={"rows": counts.rows_read, "samples": counts.samples},
        )

    warehouse.write(insert)
    return counts


def _tell_none(file: FoundFile, attribute: AttributeSettings, counts: _Counts) -> str:
    told = [f"{count} refused ({reason})" for reason, count in counts.refused.items()]
    if counts.unknown_rows:
        told.append(f"{counts.unknown_rows} erased")
    return f"{file.name}: no row of {attribute.name} could be taken in: {', '.join(told)}; mend it into a new file"


def _count_rows(warehouse: Warehouse, attribute: AttributeSettings, source: _Source) -> _Counts:
    """Make `file_row` and `listed_row` by what the warehouse knows now, and count them."""
    connection, own = warehouse.connection, {"attribute": attribute.name}
    connection.execute(read_sql("import_set/file_row"), {"sha256": source.file.sha256})
    view_groups(connection, attribute)
    connection.execute(read_sql("import_set/listed_row"), own)
    refused = connection.execute(read_sql("import_set/count_refused")).fetchall()
    row = connection.execute(read_sql("import_set/count_rows"), own).fetchone()
    counts = _Counts(*row) if row else _Counts(0, 0, 0, 0, 0)
    return replace(counts, refused={str(reason): int(count) for reason, count in refused})


def _tell_known(
    warehouse: Warehouse, attribute: AttributeSettings, source: _Source, version: str
) -> ImportSetSummary:
    counts = _count_rows(warehouse, attribute, source)
    row = warehouse.connection.execute(
        "select row_count from training_set where version = $version", {"version": version}
    ).fetchone()
    here = counts.samples + counts.unknown_rows
    row_count = min(int(row[0]) if row else 0, here)  # a row that was erased since may be refused now
    left_out = here - row_count
    return ImportSetSummary(
        version=version,
        state="passed",
        attribute=attribute.name,
        is_new=False,
        rows_read=counts.rows_read,
        row_count=row_count,
        refused=counts.refused,
        of_other_attributes=counts.of_other_attributes,
        repeated=counts.repeated,
        left_out={"before": left_out} if left_out else {},
    )


def _summarise(attribute: AttributeSettings, made: AssembleSummary, counts: _Counts) -> ImportSetSummary:
    erased = {"erased": counts.unknown_rows} if counts.unknown_rows else {}
    return ImportSetSummary(
        version=str(made.version),
        state=made.state,
        attribute=attribute.name,
        is_new=made.is_new,
        rows_read=counts.rows_read,
        row_count=made.row_count,
        refused=counts.refused,
        of_other_attributes=counts.of_other_attributes,
        repeated=counts.repeated,
        left_out=made.left_out_by_why | erased,
        checks=made.checks,
    )
