"""A stored version's rows, made again from the facts: what `verify` and `diff` start from.

Nothing but the warehouse decides: the settings may have changed since, and the attribute be gone from them.
"""

from tasks.compose_rows import compose_rows
from tasks.read_version import StoredVersion
from tasks.warehouse import Warehouse


def rebuild_rows(warehouse: Warehouse, stored: StoredVersion) -> None:
    """Compose a version anew: leaves the temp tables that `compose_rows` leaves."""
    compose_rows(warehouse, stored.attribute_settings, stored.composition, stored.parent_version, stored.moment)
