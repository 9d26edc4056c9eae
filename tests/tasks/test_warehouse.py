"""The warehouse on both kinds: tables, views, clock, lock, moments of the past."""

from collections.abc import Callable
from datetime import UTC, datetime, timedelta

import duckdb
import pytest

from schemas.tables import BOOKKEEPING, FACTS, VIEWS
from tasks.errors import InputError
from tasks.loop import Loop
from tasks.warehouse import open_engine, open_warehouse, show_as_of

_SMALL = '[warehouse]\nmemory_limit = "60MB"\n[attribute.obstacle]\nlabels = ["person", "crate"]\n'
_LARGE = "create temp table t as select range as i, random() as r, md5(range::varchar) as s from range(2_000_000)"


def _names(loop: Loop) -> set[str]:
    with open_warehouse(loop, write=False) as warehouse:
        rows = warehouse.connection.execute(
            "select table_name from duckdb_tables() where database_name = 'wh' "
            "union select view_name from duckdb_views() where database_name = 'wh' and not internal"
        ).fetchall()
    return {row[0] for row in rows}


def test_a_new_warehouse_has_every_table_and_view(loop: Loop) -> None:
    assert set(FACTS) | set(BOOKKEEPING) | set(VIEWS) <= _names(loop)


def test_every_view_can_be_read(loop: Loop) -> None:
    with open_warehouse(loop, write=False) as warehouse:
        counts = {v: warehouse.connection.execute(f"select count(*) from {v}").fetchone() for v in VIEWS}
    renamed_in_the_settings = {"renamed_label": (1,)}
    assert counts == dict.fromkeys(VIEWS, (0,)) | renamed_in_the_settings


def test_the_clock_rises_even_when_the_hosts_does_not(loop: Loop) -> None:
    stuck = Loop(loop.folder, loop.settings, lambda: datetime(2026, 3, 1, tzinfo=UTC))
    with open_warehouse(stuck, write=True) as warehouse:
        moments = [warehouse.write(lambda known_at: known_at) for _ in range(3)]
    assert moments[1] - moments[0] == timedelta(microseconds=1)
    assert moments[2] - moments[1] == timedelta(microseconds=1)


def test_a_step_that_fails_leaves_nothing(loop: Loop) -> None:
    def fail(known_at: datetime) -> None:
        warehouse.connection.execute("insert into case_state values ('a', 'open', 'x', null, $k)", {"k": known_at})
        raise InputError("half way")

    with open_warehouse(loop, write=True) as warehouse:
        before = warehouse.read_clock()
        with pytest.raises(InputError, match="half way"):
            warehouse.write(fail)
        assert warehouse.connection.execute("select count(*) from case_state").fetchone() == (0,)
        assert warehouse.read_clock() == before


def test_a_moment_of_the_past_shows_what_was_known_then(loop: Loop) -> None:
    with open_warehouse(loop, write=True) as warehouse:

        def add(name: str) -> datetime:
            def insert(known_at: datetime) -> datetime:
                warehouse.connection.execute(
                    "insert into failure_case values ($n, 'obstacle', 'low', '{}', 'x', $k)",
                    {"n": name, "k": known_at},
                )
                return known_at

            return warehouse.write(insert)

        first = add("early")
        add("late")
        with show_as_of(warehouse, first):
            then = warehouse.connection.execute("select case_name from case_counts").fetchall()
        now = warehouse.connection.execute("select case_name from case_counts order by 1").fetchall()
        with (
            pytest.raises(InputError, match="in the future"),
            show_as_of(warehouse, datetime(2999, 1, 1, tzinfo=UTC)),
        ):
            pass
    assert then == [("early",)]
    assert now == [("early",), ("late",)]


def test_step_after_step_can_put_on_disk_what_does_not_fit(make_file_loop: Callable[..., Loop]) -> None:
    """DuckDB makes the folder for it once a database, and a step leaves none behind."""
    loop = make_file_loop(_SMALL)
    for _ in range(3):
        with open_engine(loop) as engine:
            engine.connection.execute(_LARGE)
            assert any((loop.folder / ".spill").iterdir())
        assert not (loop.folder / ".spill").exists()


def test_nothing_of_a_step_is_left_for_the_next(file_loop: Loop) -> None:
    with open_warehouse(file_loop, write=False) as warehouse:
        warehouse.connection.execute("create temp table t as select 1")
        warehouse.connection.execute("create temp view v as select 1")
        warehouse.connection.execute("set TimeZone = 'Asia/Tokyo'")
        warehouse.connection.register("r", warehouse.connection.execute("select 1").to_arrow_table())
    with open_warehouse(file_loop, write=False) as warehouse:
        assert warehouse.connection.execute("select current_setting('TimeZone')").fetchone() == ("UTC",)
        for name in ("t", "v", "r"):
            with pytest.raises(duckdb.CatalogException, match=name):
                warehouse.connection.execute(f"select * from {name}")
