"""Where SQL text is read from: one file a statement or a migration, under `schemas/sql`."""

from functools import cache
from pathlib import Path

_FOLDER = Path(__file__).parent / "sql"


@cache
def read_sql(name: str) -> str:
    """Return the text of `schemas/sql/NAME.sql`; `name` may hold folders, as in `views/open_fix`."""
    return (_FOLDER / f"{name}.sql").read_text(encoding="utf-8")


def list_sql(folder: str) -> list[str]:
    """Return the names that `read_sql` takes for every file of one folder, sorted."""
    return [f"{folder}/{path.stem}" for path in sorted((_FOLDER / folder).glob("*.sql"))]


def read_template(name: str) -> str:
    """Return the text of `schemas/templates/NAME`: what a new loop folder starts with."""
    return (_FOLDER.parent / "templates" / name).read_text(encoding="utf-8")
