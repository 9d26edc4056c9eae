"""Give a trainer its folder, run it, and check what it wrote.

A trainer is trusted code: a subprocess with a reduced environment keeps it from our settings and secrets by
accident, not by force. It runs with the rights of whoever runs Turnrow. Loads pyarrow and DuckDB at once.
"""

import importlib.machinery
import json
import os
import re
import shlex
import shutil
import signal
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import IO, Literal

from tasks.errors import TrainerError
from tasks.prepare_trainer import PreparedFolder, TrainRequest, prepare_folder
from tasks.read_predictions import read_predictions

__all__ = [
    "PreparedFolder",
    "TrainRequest",
    "check_trainer",
    "parse_spec",
    "prepare_folder",
    "read_predictions",
    "run_trainer",
]

ENVIRONMENT_NAMES = ("PATH", "HOME", "LANG", "TMPDIR")
_THREAD_LIMITS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "VECLIB_MAXIMUM_THREADS")
_BUILTIN = "builtin:mlp"
_FUNCTION = re.compile(r"[A-Za-z_]\w*(\.[A-Za-z_]\w*)*:[A-Za-z_]\w*", re.ASCII)
_TAIL_BYTES = 2_000
# It reads from us: a line where all went its way, the end of the stream where we are gone.
_UNTIL_GONE = 'read -r _ || kill -s KILL -- "-$1"'
_CALL_FUNCTION = """
import importlib, pathlib, sys
module, function = sys.argv[1].split(":")
getattr(importlib.import_module(module), function)(pathlib.Path(sys.argv[2]))
"""


def parse_spec(spec: str) -> Literal["builtin", "function", "command"]:
    """Tell which of the three kinds of trainer a setting `trainer` names.

    Raises TrainerError for an unknown built-in trainer and for a text that is no command line.
    """
    if spec.startswith("builtin:"):
        if spec != _BUILTIN:
            raise TrainerError(f"trainer = {spec!r}: there is no such built-in trainer; use {_BUILTIN!r}")
        return "builtin"
    if _FUNCTION.fullmatch(spec):
        return "function"
    _split_command(spec)
    return "command"


def check_trainer(spec: str, search_path: Path) -> None:
    """Raise TrainerError where the trainer cannot be found; nothing of it is imported or run.

    `search_path` is the loop folder, in which modules and files of a command line are looked for first.
    """
    kind = parse_spec(spec)
    if kind == "function":
        _check_function(spec, search_path)
    if kind == "command":
        _resolve_command(spec, search_path)


def _check_function(spec: str, search_path: Path) -> None:
    module, function = spec.split(":")
    places: Sequence[str] | None = [str(search_path), *filter(None, sys.path)]
    found = None
    for depth, part in enumerate(module.split("."), start=1):
        name = ".".join(module.split(".")[:depth])
        found = importlib.machinery.PathFinder.find_spec(name, places) if places is not None else None
        if found is None:
            raise TrainerError(
                f"trainer = {spec!r}: there is no module {name!r}; put {part}.py into {search_path}, "
                "or install the package that holds it"
            )
        places = found.submodule_search_locations
    if found is not None and found.origin is not None and found.origin.endswith(".py"):
        text = Path(found.origin).read_text(encoding="utf-8", errors="replace")
        if not re.search(rf"\b{function}\b|import \*", text):
            raise TrainerError(f"trainer = {spec!r}: {found.origin} has no function {function!r}")


def _split_command(spec: str) -> list[str]:
    try:
        words = shlex.split(spec)
    except ValueError as error:
        raise TrainerError(f"trainer = {spec!r} is no command line ({error}); check its quotes") from error
    if not words:
        raise TrainerError(f"trainer is empty; use {_BUILTIN!r}, 'package.module:function', or a command line")
    return words


def _resolve_command(spec: str, search_path: Path) -> list[str]:
    """Return the command's words; those that name a file in the loop folder become its full path.

    The command runs in a folder of its own, where a relative path would lead nowhere.
    """
    program, *words = _split_command(spec)
    beside = _find_file(search_path, program)
    found = beside if beside is not None and os.access(beside, os.X_OK) else shutil.which(program)
    if found is None:
        raise TrainerError(
            f"trainer = {spec!r}: the command {program!r} is neither on PATH nor an executable file in "
            f"{search_path}; install it, or give its full path"
        )
    return [str(Path(found).absolute()), *(_find_file(search_path, word) or word for word in words)]


def _find_file(search_path: Path, word: str) -> str | None:
    """Return the full path of a file in the loop folder; links stay, since an interpreter may be one."""
    path = (search_path / word).absolute()
    try:
        return str(path) if path.is_file() else None
    except OSError:  # A long argument is no file name.
        return None


def run_trainer(
    spec: str,
    folder: Path,
    *,
    search_path: Path,
    seconds: float | None = None,
    environment_names: Sequence[str] = ENVIRONMENT_NAMES,
    threads: int = 1,
) -> None:
    """Run a trainer on a folder that `prepare_folder` made; returns once `model/` or predictions are there.

    The built-in trainer runs in this process, without a time limit. Any other one runs as a subprocess in
    `folder`, which must lie outside `search_path` (the loop folder), with the variables of
    `environment_names` alone, and thread limits; a function also finds modules in `search_path`. It and
    whatever it started are killed after `seconds`, and nothing that it started outlives it.
    Raises TrainerError, with the end of what the trainer printed.
    """
    if parse_spec(spec) == "builtin":
        from tasks.train_perceptron import train

        train(folder)
    else:
        command = _build_command(spec, folder.resolve(), search_path.resolve())
        environment = _reduce_environment(spec, search_path, environment_names, threads)
        _run_command(spec, command, folder, environment, seconds)
    _check_written(folder)


def _build_command(spec: str, folder: Path, search_path: Path) -> list[str]:
    if folder.is_relative_to(search_path):
        raise TrainerError(f"{folder}: a trainer must not run inside the loop folder; use a temporary folder")
    if parse_spec(spec) == "function":
        # -P keeps the folder's own names from being imported, -B keeps the loop folder free of byte code.
        return [sys.executable, "-P", "-B", "-c", _CALL_FUNCTION, spec, str(folder)]
    return [*_resolve_command(spec, search_path), str(folder)]


def _reduce_environment(spec: str, search_path: Path, names: Sequence[str], threads: int) -> Mapping[str, str]:
    ours = [name for name in names if name.startswith("TURNROW_")]
    if ours:
        raise TrainerError(f"{', '.join(ours)} must not be passed to a trainer; leave it out")
    environment = {name: os.environ[name] for name in names if name in os.environ}
    environment |= dict.fromkeys(_THREAD_LIMITS, str(threads))
    if parse_spec(spec) == "function":
        environment["PYTHONPATH"] = str(search_path.resolve())
    return environment


def _run_command(
    spec: str, command: Sequence[str], folder: Path, environment: Mapping[str, str], seconds: float | None
) -> None:
    # A file, not a pipe: a child that is left behind cannot make us wait for its end.
    with tempfile.TemporaryFile() as output:
        code = _wait_for(spec, command, folder, environment, seconds, output)
        if code != 0:
            how = f"ended by {signal.Signals(-code).name}" if code < 0 else f"exit code {code}"
            raise TrainerError(f"trainer {spec!r} failed ({how}); it last wrote: {_read_tail(output)}")


def _wait_for(
    spec: str,
    command: Sequence[str],
    folder: Path,
    environment: Mapping[str, str],
    seconds: float | None,
    output: IO[bytes],
) -> int:
    """Return the exit code; whatever happens here, the trainer's process group is gone afterwards."""
    try:
        process = subprocess.Popen(
            command,
            cwd=folder,
            env=dict(environment),
            stdin=subprocess.DEVNULL,
            stdout=output,
            stderr=subprocess.STDOUT,
            start_new_session=True,
        )
    except OSError as error:
        raise TrainerError(f"trainer {spec!r} cannot be started ({error}); check the command") from error
    try:
        with _guard(process):
            return process.wait(timeout=seconds)
    except subprocess.TimeoutExpired as error:
        raise TrainerError(
            f"trainer {spec!r} was stopped after {seconds:g} seconds, with what it had started; give it more "
            f"time (trainer_hours) or less to do. It last wrote: {_read_tail(output)}"
        ) from error
    finally:
        _end_group(process)


@contextmanager
def _guard(process: subprocess.Popen[bytes]) -> Iterator[None]:
    """Have the trainer's group ended also where this process is killed and cannot do so itself."""
    with subprocess.Popen(
        ["/bin/sh", "-c", _UNTIL_GONE, "sh", str(process.pid)],
        env={},
        stdin=subprocess.PIPE,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        start_new_session=True,
    ) as guard:
        try:
            yield
        finally:
            guard.communicate(b"\n")


def _end_group(process: subprocess.Popen[bytes]) -> None:
    """Kill the trainer's own process group: its number is taken for as long as any member lives."""
    with suppress(ProcessLookupError, PermissionError):
        os.killpg(process.pid, signal.SIGKILL)
    process.wait()


def _read_tail(output: IO[bytes]) -> str:
    """Return the last lines that the trainer wrote, as one line."""
    size = output.seek(0, os.SEEK_END)
    output.seek(max(0, size - _TAIL_BYTES))
    lines = output.read().decode("utf-8", errors="replace").split("\n")
    return " | ".join(line.strip() for line in lines if line.strip()) or "(nothing)"


def _check_written(folder: Path) -> None:
    """Raise TrainerError where a file that every trainer must write is not there."""
    task = json.loads((folder / "request.json").read_text(encoding="utf-8"))["task"]
    model = folder / "model"
    if task == "train" and not (model.is_dir() and any(path.is_file() for path in model.rglob("*"))):
        raise TrainerError("the trainer wrote no model/: for `train` it must leave at least one file there")
    if not (folder / "predictions.parquet").is_file():
        raise TrainerError("the trainer wrote no predictions.parquet (sample_id, predicted, confidence, scores)")
