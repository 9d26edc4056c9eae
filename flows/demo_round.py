"""The demo's rounds: the first models, and the candidates that are judged against them."""

import json
import subprocess
import sys
from dataclasses import dataclass

from flows.demo_scene import Scene
from flows.lay_out_text import indent, lay_out_table, make_harmless
from flows.round import run_round
from flows.temporary_server import TemporaryServer
from tasks.errors import TrainerError
from tasks.gate_criteria import Criterion
from tasks.tell_orchard import Figure, Models, RoundFigures, read_round_figures

_TAKES_AT_MOST_SECONDS = 90
_DONE, _NOT_YET = 0, 3  # exit codes of `turnrow round`


@dataclass(frozen=True)
class Round:
    """A round that trained a model; `through_prefect`: whether it ran as a flow of a Prefect server."""

    attribute: str
    version: str
    model: str
    control: str | None
    verdict: str
    reason: str
    criteria: tuple[Criterion, ...]
    through_prefect: bool = False


def play_round(scene: Scene, attribute: str) -> Round:
    """Run a round as the plain function that it is. Raises TrainerError where nothing was trained."""
    done = run_round(scene.loop, attribute)
    if done.training_set is None or done.model is None:
        raise TrainerError(f"{attribute}: the demo's round trained nothing: {done.reason}")
    return Round(
        attribute, done.training_set, done.model, done.control_model, done.verdict, done.reason, done.criteria
    )


def play_round_visibly(scene: Scene, attribute: str, server: TemporaryServer) -> Round:
    """Run a round as a Prefect flow: by its command, with the server named in its environment.

    Where the server or the command fails, that is said, and the plain function does it.
    """
    if not server.wait_until_healthy():
        problem = "it did not come up"
    else:
        try:
            return _read_round(attribute, _run_command(scene, attribute, server))
        except TrainerError as error:
            problem = str(error)
    scene.tell("round", f"A temporary Prefect server was to show the last round, but {problem}; so without it:")
    return play_round(scene, attribute)


def _run_command(scene: Scene, attribute: str, server: TemporaryServer) -> dict[str, object]:
    """Run `turnrow round` in a process of its own and return its document. Raises TrainerError."""
    # -P: a folder `flows` in the current folder is not ours
    command = [sys.executable, "-P", "-m", "flows.cli", "round", attribute, "--json"]
    command += ["--at", str(scene.loop.folder.absolute())]
    try:
        ended = subprocess.run(
            command,
            env=dict(server.environment),
            stdin=subprocess.DEVNULL,
            capture_output=True,
            timeout=_TAKES_AT_MOST_SECONDS,
            check=False,
        )
    except subprocess.TimeoutExpired as error:
        raise TrainerError(f"it took more than {_TAKES_AT_MOST_SECONDS} seconds") from error
    if ended.returncode not in (_DONE, _NOT_YET) or not ended.stdout:
        lines = ended.stderr.decode(errors="replace").strip().splitlines() or ["nothing was said"]
        raise TrainerError(f"it failed ({make_harmless(lines[-1])})")
    document: dict[str, object] = json.loads(ended.stdout)
    return document


def _read_round(attribute: str, document: dict[str, object]) -> Round:
    found = document["criteria"]
    criteria = tuple(Criterion(**row) for row in found) if isinstance(found, list) else ()
    control = document["control_model"]
    return Round(
        attribute,
        str(document["training_set"]),
        str(document["model"]),
        None if control is None else str(control),
        str(document["verdict"]),
        str(document["reason"]),
        criteria,
        through_prefect=True,
    )


def read_figures(scene: Scene, done: Round, before: str | None) -> RoundFigures:
    """Return a round in figures; `before` is the model that was the incumbent."""
    cases = [case for case in scene.cases if case.attribute == done.attribute]
    models = Models(done.model, before, done.control)
    return read_round_figures(scene.loop, done.attribute, done.version, models, cases)


def tell_round(scene: Scene, done: Round, before: str) -> None:
    """Say what a round trained on, what its figures were before and after, and the verdict."""
    figures = read_figures(scene, done, before)
    rows = ", ".join(f"{count:,} {reason}" for reason, count in figures.rows_by_reason.items())
    how = "as a Prefect flow on a temporary server" if done.through_prefect else "as a plain function"
    table = [_show_figure(figure) for figure in (*figures.cases, figures.overall)]
    scene.tell(
        "round",
        f"{done.attribute}, {how}: {sum(figures.rows_by_reason.values()):,} rows ({rows}).",
        *indent(lay_out_table(table, _COLUMNS)),
        *_tell_guards(done.criteria),
        f"Verdict on {done.model}: {done.verdict} ({done.reason}).",
    )


_COLUMNS = {
    "name": "hold-out",
    "what": "figure",
    "before": "before",
    "control": "control",
    "after": "after",
    "wanted": "wanted",
    "samples": "samples",
}


def _show_figure(figure: Figure) -> dict[str, object]:
    shares = {name: getattr(figure, name) for name in ("before", "control", "after", "wanted")}
    shown = {name: "     -" if share is None else f"{share:6.1%}" for name, share in shares.items()}
    return {"name": figure.name, "what": figure.what, "samples": figure.samples, **shown}


def _tell_guards(criteria: tuple[Criterion, ...]) -> list[str]:
    """Return a line on what must not get worse: how many guards hold, and where most was lost."""
    guards = [c for c in criteria if c.criterion.startswith("guard:")]
    judged = [c for c in guards if c.estimate is not None and c.margin is not None]
    if not judged:
        return []
    held = sum(c.verdict == "passed" for c in guards)
    worst = min(judged, key=lambda c: c.estimate or 0.0)
    name = worst.criterion.removeprefix("guard:")
    change, margin = worst.estimate or 0.0, worst.margin or 0.0
    return [
        f"Must not get worse: {held} of {len(guards)} guards hold. The lowest change is {change * 100:+.1f} "
        f"points, of {name}, where a loss beyond {margin * 100:.0f} has to be excluded."
    ]
