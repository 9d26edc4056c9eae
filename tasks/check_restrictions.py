"""What `check-setup` says of `[[restriction]]`: each is tried on every sample, for a prohibition must not fail."""

from tasks.apply_restrictions import name_relation
from tasks.blame_expression import blame_expression
from tasks.check_expression import check_expression
from tasks.errors import TurnrowError
from tasks.findings import WARNING, Finding, tell_error
from tasks.warehouse import Warehouse


def check_restrictions(warehouse: Warehouse) -> list[Finding | None]:
    """Return a finding a restriction (None: fine): it is not allowed, fails on a sample, or is null for some.

    A null does not match, as everywhere in SQL, so such samples are not restricted: whoever forbids something
    should be told of how many nothing is known.
    """
    return [
        _check_restriction(warehouse, restriction.where, f"turnrow.toml, restriction #{number}.where")
        for number, restriction in enumerate(warehouse.loop.settings.restriction, start=1)
    ]


def _check_restriction(warehouse: Warehouse, where: str, origin: str) -> Finding | None:
    try:
        unknown, in_all = _count_unknown(warehouse, where, origin)
    except TurnrowError as error:
        warehouse.connection.execute("rollback")  # what failed on a sample has ended the transaction
        warehouse.connection.execute("begin transaction")
        return tell_error(origin, error)
    if not unknown:
        return None
    return Finding(
        WARNING,
        origin,
        f"is neither true nor false for {unknown} of {in_all} samples, and does not restrict these",
        "say what holds where nothing is known: coalesce(..., true), or `is distinct from`",
    )


def _count_unknown(warehouse: Warehouse, where: str, origin: str) -> tuple[int, int]:
    connection = warehouse.connection
    check_expression(connection, where, relation="current_sample", origin=origin)
    with blame_expression(origin):
        row = connection.execute(
            f"select count(*) filter (where ({where}\n) is null), count(*) from {name_relation(connection, where)}"
        ).fetchone()
    return (int(row[0]), int(row[1])) if row else (0, 0)
