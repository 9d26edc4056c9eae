"""The second half of the demo's story up to the rounds: errors found, a fair test kept aside, labels fixed."""

from pathlib import Path
from tempfile import TemporaryDirectory

from flows.demo_scene import Scene
from tasks.answer_orchard import ANNOTATORS, answer_export
from tasks.draw_holdout import HoldoutTarget, draw_holdout
from tasks.export_fixes import QueueFilter, export_fixes
from tasks.flag_mispredictions import flag_mispredictions
from tasks.freeze_holdouts import freeze_full_holdouts
from tasks.import_answers import import_answers
from tasks.make_orchard import OrchardFiles
from tasks.match_cases import match_cases
from tasks.mine_samples import mine_samples
from tasks.queue_fixes import queue_doubted
from tasks.settle_fixes import settle_fixes

_ANSWER_SEED = 7


def raise_flags(scene: Scene) -> None:
    """Flag mispredictions, sort them into the cases, and queue what is doubted."""
    flags = flag_mispredictions(scene.loop)
    members = match_cases(scene.loop, scene.cases)
    asked = queue_doubted(scene.loop)
    found = ", ".join(f"{name} {count:+,}" for name, count in members.items())
    scene.tell(
        "flag",
        f"{flags.flagged:,} mispredictions flagged in {flags.samples:,} samples; {asked:,} questions queued.",
        f"Case members: {found}.",
    )


def draw_case_holdouts(scene: Scene) -> None:
    """Draw each case's hold-out from its scope, before anything of it is labelled or mined."""
    scene.tell("holdout", "A fair test of each case, drawn by recording from all it is about, right or wrong:")
    for case in scene.cases:
        attribute = scene.loop.settings.attribute[case.attribute]
        drawn = draw_holdout(scene.loop, HoldoutTarget(attribute, case))
        scene.tell("", f"  {case.case}: {drawn.members} samples, {drawn.missing} of them still without a label.")


def mine_cases(scene: Scene) -> None:
    """Queue, for each case, what is most like its members, and what looks alike but is predicted otherwise."""
    for case in scene.cases:
        mined = mine_samples(scene.loop, case)
        scene.tell(
            "mine",
            f"{case.case}: {mined.mined} samples like its members, {mined.look_alikes} look-alikes that the model "
            "called something else.",
        )


def answer_questions(scene: Scene, season: OrchardFiles, name: str) -> None:
    """Hand every open question out, let the simulated annotators answer, and settle what they agree on."""
    loop = scene.loop
    answers = loop.folder / "inbox" / "answers" / f"{name}.parquet"
    with TemporaryDirectory(prefix="turnrow-demo-") as folder:
        export = Path(folder) / "questions.parquet"
        asked = export_fixes(loop, export, QueueFilter(), is_open=False)
        answer_export(export, season.truth, answers, seed=_ANSWER_SEED)
    kept = import_answers(loop, answers).rows_kept
    people = ", ".join(f"{person} ({share:.0%} right)" for person, share in ANNOTATORS.items())
    scene.tell(
        "queue",
        f"{asked:,} questions go out, blind, and {kept:,} answers come back from simulated people: {people}.",
    )
    settled, frozen = settle_fixes(loop), freeze_full_holdouts(loop)
    scene.tell(
        "settle",
        f"{settled.settled:,} answers agree and become labels; {settled.ambiguous} stay ambiguous. "
        f"Hold-outs full and frozen: {len(frozen)}.",
    )
