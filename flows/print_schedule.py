"""What `schedule` and `schedule --next` show."""

from collections.abc import Iterator
from typing import Any

from flows.lay_out_text import make_harmless
from tasks.tell_run import name_flow

_ERROR_WORDS = {"partial": "left", "done": "not yet"}


def print_schedule(document: dict[str, Any]) -> Iterator[str]:
    """Yield the next times and the last runs; nothing after a scheduler that was stopped, as it told that."""
    if "flows" not in document:
        return
    yield "scheduler: running" if document["is_running"] else "scheduler: not running; start it: turnrow schedule"
    for flow in document["flows"]:
        yield f"{flow['flow']}: {flow['cron'] or 'never'} ({document['timezone']})"
        for moment in flow["next"]:
            yield f"  {moment['local']}  {moment['utc']}"
    yield "last runs:" if document["last"] else "last runs: none"
    for run in document["last"]:
        counts = ", ".join(f"{name} {count}" for name, count in run["counts"].items() if count)
        what = name_flow(run["flow"], run["parameters"])
        yield f"  {run['local']}  {make_harmless(what)}: {run['state']}" + (f" ({counts})" if counts else "")
        for line in (run["error"] or "").splitlines():
            yield f"    {_ERROR_WORDS.get(run['state'], 'why')}: {make_harmless(line)}"
