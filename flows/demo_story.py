"""The demo's story: which steps of the loop run in which order, and what is said of each."""

from collections.abc import Sequence
from pathlib import Path

from flows.demo_labels import answer_questions, draw_case_holdouts, mine_cases, raise_flags
from flows.demo_round import Round, play_round, play_round_visibly, read_figures, tell_round
from flows.demo_scene import DemoSummary, Say, Scene
from flows.demo_season import freeze_overall_holdouts, pull_season, send_logs
from flows.lay_out_text import count_things
from flows.sign_model import sign_model
from flows.temporary_server import TemporaryServer, start_temporary_server
from tasks.export_fixes import QueueFilter, list_fixes
from tasks.make_loop import make_folder
from tasks.make_orchard import OrchardFiles, make_orchard
from tasks.read_settings import read_cases
from tasks.sign_off import CAUTIONS
from tasks.tell_orchard import count_unsettled, list_unclaimed

_SIGNER = "dana"
_README = "README.md in the folder"
_FIRST_NOTE = "the first model: there is none before it to compare it with"


def tell_story(folder: Path, say: Say) -> DemoSummary:
    """Run the whole loop once in a furnished folder and tell it; return what it ended with."""
    loop = make_folder(folder)
    scene = Scene(loop, tuple(read_cases(folder, loop.settings)[0]), say)
    with scene.measure("data"):
        season = make_orchard(folder)
    names = ", ".join(case.case for case in scene.cases)
    scene.tell("init", f"A loop folder, {folder}, with settings, guidelines and three failure cases:", f"{names}.")
    first = _make_incumbents(scene, season)
    send_logs(scene, season, {done.attribute: done.model for done in first})
    with start_temporary_server() as server:
        _mend_labels(scene, season)
        last = _run_rounds(scene, first, server)
    _sign(scene, last)
    return _summarise(scene, last)


def _make_incumbents(scene: Scene, season: OrchardFiles) -> list[Round]:
    """Train the first models on the base labels; the general hold-outs are frozen before."""
    with scene.measure("pull"):
        pull_season(scene)
    with scene.measure("hold-outs"):
        freeze_overall_holdouts(scene, season)
    with scene.measure("first models"):
        first = [play_round(scene, attribute) for attribute in scene.loop.settings.attribute]
        for done in first:
            sign_model(scene.loop, done.model, signed_by=_SIGNER, decision="accept", note=_FIRST_NOTE)
    _tell_incumbents(scene, first)
    return first


def _tell_incumbents(scene: Scene, first: Sequence[Round]) -> None:
    scene.tell("round", "First models, trained from scratch on the labels outside the hold-outs:")
    for done in first:
        figures = read_figures(scene, done, None)
        rows, overall = sum(figures.rows_by_reason.values()), figures.overall
        scene.tell(
            "", f"  {done.attribute}: {rows:,} rows; right on {overall.after:.1%} of {overall.samples} samples."
        )
    scene.tell(
        "sign-off",
        f"{_SIGNER} (invented) accepts both, with a note: the gate's verdict is `undecided`, since a first "
        "model has none before it to be better than.",
    )


def _mend_labels(scene: Scene, season: OrchardFiles) -> None:
    """Find the errors, keep a fair test aside, and get labels for what may mend them."""
    with scene.measure("flag"):
        raise_flags(scene)
    with scene.measure("hold-outs"):
        draw_case_holdouts(scene)
    with scene.measure("answers"):
        answer_questions(scene, season, "first")
    with scene.measure("flag"):
        raise_flags(scene)
    with scene.measure("mine"):
        mine_cases(scene)
    with scene.measure("answers"):
        answer_questions(scene, season, "mined")
    with scene.measure("flag"):
        raise_flags(scene)


def _run_rounds(scene: Scene, first: Sequence[Round], server: TemporaryServer) -> list[Round]:
    """Train, judge and tell a candidate of each attribute; the last one visibly."""
    scene.tell(
        "round",
        "Each network, unchanged, is trained further on the old rows and the new ones. Its control is trained "
        "further, for as many steps, on the old rows alone: the new labels earn only what is gained over it.",
    )
    last = []
    for done in first:
        with scene.measure(f"round of {done.attribute}"):
            is_last = done is first[-1]
            again = (
                play_round_visibly(scene, done.attribute, server) if is_last else play_round(scene, done.attribute)
            )
        tell_round(scene, again, before=done.model)
        last.append(again)
    return last


def _sign(scene: Scene, last: Sequence[Round]) -> None:
    """Accept what the gate passed, and nothing else."""
    passed = [done.model for done in last if done.verdict == "passed"]
    for model in passed:
        sign_model(scene.loop, model, signed_by=_SIGNER, decision="accept")
    accepted = f"{_SIGNER} accepts {' and '.join(passed)}." if passed else f"{_SIGNER} accepts no candidate."
    held_back = [f"Not accepted: {done.model}, {done.verdict}." for done in last if done.model not in passed]
    scene.tell("sign-off", accepted, *held_back, *CAUTIONS)


def _summarise(scene: Scene, last: Sequence[Round]) -> DemoSummary:
    with scene.measure("what is left"):
        _tell_left(scene)
        open_fixes = len(list_fixes(scene.loop, QueueFilter()))
    return DemoSummary(
        folder=str(scene.loop.folder),
        models={done.attribute: done.model for done in last},
        versions={done.attribute: done.version for done in last},
        verdicts={done.attribute: done.verdict for done in last},
        open_fixes=open_fixes,
        through_prefect=last[-1].through_prefect,
        seconds=scene.seconds,
    )


def _tell_left(scene: Scene) -> None:
    """Say what the loop leaves undecided, and why."""
    unsettled = count_unsettled(scene.loop)
    scene.tell(
        "left",
        f"{count_things(unsettled, 'sample')} without a label, and so in no training set: the annotators named "
        "different labels, or were unsure, whenever they were asked.",
    )
    animals = [found for found in list_unclaimed(scene.loop) if found.truth == "animal"]
    if animals:
        count, most = sum(found.samples for found in animals), animals[0]
        scene.tell(
            "",
            f"{count_things(count, 'animal')} flagged, most often as {most.predicted}, that no failure case asks "
            f"about: mostly dogs in tall grass. That case file is yours to write; {_README} says more.",
        )
