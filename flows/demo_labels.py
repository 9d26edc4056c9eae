"""The second half of the demo's story up to the rounds: errors found, a fair test kept aside, labels fixed."""

from pathlib import Path
from tempfile import TemporaryDirectory

from flows.demo_scene import Scene
from flows.lay_out_text import count_things
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
        f"{flags.samples:,} new or newly labelled samples: {count_things(flags.flagged, 'flag')} raised, "
        f"{count_things(asked, 'question')} queued.",
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
    scene.tell(
        "mine", "Unlabelled samples most like a case's members, and look-alikes that were called otherwise:"
    )
    for case in scene.cases:
        mined = mine_samples(scene.loop, case)
        scene.tell("", f"  {case.case}: {mined.mined} and {mined.look_alikes} queued.")


def answer_questions(scene: Scene, season: OrchardFiles, name: str) -> None:
    """Hand every open question out, let the simulated annotators answer, and settle what they agree on."""
    loop = scene.loop
    answers = loop.folder / "inbox" / "answers" / f"{name}.parquet"
    with TemporaryDirectory(prefix="turnrow-demo-") as folder:
        export = Path(folder) / "questions.parquet"
        asked = export_fixes(loop, export, QueueFilter(), is_open=False).questions
        answer_export(export, season.truth, answers, seed=_ANSWER_SEED, labelled=[season.base])
    kept = import_answers(loop, answers).rows_kept
    people = ", ".join(f"{person} {share:.0%}" for person, share in ANNOTATORS.items())
    scene.tell(
        "queue",
        f"{asked:,} questions go out, blind; simulated annotators ({people} right) give {kept:,} answers.",
    )
    settled, frozen = settle_fixes(loop), freeze_full_holdouts(loop)
    scene.tell(
        "settle",
        f"{count_things(settled.settled, 'question')} settled: a label where the answers agree; "
        f"{settled.ambiguous} ambiguous."
        + (f" {count_things(len(frozen), 'hold-out')} full, so frozen." if frozen else ""),
    )
