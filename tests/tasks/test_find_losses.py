"""Classes that got worse beyond chance: each by itself, by groups where samples share them."""

from collections.abc import Iterator

import duckdb
import pytest

from tasks.find_losses import find_losses
from tasks.report_facts import ClassLoss
from tasks.statistics import clustered_paired_test, mcnemar_exact


@pytest.fixture
def connection() -> Iterator[duckdb.DuckDBPyConnection]:
    with duckdb.connect() as connected:
        connected.execute(
            "create temp table judged_answer (case_name varchar, truth varchar, group_id varchar, "
            "is_right_before boolean, is_right_after boolean)"
        )
        yield connected


def put(
    connection: duckdb.DuckDBPyConnection, truth: str, broken: int, fixed: int, same: int, per_group: int = 1
) -> None:
    """So many samples of a class that became wrong, right, or neither, `per_group` to a group."""
    changes = [(True, False)] * broken + [(False, True)] * fixed + [(True, True)] * same
    for number, change in enumerate(changes):
        connection.execute(
            "insert into judged_answer values (?, ?, ?, ?, ?)",
            ["dusk", truth, f"{truth}-{number // per_group}", *change],
        )


def test_a_loss_beyond_chance_is_told_the_greatest_first(connection: duckdb.DuckDBPyConnection) -> None:
    put(connection, "foliage", broken=12, fixed=1, same=50)
    put(connection, "crate", broken=8, fixed=0, same=4)
    put(connection, "person", broken=5, fixed=1, same=60)  # p 0.22
    put(connection, "ladder", broken=0, fixed=20, same=0)
    assert find_losses(connection) == (
        ClassLoss("dusk", "crate", -8 / 12, 8, 0, 12, mcnemar_exact(8, 0)),
        ClassLoss("dusk", "foliage", -11 / 63, 12, 1, 63, mcnemar_exact(12, 1)),
    )
    assert mcnemar_exact(5, 1) > 0.05


def test_samples_that_share_groups_are_tested_by_groups(connection: duckdb.DuckDBPyConnection) -> None:
    """Eight lost samples of two groups prove nothing; of eight groups of two, one lost in each, they do."""
    put(connection, "crate", broken=8, fixed=0, same=40, per_group=4)
    assert find_losses(connection) == ()
    connection.execute("delete from judged_answer")
    for number in range(8):
        connection.execute("insert into judged_answer values ('dusk', 'crate', ?, true, false)", [f"g{number}"])
        connection.execute("insert into judged_answer values ('dusk', 'crate', ?, true, true)", [f"g{number}"])
    (loss,) = find_losses(connection)
    assert loss.p_value == clustered_paired_test([1] * 8, [0] * 8, [2] * 8)[1]
    assert (loss.broken, loss.n) == (8, 16)


def test_samples_that_one_model_did_not_answer_do_not_count(connection: duckdb.DuckDBPyConnection) -> None:
    put(connection, "crate", broken=8, fixed=0, same=0)
    connection.execute("insert into judged_answer values ('dusk', 'crate', 'x', null, false)")
    (loss,) = find_losses(connection)
    assert loss.n == 8
