"""How a label fix ended is what its latest outcome says."""

from tasks.loop import Loop
from tasks.warehouse import open_warehouse

OUTCOMES = """
insert into fix_outcome values
    ('settled', 'settled', 'r1', timestamptz '2026-05-01 00:00:00+00'),
    ('failed', 'settled', 'r2', timestamptz '2026-05-01 00:00:00+00'),
    ('failed', 'lot_failed', null, timestamptz '2026-05-02 00:00:00+00'),
    ('withdrawn', 'withdrawn', null, timestamptz '2026-05-03 00:00:00+00')
"""


def test_a_fix_ends_as_its_latest_outcome_says_and_with_that_ones_revision(loop: Loop) -> None:
    with open_warehouse(loop, write=True) as warehouse:
        connection = warehouse.connection
        warehouse.write(lambda _: connection.execute(OUTCOMES).fetchall())
        rows = connection.execute(
            "select fix_id, outcome, revision_id, day(known_at) from fix_end order by fix_id"
        ).fetchall()
    assert rows == [
        ("failed", "lot_failed", None, 2),
        ("settled", "settled", "r1", 1),
        ("withdrawn", "withdrawn", None, 3),
    ]
