"""The command line as `argparse` reads it: names, options and help of every command."""

import argparse
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    _Commands = argparse._SubParsersAction[argparse.ArgumentParser]

_Parser = argparse.ArgumentParser
_AddArguments = Callable[[_Parser], None]
_LAST_PORT = 65_535


def read_arguments(argv: list[str] | None) -> argparse.Namespace:
    """Return the options; `command` is the command's full name, as in `queue list`.

    Raises SystemExit: 2 for wrong usage, 0 after help was shown.
    """
    parser = _build_parser()
    options = parser.parse_args(argv)
    if options.command is None:
        parser.error("name a command; `turnrow --help` lists them")
    _check_together(parser, options)
    return options


def _check_together(parser: _Parser, options: argparse.Namespace) -> None:
    """Refuse what only makes sense together, or not together."""
    if options.command == "audit" and (options.resume is None) != (options.by is None):
        parser.error("audit: --resume SOURCE and --by NAME go together")
    if options.command == "lineage":
        if (options.id is None) != options.questions:
            parser.error("lineage: name an ID, or --questions alone")
        if options.value is not None and options.ask is None:
            parser.error("lineage: --value goes with --ask")
    if options.command != "case":
        return
    is_decision = options.decision is not None
    if is_decision != (options.by is not None):
        parser.error("case: --park or --reopen, and --by NAME, go together")
    if is_decision and (options.name is None or options.try_file is not None):
        parser.error("case: --park and --reopen want the NAME of a case, and no --try")


def _build_parser() -> _Parser:
    parser = _Parser(
        prog="turnrow",
        description="Run the retrain loop of a deployed perception model, from prediction logs to a judged model.",
        parents=[_build_shared(is_top=True)],
        allow_abbrev=False,
    )
    parser.set_defaults(command=None)
    commands = parser.add_subparsers(metavar="COMMAND", title="commands")
    for name, (help_text, add_arguments) in _COMMANDS.items():
        _add_command(commands, name, help_text, add_arguments)
        if name == "mine":
            _add_queue(commands)
    return parser


def _add_queue(commands: "_Commands") -> None:
    queue: _Parser = commands.add_parser(
        "queue", help=_QUEUE_HELP, description=_QUEUE_HELP, parents=[_build_shared()], allow_abbrev=False
    )
    actions = queue.add_subparsers(metavar="ACTION", title="actions", required=True)
    for name, (help_text, add_arguments) in _QUEUE_COMMANDS.items():
        _add_command(actions, name, help_text, add_arguments, prefix="queue ")


def _build_shared(*, is_top: bool = False) -> _Parser:
    """Return the options that every command takes, before its name or after it."""
    shared = _Parser(add_help=False)
    default: Any = None if is_top else argparse.SUPPRESS
    shared.add_argument(
        "--at", metavar="DIR", default=default, help="the loop folder (else TURNROW_AT, else the current folder)"
    )
    is_set: Any = False if is_top else argparse.SUPPRESS
    shared.add_argument("--json", action="store_true", default=is_set, help="print one JSON document")
    shared.add_argument("--debug", action="store_true", default=is_set, help="show where an error came from")
    return shared


def _add_command(
    commands: "_Commands", name: str, help_text: str, add_arguments: _AddArguments, prefix: str = ""
) -> None:
    parser: _Parser = commands.add_parser(
        name, help=help_text, description=help_text, parents=[_build_shared()], allow_abbrev=False
    )
    parser.set_defaults(command=prefix + name)
    add_arguments(parser)


def read_time(text: str) -> datetime:
    """Return an ISO time; one without an offset is UTC."""
    try:
        moment = datetime.fromisoformat(text)
    except ValueError as error:
        raise argparse.ArgumentTypeError(
            f"{text!r} is no time; write it as 2026-03-31 or 2026-03-31T04:30:00+02:00 (without an offset: UTC)"
        ) from error
    return moment.replace(tzinfo=UTC) if moment.tzinfo is None else moment.astimezone(UTC)


def _read_count(text: str) -> int:
    if not text.isdecimal() or int(text) == 0:
        raise argparse.ArgumentTypeError(f"{text!r} is no count; write a whole number from 1")
    return int(text)


def _add_nothing(parser: _Parser) -> None:
    """Add no argument beside the shared ones."""


def _add_init(parser: _Parser) -> None:
    parser.add_argument("dir", metavar="DIR", type=Path, help="the folder to make, or to bring up to date")


def _add_demo(parser: _Parser) -> None:
    parser.add_argument(
        "dir",
        metavar="DIR",
        type=Path,
        nargs="?",
        default=Path("turnrow-demo"),
        help="a new or empty folder (else turnrow-demo)",
    )


def _add_pull(parser: _Parser) -> None:
    parser.add_argument("files", metavar="FILES", type=Path, nargs="*", help="exactly these files")


def _add_case(parser: _Parser) -> None:
    parser.add_argument("name", metavar="NAME", nargs="?", help="one case in full")
    choice = parser.add_mutually_exclusive_group()
    choice.add_argument(
        "--try", dest="try_file", metavar="FILE", type=Path, help="what this edited case file would change"
    )
    choice.add_argument("--park", dest="decision", action="store_const", const="park", help="set it aside")
    choice.add_argument("--reopen", dest="decision", action="store_const", const="reopen", help="take it up again")
    parser.add_argument("--by", metavar="NAME", help="who decides")


def _add_case_name(parser: _Parser) -> None:
    parser.add_argument("case", metavar="CASE", help="a failure case's name")


def _add_audit(parser: _Parser) -> None:
    choice = parser.add_mutually_exclusive_group()
    choice.add_argument("--close", action="store_true", help="make lots also of what is left over")
    choice.add_argument(
        "--resume", metavar="SOURCE", help="let the discontinued inspection of these people's answers go on"
    )
    parser.add_argument("--by", metavar="NAME", help="who has looked at the source")


def _add_holdout(parser: _Parser) -> None:
    parser.add_argument("case", metavar="CASE", help="a failure case's name, or overall:ATTRIBUTE")
    choice = parser.add_mutually_exclusive_group()
    choice.add_argument(
        "--from", dest="listed", metavar="FILE", type=Path, help="freeze exactly the samples listed in it"
    )
    choice.add_argument("--grow", metavar="N", type=_read_count, help="a next version with N more members")
    parser.add_argument(
        "--dry-run", action="store_true", help="say what it would hold and reserve for ever, and draw nothing"
    )


def _add_filter(parser: _Parser) -> None:
    parser.add_argument("--attribute", metavar="NAME", help="of this attribute only")
    parser.add_argument("--case", metavar="NAME", help="of this failure case only")
    parser.add_argument("--at-most", metavar="N", type=_read_count, help="the N most urgent")


def _add_export(parser: _Parser) -> None:
    parser.add_argument("file", metavar="FILE", type=Path, help="to write: .parquet, .csv or .jsonl")
    parser.add_argument("--open", action="store_true", help="show predictions and reasons; not blind")
    parser.add_argument(
        "--annotator", metavar="NAME", help="for this person alone: kept from others for [queue] lease_minutes"
    )
    _add_filter(parser)


def _add_import(parser: _Parser) -> None:
    parser.add_argument("file", metavar="FILE", type=Path, help="to read: .parquet, .csv or .jsonl")


def _add_renew(parser: _Parser) -> None:
    _add_attribute(parser)
    parser.add_argument("--at-most", metavar="N", type=_read_count, help="at most N labels (else ask_per_run)")


def _add_attribute(parser: _Parser) -> None:
    parser.add_argument("attribute", metavar="ATTRIBUTE", help="an attribute of turnrow.toml")


def _read_port(text: str) -> int:
    if not text.isdecimal() or int(text) > _LAST_PORT:
        raise argparse.ArgumentTypeError(f"{text!r} is no port; write 0 (any free one) to {_LAST_PORT}")
    return int(text)


def _add_answer(parser: _Parser) -> None:
    parser.add_argument("--annotator", metavar="NAME", required=True, help="who answers")
    _add_filter(parser)
    parser.add_argument(
        "--port", metavar="P", type=_read_port, default=0, help="of the loopback interface (else any free one)"
    )
    parser.add_argument("--no-browser", action="store_true", help="print the address, open no browser")


def _add_annotators(parser: _Parser) -> None:
    parser.add_argument("attribute", metavar="ATTRIBUTE", nargs="?", help="of this attribute only")


def _add_assemble(parser: _Parser) -> None:
    _add_attribute(parser)
    parser.add_argument("--as-of", metavar="TIME", type=read_time, help="as the warehouse was then")
    parser.add_argument("--dry-run", action="store_true", help="compose and check, store nothing")


def _add_verify(parser: _Parser) -> None:
    parser.add_argument("version", metavar="VERSION", help="a training set")


def _add_diff(parser: _Parser) -> None:
    parser.add_argument("old", metavar="OLD", help="a training set")
    parser.add_argument("new", metavar="NEW", help="another of the same attribute, usually a later one")


def _add_export_set(parser: _Parser) -> None:
    _add_verify(parser)
    parser.add_argument("folder", metavar="DIR", type=Path, help="to write: a new or empty folder")
    parser.add_argument(
        "--without-restricted", action="store_true", help="leave out the rows that may not be given away"
    )
    parser.add_argument("--failed-too", action="store_true", help="also a version that failed its checks")


def _add_import_set(parser: _Parser) -> None:
    _add_attribute(parser)
    parser.add_argument("file", metavar="FILE", type=Path, help="a label file, or a folder that `export` wrote")


def _add_retrain(parser: _Parser) -> None:
    _add_attribute(parser)
    parser.add_argument("--version", metavar="V", help="the training set to use (else the latest)")


def _add_predict(parser: _Parser) -> None:
    parser.add_argument("model", metavar="MODEL", help="a stored model")
    parser.add_argument("source", metavar="IN", type=Path, help="samples with features")
    parser.add_argument("target", metavar="OUT", type=Path, help="the prediction log to write")


def _add_import_model(parser: _Parser) -> None:
    _add_attribute(parser)
    parser.add_argument("path", metavar="PATH|none", help="the artefact, or none where only logs exist")
    parser.add_argument("--as", dest="model", metavar="MODEL", required=True, help="its name in the logs")
    parser.add_argument("--by", metavar="NAME", required=True, help="who signs")
    parser.add_argument(
        "--trained-on", metavar="VERSION", help="the training set it learned from, such as an imported one"
    )


def _add_sign_off(parser: _Parser) -> None:
    parser.add_argument("model", metavar="MODEL", help="a candidate")
    parser.add_argument("--by", metavar="NAME", required=True, help="who decides")
    decision = parser.add_mutually_exclusive_group(required=True)
    decision.add_argument("--accept", dest="decision", action="store_const", const="accept")
    decision.add_argument("--refuse", dest="decision", action="store_const", const="refuse")
    parser.add_argument("--note", metavar="TEXT", help="why; needed to accept against the verdict")


def _add_schedule(parser: _Parser) -> None:
    parser.add_argument("--next", action="store_true", help="tell the next runs and the last ones, start nothing")


def _add_backfill(parser: _Parser) -> None:
    _add_case_name(parser)
    parser.add_argument("--since", metavar="T", type=read_time, required=True, help="the first moment")
    parser.add_argument("--until", metavar="T", type=read_time, required=True, help="the first moment after")
    parser.add_argument(
        "--files",
        metavar="FILE",
        nargs="+",
        help="archived files (globs in quotes), to pull whole first",
    )
    parser.add_argument("--dry-run", action="store_true", help="count, write nothing")


def _add_lineage(parser: _Parser) -> None:
    parser.add_argument(
        "id",
        metavar="ID",
        nargs="?",
        help="a training set, model, label revision, fix, prediction or file; with --ask also a recording",
    )
    choice = parser.add_mutually_exclusive_group()
    choice.add_argument(
        "--format", choices=["tree", "openlineage", "prov"], default="tree", help="how it is shown (else a tree)"
    )
    choice.add_argument("--questions", action="store_true", help="list the questions that can be asked of an ID")
    choice.add_argument("--ask", metavar="QUESTION", help="one of these questions")
    parser.add_argument("--value", metavar="VALUE", help="what else the question is about, such as a person")


def _add_erase(parser: _Parser) -> None:
    parser.add_argument("recording", metavar="RECORDING", help="the recording's name, exactly as the logs have it")
    parser.add_argument("--object", dest="object_id", metavar="ID", help="only this object of it")
    parser.add_argument(
        "--sources", action="store_true", help="also rewrite the log and label files of the inbox without it"
    )
    parser.add_argument("--dry-run", action="store_true", help="tell what would go, write nothing")


def _add_why(parser: _Parser) -> None:
    parser.add_argument(
        "sample", metavar="SAMPLE", help="a sample_id, its first digits (six at least), or RECORDING/OBJECT[/TIME]"
    )
    parser.add_argument("--version", metavar="V", help="the training set to look into (else the latest)")


def _add_report(parser: _Parser) -> None:
    parser.add_argument(
        "model", metavar="MODEL", nargs="?", help="a candidate (else the one that was judged last)"
    )


def _add_sql(parser: _Parser) -> None:
    parser.add_argument("text", metavar="SELECT", help="one SELECT, in quotes")


_QUEUE_HELP = "Look at the open label fixes, hand them out, and take answers back."

_QUEUE_COMMANDS: dict[str, tuple[str, _AddArguments]] = {
    "list": ("List the open label fixes, most urgent first.", _add_filter),
    "export": ("Write the open label fixes to a file for annotators, blind unless --open.", _add_export),
    "import": ("Take annotators' answers from a file, row by row.", _add_import),
    "renew": ("Ask again what an older guideline decided, hold-outs first.", _add_renew),
}

_COMMANDS: dict[str, tuple[str, _AddArguments]] = {
    "init": ("Make a new loop folder, or bring an older one up to date.", _add_init),
    "demo": ("Run the whole loop once on an invented orchard, in a folder of its own.", _add_demo),
    "check-setup": ("Tell what is wrong with the loop folder and how to mend it.", _add_nothing),
    "pull": ("Take prediction logs and label files into the warehouse.", _add_pull),
    "flag": (
        "Find mispredictions by rule, sort them into failure cases, and queue what is doubted.",
        _add_nothing,
    ),
    "case": ("Show all failure cases, one in full, or what an edited case file would change.", _add_case),
    "mine": ("Queue the unlabelled samples that are most likely to help a failure case.", _add_case_name),
    "watch": (
        "Draw the random watch of served traffic that is due, and tell what it says of models, rules and cases.",
        _add_nothing,
    ),
    "answer": ("Answer label fixes on a local page, with the keyboard alone.", _add_answer),
    "annotators": (
        "Show how far the annotators agree, how right each seems to be, and what rests on those who err.",
        _add_annotators,
    ),
    "settle": ("Turn agreeing answers into labels and freeze hold-outs that are full.", _add_nothing),
    "audit": ("Audit lots of settled label fixes by samples; only a passed lot may train.", _add_audit),
    "holdout": ("Draw and freeze the fair test of a failure case or of a whole attribute.", _add_holdout),
    "assemble": ("Make and check a new version of an attribute's training set.", _add_assemble),
    "verify": ("Rebuild a training set from the warehouse and compare digests.", _add_verify),
    "diff": ("Say what changed between two versions of a training set, and why.", _add_diff),
    "export": ("Write a training set with its description, datasheet and sums to a folder.", _add_export_set),
    "import-set": ("Make a labelled set that exists already an attribute's first training set.", _add_import_set),
    "retrain": ("Train a candidate, evaluate it on the hold-outs and judge it.", _add_retrain),
    "predict": ("Run a stored model over a file of samples and write a prediction log.", _add_predict),
    "import-model": ("Take in a model that was trained elsewhere as the first incumbent.", _add_import_model),
    "sign-off": ("Record a person's decision on a candidate; Turnrow is no safety case.", _add_sign_off),
    "nightly": ("Run the nightly flow once, now: pull, flag, settle, mine, and due rounds.", _add_nothing),
    "round": ("Run a round once, now: assemble, retrain, evaluate and judge.", _add_attribute),
    "schedule": ("Run nightly and round unattended, by the cron lines of turnrow.toml.", _add_schedule),
    "backfill": ("Match one failure case with the history between two moments.", _add_backfill),
    "lineage": ("Show where a training set, model, label or file came from and what came of it.", _add_lineage),
    "why": ("Show one sample's whole life, and why it is not in a training set.", _add_why),
    "erase": ("Remove a recording's data everywhere, and name what was made of it.", _add_erase),
    "status": ("Show where the loop stands, on one screen, and what to do next.", _add_nothing),
    "report": ("Write one page about a candidate, to read offline or to print.", _add_report),
    "sql": ("Run one SELECT on the warehouse, read-only.", _add_sql),
}
