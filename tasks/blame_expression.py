"""A user's expression that was allowed and still fails on a sample: whose fault it is, and what to do."""

from collections.abc import Iterator
from contextlib import contextmanager

import duckdb

from tasks.errors import ExpressionError


@contextmanager
def blame_expression(origin: str) -> Iterator[None]:
    """Turn what a value does to an expression, as a cast of text to a number, into an ExpressionError.

    `origin` names file and key and opens the message.
    """
    try:
        yield
    except (duckdb.DataError, duckdb.InvalidInputException) as error:
        first_line = str(error).strip().splitlines()[0]
        raise ExpressionError(
            f"{origin}: fails on a stored sample: {first_line}; use try_cast, or leave such samples out with case"
        ) from error
