"""Whether a host's clock agrees with the moments that the warehouse holds."""

from datetime import datetime, timedelta

from tasks.warehouse import Warehouse, as_utc

_TOLERATED = timedelta(hours=1)


def describe_lead(warehouse: Warehouse, now: datetime) -> str:
    """Say that the warehouse's clock is ahead of `now` by more than an hour, and what follows; else nothing.

    The warehouse's clock never goes back, so once some host has written by a clock that is ahead, all that comes
    later is dated by it, until time has caught up.
    """
    clock = warehouse.read_clock()
    if clock - as_utc(now) <= _TOLERATED:
        return ""
    return (
        f"the warehouse's clock stands at {clock:%Y-%m-%d %H:%M} UTC, this host's at {as_utc(now):%Y-%m-%d %H:%M};"
        " if this one is right, some host has written by a wrong one: till then all that comes in bears that date,"
        " and what is judged by days, as a refused row or an old question, is not told"
    )
