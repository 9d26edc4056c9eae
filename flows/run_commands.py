"""The commands that change something: each calls its step and hands back a result document.

Steps are imported by the command that runs them, so that none pays for another's libraries.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from flows.answer import Answer, Request
from flows.run_reading_commands import read_filter
from tasks.errors import NotYetError
from tasks.make_plain import make_plain

if TYPE_CHECKING:
    from tasks.freeze_holdouts import FrozenHoldout
    from tasks.loop import Loop

_NOT_YET = NotYetError.exit_code
_SITTING = 200  # questions of one sitting at the answer page: they are kept from others meanwhile


def make_folder(request: Request) -> Answer:
    """`init`: make a loop folder."""
    from tasks.make_loop import make_folder as make

    loop = make(request.options.dir)
    return Answer({"folder": str(loop.folder), "attributes": list(loop.settings.attribute)})


def run_demo(request: Request) -> Answer:
    """`demo`: the invented orchard, whole loop included."""
    from flows.demo import run_demo as run

    return Answer(make_plain(run(request.options.dir, request.say)))


def pull(request: Request) -> Answer:
    """`pull`: take in files; one that cannot be read fails alone."""
    from tasks.pull_logs import pull_files

    given = request.options.files
    summary = pull_files(request.loop, given or None)
    failed = tuple(file.error for file in summary.failed)
    left = () if given else tuple(_tell_unread(request.loop))
    return Answer({"files": make_plain(summary.files)}, 1 if failed else 0, (*failed, *left))


def _tell_unread(loop: "Loop") -> Iterator[str]:
    from tasks.find_log_files import list_unread

    names = list_unread(loop)
    if names:
        more = f" and {len(names) - 1:,} more files in inbox/ are" if len(names) > 1 else " is"
        yield f"{names[0]}{more} matched by no pattern of [pull], so never read; add one there, or name them"


def flag(request: Request) -> Answer:
    """`flag`: mispredictions, then members, then questions; what is bad is told and left out."""
    from flows.attempt_steps import Attempts, perform_plainly
    from tasks.flag_mispredictions import flag_mispredictions
    from tasks.match_cases import match_cases
    from tasks.queue_fixes import queue_doubted

    loop, tried = request.loop, Attempts(perform_plainly)
    cases = {case.case: case for case in request.case_files[0]}
    found = tried.attempt_all(
        "flag", list(loop.settings.attribute), lambda names: flag_mispredictions(loop, names)
    )
    matched = tried.attempt_all("case", list(cases), lambda names: match_cases(loop, [cases[n] for n in names]))
    asked = tried.attempt("queue", "", lambda: queue_doubted(loop)) or 0
    tried.raise_unexpected("flag")
    problems = tuple(str(error) for error in (*request.case_files[1], *tried.problems))
    counts = {name: sum(getattr(part, name) for part in found) for name in ("samples", "flagged", "lapsed")}
    members = {name: count for part in matched for name, count in sorted(part.items())}
    return Answer(
        {**counts, "cases": members, "asked": asked, "problems": list(problems)}, 1 if problems else 0, problems
    )


def mine(request: Request) -> Answer:
    """`mine`: queue what is most likely to help a case."""
    from tasks.mine_samples import mine_samples

    return Answer(make_plain(mine_samples(request.loop, request.find_case(request.options.case))))


def watch(request: Request) -> Answer:
    """`watch`: draw what is due, follow the cured cases, and tell the figures."""
    from tasks.draw_watch import draw_watch
    from tasks.follow_cases import follow_cases
    from tasks.measure_service import read_service

    loop = request.loop
    drawn = make_plain(draw_watch(loop))
    states = {case.case_name: case.state for case in follow_cases(loop)}
    return Answer({**drawn, "states": states, "attributes": make_plain(read_service(loop))})


def export_queue(request: Request) -> Answer:
    """`queue export`: hand the open questions out."""
    from tasks.export_fixes import export_fixes

    options = request.options
    which, annotator = read_filter(request), options.annotator
    done = export_fixes(request.loop, options.file, which, is_open=options.open, annotator=annotator)
    return Answer(
        {
            "file": str(options.file),
            "fixes": done.questions,
            "is_open": options.open,
            "annotator": annotator,
            "leased_until": make_plain(done.leased_until),
            "held_by_others": make_plain(done.held_by_others),
        }
    )


def import_queue(request: Request) -> Answer:
    """`queue import`: take answers back; refused rows are told, the rest is kept."""
    from tasks.import_answers import import_answers

    summary = import_answers(request.loop, request.options.file)
    refused = [{"row_number": number, "reason": reason} for number, reason in summary.refused]
    return Answer({**make_plain(summary), "file": str(request.options.file), "refused": refused})


def renew_queue(request: Request) -> Answer:
    """`queue renew`: ask again what an older guideline decided."""
    from tasks.find_names import find_attribute
    from tasks.renew_labels import renew_labels

    attribute = find_attribute(request.loop, request.options.attribute)
    return Answer(make_plain(renew_labels(request.loop, attribute, request.options.at_most)))


def answer_questions(request: Request) -> Answer:
    """`answer`: the page, until it is ended."""
    from flows.serve_answers import serve_answers

    options = request.options
    which = read_filter(request)
    if which.at_most is None:
        which = replace(which, at_most=_SITTING)
    summary = serve_answers(
        request.loop,
        options.annotator,
        which,
        port=options.port,
        opens_browser=not options.no_browser,
        say=request.say,
    )
    return Answer(make_plain(summary))


def settle(request: Request) -> Answer:
    """`settle`: labels from agreeing answers, then their lots, then freeze the hold-outs that are full."""
    from tasks.audit_lots import audit_lots
    from tasks.freeze_holdouts import freeze_full_holdouts
    from tasks.settle_fixes import settle_fixes

    loop = request.loop
    document = make_plain(settle_fixes(loop))
    lots = make_plain(audit_lots(loop)) if loop.settings.audit else None
    return Answer({**document, "lots": lots, **_list_frozen(freeze_full_holdouts(loop))})


def _list_frozen(frozen: Sequence["FrozenHoldout"]) -> dict[str, Any]:
    """Return what froze just now, and of each that did so without all labels how many members can get none."""
    return {
        "frozen_holdouts": [held.holdout_id for held in frozen],
        "frozen_without": {held.holdout_id: held.restricted for held in frozen if held.restricted},
    }


def audit(request: Request) -> Answer:
    """`audit`: judge and form lots; exit code 3 where one failed now or waits, or a source is held up."""
    from tasks.audit_lots import audit_lots
    from tasks.freeze_holdouts import freeze_full_holdouts
    from tasks.list_lots import list_lots, require_audit
    from tasks.resume_inspection import resume_inspection

    options, loop = request.options, request.loop
    require_audit(loop)
    resumed = resume_inspection(loop, options.resume, resumed_by=options.by) if options.resume else []
    done = audit_lots(loop, is_closing=options.close)
    frozen = freeze_full_holdouts(loop)
    sources = list_lots(loop)
    told = [{**make_plain(source), "is_held_up": source.is_held_up} for source in sources]
    is_open = done.failed > 0 or any(source.to_answer or source.is_held_up for source in sources)
    document = {**make_plain(done), "resumed": resumed, **_list_frozen(frozen), "sources": told}
    return Answer(document, _NOT_YET if is_open else 0)


def draw_holdout(request: Request) -> Answer:
    """`holdout`: draw or list a fair test; exit code 3 while it lacks labels."""
    from tasks.draw_holdout import HoldoutTarget
    from tasks.draw_holdout import draw_holdout as draw
    from tasks.find_names import find_attribute, read_overall_name

    options, loop = request.options, request.loop
    overall = read_overall_name(options.case)
    if overall is not None:
        target = HoldoutTarget(find_attribute(loop, overall), None)
    else:
        case = request.find_case(options.case)
        target = HoldoutTarget(loop.settings.attribute[case.attribute], case)
    if options.dry_run:
        from tasks.try_holdout import try_holdout

        trial = try_holdout(loop, target, listed=options.listed, grow=options.grow)
        return Answer({**make_plain(trial), "is_dry_run": True})
    summary = draw(loop, target, listed=options.listed, grow=options.grow)
    return Answer(make_plain(summary), _NOT_YET if summary.missing else 0)


def assemble(request: Request) -> Answer:
    """`assemble`: a checked training set; exit code 3 where a `must` check failed."""
    from tasks.assemble_training_set import assemble_training_set
    from tasks.find_names import find_attribute

    options = request.options
    find_attribute(request.loop, options.attribute)
    summary = assemble_training_set(
        request.loop, options.attribute, as_of=options.as_of, is_dry_run=options.dry_run
    )
    return Answer(make_plain(summary), _NOT_YET if summary.state == "failed" else 0)


def verify(request: Request) -> Answer:
    """`verify`: rebuild and compare; exit code 3 where the digests differ."""
    from tasks.verify_training_set import verify_training_set

    summary = verify_training_set(request.loop, request.options.version)
    told = {name: getattr(summary, name) for name in ("is_equal", "is_rest_equal", "moved")}
    return Answer({**make_plain(summary), **told}, 0 if summary.is_equal else _NOT_YET)


def export_set(request: Request) -> Answer:
    """`export`: a version as a folder of its own."""
    from tasks.export_training_set import export_training_set

    options = request.options
    done = export_training_set(
        request.loop,
        options.version,
        options.folder,
        without_restricted=options.without_restricted,
        failed_too=options.failed_too,
    )
    return Answer({**make_plain(done), "folder": str(options.folder)})


def import_set(request: Request) -> Answer:
    """`import-set`: a first training set from a file; exit code 3 where a `must` check failed."""
    from tasks.import_set import import_set as take_in

    done = take_in(request.loop, request.options.attribute, request.options.file)
    return Answer(make_plain(done), _NOT_YET if done.state == "failed" else 0)


def retrain(request: Request) -> Answer:
    """`retrain`: train and judge; exit code 3 unless the gate passed it."""
    from tasks.find_names import find_attribute
    from tasks.retrain_model import retrain_model

    attribute = find_attribute(request.loop, request.options.attribute)
    cases, errors = request.case_files
    summary = retrain_model(request.loop, attribute.name, cases, version=request.options.version)
    problems = tuple(str(error) for error in errors)
    return Answer(make_plain(summary), judge(summary.verdict), problems)


def judge(verdict: str) -> int:
    """Return the exit code of a gate's verdict."""
    return 0 if verdict == "passed" else _NOT_YET


def predict(request: Request) -> Answer:
    """`predict`: a stored model over a file."""
    from tasks.predict_file import predict_file

    options = request.options
    count = predict_file(request.loop, options.model, options.source, options.target)
    return Answer({"model": options.model, "file": str(options.target), "predictions": count})


def import_model(request: Request) -> Answer:
    """`import-model`: the first incumbent from elsewhere."""
    from tasks.find_names import find_attribute
    from tasks.import_model import import_model as take_in

    options = request.options
    attribute = find_attribute(request.loop, options.attribute)
    path = None if options.path == "none" else Path(options.path)
    take_in(
        request.loop,
        attribute.name,
        path,
        model_version=options.model,
        signed_by=options.by,
        trained_on=options.trained_on,
    )
    told = {"trained_on": options.trained_on} if options.trained_on else {}
    return Answer({"attribute": attribute.name, "model": options.model, "path": make_plain(path), **told})


def sign_off(request: Request) -> Answer:
    """`sign-off`: a person's decision, with the cautions that belong to it."""
    from flows.sign_model import sign_model
    from tasks.sign_off import CAUTIONS

    options = request.options
    summary, problems = sign_model(
        request.loop, options.model, signed_by=options.by, decision=options.decision, note=options.note
    )
    return Answer({**make_plain(summary), "cautions": list(CAUTIONS)}, 0, problems)


def erase(request: Request) -> Answer:
    """`erase`: a recording out of everything; exit code 1 where a file could not be cleaned."""
    from tasks.erase_recording import erase_recording

    options = request.options
    summary = erase_recording(
        request.loop,
        options.recording,
        options.object_id,
        with_sources=options.sources,
        is_dry_run=options.dry_run,
    )
    return Answer(make_plain(summary), 1 if summary.problems else 0, summary.problems)


CHANGING: dict[str, Callable[[Request], Answer]] = {
    "init": make_folder,
    "demo": run_demo,
    "pull": pull,
    "flag": flag,
    "mine": mine,
    "watch": watch,
    "queue export": export_queue,
    "queue import": import_queue,
    "queue renew": renew_queue,
    "answer": answer_questions,
    "settle": settle,
    "audit": audit,
    "holdout": draw_holdout,
    "assemble": assemble,
    "verify": verify,
    "export": export_set,
    "import-set": import_set,
    "retrain": retrain,
    "predict": predict,
    "import-model": import_model,
    "sign-off": sign_off,
    "erase": erase,
}
