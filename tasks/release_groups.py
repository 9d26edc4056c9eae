"""Reserved groups that bear an erased recording's name and have no other sample: nothing is left to keep apart."""

import duckdb

from tasks.errors import TurnrowError
from tasks.find_mentions import Mention
from tasks.group_samples import view_groups
from tasks.loop import Loop


def find_groups_to_release(
    connection: duckdb.DuckDBPyConnection, loop: Loop, mention: Mention
) -> list[tuple[str, str]]:
    """Return attribute and group of the reservations that can go; reads the temp table `erased_sample`.

    A group in which samples of others remain stays reserved, whatever it is called.
    """
    rows = connection.execute("select distinct attribute, group_id from holdout_reserved").fetchall()
    # An object's groups are its recording's: only the first name can be in a group's.
    recording = Mention(mention.names[:1])
    named: dict[str, set[str]] = {}
    for attribute, group_id in rows:
        if recording.is_in(group_id):
            named.setdefault(attribute, set()).add(group_id)
    found: list[tuple[str, str]] = []
    for attribute, groups in sorted(named.items()):
        found += [
            (attribute, group_id) for group_id in sorted(groups - _find_inhabited(connection, loop, attribute))
        ]
    return found


def _find_inhabited(connection: duckdb.DuckDBPyConnection, loop: Loop, attribute: str) -> set[str]:
    """Return the groups of samples that stay; where the settings cannot tell groups any more, by recording."""
    settings = loop.settings.attribute.get(attribute)
    try:
        if settings is None:
            raise TurnrowError(attribute)
        view_groups(connection, settings)
        source = "grouped_sample"
    except TurnrowError:
        source = "(select sample_id, attribute, recording_id as group_id from sample)"
    rows = connection.execute(
        f"select distinct group_id from {source} where attribute = $attribute "
        "and sample_id not in (select sample_id from erased_sample)",
        {"attribute": attribute},
    ).fetchall()
    return {str(row[0]) for row in rows}
