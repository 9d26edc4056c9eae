"""What the warehouse holds of a recording: found, counted, and taken out in one transaction.

`plan_facts` only reads (and stages temp tables), so that a dry run tells what a real one does; `remove_facts`
carries the plan out.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

import duckdb

from schemas.sql_files import read_sql
from schemas.tables import FREE_TEXT
from tasks.find_mentions import Mention, make_mention
from tasks.loop import Loop
from tasks.release_groups import find_groups_to_release

# By which of its columns a table's rows belong to a sample, the first that it has.
_KEYS = {"sample_id": "erased_sample", "fix_id": "erased_fix", "misprediction_id": "erased_misprediction"}
_TRACK = "(recording_id, object_id)"
_BY_TRACK = {"watch_track": _TRACK}  # rows that name a track, not one of its samples
_STAGED = {**_KEYS, _TRACK: "erased_track"}
_OWN = ("erasure", "erased_id", "pending_erasure")
_TRIMMED = "training_set_member"
_BY_MENTION = {"evaluation": "slice"}  # rows that go whole where this column names it


@dataclass(frozen=True)
class Target:
    """What is erased: a recording, or one object of it; both as the warehouse spells them."""

    recording_id: str
    object_id: str | None = None

    @property
    def mention(self) -> Mention:
        """What names it in a text."""
        return make_mention(self.recording_id, self.object_id)

    @property
    def words(self) -> str:
        """What it is called in a message."""
        return f"{self.recording_id}, object {self.object_id}" if self.object_id else self.recording_id


@dataclass(frozen=True)
class TableChange:
    """Of one table how many rows go, and how many stay without what told of the recording."""

    table: str
    deleted: int = 0
    changed: int = 0


@dataclass(frozen=True)
class StillNamed:
    """A column in which rows that stay name the recording: data of other recordings, or names of things."""

    table: str
    column: str
    rows: int


@dataclass(frozen=True)
class _Texts:
    """Texts of one column, each with what it becomes."""

    table: str
    column: str
    cuts: dict[str, str]
    rows: int


@dataclass
class FactsPlan:
    """What the warehouse holds of a target."""

    keys: dict[str, str] = field(default_factory=dict)
    deleted: dict[str, int] = field(default_factory=dict)
    trimmed: int = 0
    quarantined: int = 0
    texts: list[_Texts] = field(default_factory=list)
    whole: dict[str, list[str]] = field(default_factory=dict)
    groups: list[tuple[str, str]] = field(default_factory=list)
    still_named: tuple[StillNamed, ...] = ()

    def list_changes(self) -> tuple[TableChange, ...]:
        """Return what happens to each table, by name; tables that stay as they are, left out."""
        changed = {_TRIMMED: self.trimmed, "quarantined_row": self.quarantined}
        for text in self.texts:
            changed[text.table] = changed.get(text.table, 0) + text.rows
        names = sorted({*self.deleted, *changed})
        found = [TableChange(name, self.deleted.get(name, 0), changed.get(name, 0)) for name in names]
        return tuple(change for change in found if change.deleted or change.changed)


def plan_facts(
    connection: duckdb.DuckDBPyConnection, loop: Loop, target: Target, tombstone: str | None
) -> FactsPlan:
    """Find what the warehouse holds of `target`, in temp tables and counts; writes nothing.

    `tombstone`: it was erased before, and what a step may have written meanwhile is looked for by hashes too.
    """
    tables = _list_tables(connection)
    connection.execute(
        read_sql("erase/stage_samples"), {"recording_id": target.recording_id, "object_id": target.object_id}
    )
    connection.execute(
        read_sql("erase/stage_tracks"), {"recording_id": target.recording_id, "object_id": target.object_id}
    )
    if tombstone is not None:
        _stage_hashed(connection, tables, tombstone)
    connection.execute(read_sql("erase/stage_ids"))
    plan = FactsPlan(keys=_find_keys(tables))
    plan.deleted = {name: count for name, key in plan.keys.items() if (count := _count(connection, name, key))}
    plan.trimmed = _read_count(connection, read_sql("erase/count_untrimmed"))
    for name in ("concerned_version", "concerned_model", "concerned_holdout", "emptied_lot"):
        connection.execute(read_sql(f"erase/{name}"))
    plan.quarantined = _stage_quarantined(connection, target)
    suspects = _find_suspects(connection, tables, target.mention)
    _plan_texts(connection, suspects, target, plan)
    plan.groups = find_groups_to_release(connection, loop, target.mention)
    if plan.groups:
        plan.deleted["holdout_reserved"] = len(plan.groups)
    plan.still_named = tuple(_find_still_named(connection, suspects, target, plan))
    return plan


def remove_facts(connection: duckdb.DuckDBPyConnection, plan: FactsPlan) -> None:
    """Carry a plan out, inside the write's transaction."""
    connection.execute(read_sql("erase/release_lots"))
    for table, key in plan.keys.items():
        if table in plan.deleted:
            connection.execute(f"delete from {table} where {key} in (select {key} from {_STAGED[key]})")
    if plan.trimmed:
        connection.execute(read_sql("erase/trim_members"))
    if plan.quarantined:
        connection.execute(read_sql("erase/blank_quarantined"))
    for text in plan.texts:
        _cut_texts(connection, text)
    for table, values in plan.whole.items():
        column = _BY_MENTION[table]
        connection.execute(f"delete from {table} where list_contains($values, {column})", {"values": values})
    for attribute, group_id in plan.groups:
        connection.execute(
            "delete from holdout_reserved where attribute = $attribute and group_id = $group_id",
            {"attribute": attribute, "group_id": group_id},
        )


def read_ids(connection: duckdb.DuckDBPyConnection) -> tuple[frozenset[str], frozenset[str]]:
    """Return the ids of the samples and of the questions that are staged to go: files name them."""
    samples = connection.execute("select sample_id from erased_sample").fetchall()
    fixes = connection.execute("select fix_id from erased_fix").fetchall()
    return frozenset(str(row[0]) for row in samples), frozenset(str(row[0]) for row in fixes)


def _list_tables(connection: duckdb.DuckDBPyConnection) -> dict[str, tuple[list[str], list[str]]]:
    """Return by table its columns, and those of them that hold text; what erasures keep of themselves left out."""
    rows = connection.execute(read_sql("erase/list_tables")).fetchall()
    return {str(name): (columns, texts or []) for name, columns, texts in rows if name not in _OWN}


def _find_keys(tables: dict[str, tuple[list[str], list[str]]]) -> dict[str, str]:
    """Return by table the column that says whose its rows are; a training set's rows stay."""
    found: dict[str, str] = {}
    for name, (columns, _) in tables.items():
        key = _BY_TRACK.get(name) or next((key for key in _KEYS if key in columns), None)
        if key is not None and name != _TRIMMED:
            found[name] = key
    return found


def _stage_hashed(
    connection: duckdb.DuckDBPyConnection, tables: dict[str, tuple[list[str], list[str]]], tombstone: str
) -> None:
    for name, (columns, _) in tables.items():
        if "sample_id" in columns:
            connection.execute(
                f"insert into erased_sample select distinct sample_id from {name} where sample_hash(sample_id) in "
                "(select keyed_hash from erased_id where tombstone = $tombstone and kind = 'sample') "
                "and sample_id not in (select sample_id from erased_sample)",
                {"tombstone": tombstone},
            )


def _count(connection: duckdb.DuckDBPyConnection, table: str, key: str) -> int:
    return _read_count(
        connection, f"select count(*) from {table} where {key} in (select {key} from {_STAGED[key]})"
    )


def _read_count(connection: duckdb.DuckDBPyConnection, query: str, **values: object) -> int:
    row = connection.execute(query, values).fetchone()
    return int(row[0]) if row else 0


def _stage_quarantined(connection: duckdb.DuckDBPyConnection, target: Target) -> int:
    rows = connection.execute(
        read_sql("erase/find_quarantined"),
        {
            "recording_id": target.recording_id,
            "object_id": target.object_id,
            "spellings": target.mention.spellings,
        },
    ).fetchall()
    found = [(batch, number) for batch, number, raw, is_certain in rows if is_certain or target.mention.is_in(raw)]
    connection.execute("create or replace temp table erased_quarantine (batch_id varchar, row_number bigint)")
    if found:
        connection.execute(
            "insert into erased_quarantine select unnest($batches), unnest($numbers)",
            {"batches": [batch for batch, _ in found], "numbers": [number for _, number in found]},
        )
    return len(found)


def _find_suspects(
    connection: duckdb.DuckDBPyConnection, tables: dict[str, tuple[list[str], list[str]]], mention: Mention
) -> list[tuple[str, str]]:
    """Return the tables' columns in which a spelling of the name stands anywhere: one look at each table."""
    found: list[tuple[str, str]] = []
    for table, (_, texts) in tables.items():
        looks = [f"coalesce(bool_or({_name_test(column)}), false)" for column in texts]
        if not looks:
            continue
        row = connection.execute(
            f"select {', '.join(looks)} from {table}", {"spellings": mention.spellings}
        ).fetchone()
        found += [(table, column) for column, is_in in zip(texts, row or (), strict=True) if is_in]
    return found


def _name_test(column: str) -> str:
    return f"len(list_filter($spellings::varchar[], lambda x: contains(cast({column} as varchar), x))) > 0"


def _plan_texts(
    connection: duckdb.DuckDBPyConnection, suspects: Sequence[tuple[str, str]], target: Target, plan: FactsPlan
) -> None:
    for table, column in suspects:
        is_whole = _BY_MENTION.get(table) == column
        if not is_whole and column not in FREE_TEXT.get(table, ()):
            continue
        named = _find_texts(connection, table, column, target.mention, plan)
        if named and is_whole:
            plan.whole[table] = list(named)
            plan.deleted[table] = plan.deleted.get(table, 0) + sum(named.values())
        elif named:
            cuts = {text: target.mention.cut(text) for text in named}
            plan.texts.append(_Texts(table, column, cuts, sum(named.values())))


def _find_texts(
    connection: duckdb.DuckDBPyConnection, table: str, column: str, mention: Mention, plan: FactsPlan
) -> dict[str, int]:
    """Return the texts of a column that name the thing, with how many rows have each; erased rows aside."""
    conditions = [_name_test(column)]
    key = plan.keys.get(table)
    if key is not None:
        conditions.append(f"{key} not in (select {key} from {_STAGED[key]})")
    elif table == _TRIMMED:
        conditions.append("sample_id not in (select sample_id from erased_sample)")
    elif table == "quarantined_row":
        conditions.append("(batch_id, row_number) not in (select (batch_id, row_number) from erased_quarantine)")
    rows = connection.execute(
        f"select cast({column} as varchar) as told, count(*) from {table} where {' and '.join(conditions)} "
        "group by told",
        {"spellings": mention.spellings},
    ).fetchall()
    return {str(text): int(count) for text, count in rows if mention.is_in(str(text))}


def _find_still_named(
    connection: duckdb.DuckDBPyConnection, suspects: Sequence[tuple[str, str]], target: Target, plan: FactsPlan
) -> Iterable[StillNamed]:
    """Yield the columns that go on naming the thing: an object's name alone is no trace of a recording."""
    if target.object_id is not None:
        return
    released = {group_id for _, group_id in plan.groups}
    for table, column in suspects:
        if column in (*FREE_TEXT.get(table, ()), _BY_MENTION.get(table)) or column == "raw":
            continue
        named = _find_texts(connection, table, column, target.mention, plan)
        if (table, column) == ("holdout_reserved", "group_id"):
            named = {text: count for text, count in named.items() if text not in released}
        if named:
            yield StillNamed(table, column, sum(named.values()))


def _cut_texts(connection: duckdb.DuckDBPyConnection, texts: _Texts) -> None:
    connection.execute("create or replace temp table cut_text (old_text varchar, new_text varchar)")
    connection.execute(
        "insert into cut_text select unnest($old), unnest($new)",
        {"old": list(texts.cuts), "new": list(texts.cuts.values())},
    )
    connection.execute(
        f"update {texts.table} set {texts.column} = c.new_text from cut_text as c "
        f"where {texts.table}.{texts.column} = c.old_text"
    )
