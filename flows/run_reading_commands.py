"""The commands that only read, and the state of a case that a person sets."""

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from flows.answer import Answer, Request
from tasks.errors import SettingsError
from tasks.make_plain import make_plain

if TYPE_CHECKING:
    from tasks.export_fixes import QueueFilter


def show_status(request: Request) -> Answer:
    """`status`: where the loop stands, and what to do next."""
    from tasks.read_status import read_status
    from tasks.suggest_next import suggest_next

    status = read_status(request.loop, *request.case_files)
    return Answer({**make_plain(status), "next": make_plain(suggest_next(status))})


def check_setup(request: Request) -> Answer:
    """`check-setup`: what is wrong and how to mend it; exit code 1 where anything is."""
    from tasks.findings import WRONG, tell_error

    try:
        loop, (cases, errors) = request.loop, request.case_files
    except SettingsError as error:
        findings = [tell_error("settings", error)]
    else:
        from tasks.check_setup import check_setup as check

        findings = check(loop, cases, errors)
    wrong = sum(finding.level == WRONG for finding in findings)
    document = {"is_ready": not wrong, "findings": make_plain(findings)}
    if not wrong:
        return Answer(document)
    things = "1 thing is" if wrong == 1 else f"{wrong} things are"
    return Answer(document, 1, (f"{request.folder}: {things} wrong; mend what the list marks so, and look again",))


def show_cases(request: Request) -> Answer:
    """`case`: all cases, one in full, a trial of an edited file, or a person's decision."""
    options = request.options
    if options.try_file is not None:
        return _try_case(request)
    if options.decision is not None:
        return _decide_case(request)
    if options.name is not None:
        return _describe_case(request)
    from tasks.read_status import read_status

    status = read_status(request.loop, *request.case_files)
    problems = tuple(status.case_errors)
    return Answer({"cases": make_plain(status.cases)}, 1 if problems else 0, problems)


def _try_case(request: Request) -> Answer:
    from tasks.describe_cases import try_case

    return Answer(make_plain(try_case(request.loop, request.options.try_file, request.options.name)))


def _decide_case(request: Request) -> Answer:
    from tasks.describe_cases import set_case_state

    case = request.find_case(request.options.name)
    return Answer(set_case_state(request.loop, case.case, request.options.decision, request.options.by))


def _describe_case(request: Request) -> Answer:
    from tasks.describe_cases import describe_case

    description: dict[str, Any] = make_plain(describe_case(request.loop, request.find_case(request.options.name)))
    description["case"]["path"] = request.loop.relate(request.find_case(request.options.name).path)
    return Answer(description)


def list_queue(request: Request) -> Answer:
    """`queue list`: the open fixes."""
    from tasks.export_fixes import list_fixes

    return Answer({"fixes": make_plain(list_fixes(request.loop, read_filter(request)))})


def read_filter(request: Request) -> "QueueFilter":
    """Return which open fixes the options mean. Raises UnknownNameError for an unknown attribute or case."""
    from tasks.export_fixes import QueueFilter
    from tasks.find_names import find_attribute

    options = request.options
    if options.attribute is not None:
        find_attribute(request.loop, options.attribute)
    if options.case is not None:
        request.find_case(options.case)
    return QueueFilter(options.attribute, options.case, options.at_most)


def show_annotators(request: Request) -> Answer:
    """`annotators`: agreement, accuracy, and what rests on those below the floor."""
    from tasks.find_names import find_attribute
    from tasks.report_annotators import report_annotators

    loop, name = request.loop, request.options.attribute
    attributes = [find_attribute(loop, name)] if name else list(loop.settings.attribute.values())
    return Answer(
        {
            "annotator_floor": loop.settings.answers.annotator_floor,
            "attributes": make_plain([report_annotators(loop, attribute) for attribute in attributes]),
        }
    )


def show_diff(request: Request) -> Answer:
    """`diff`: what changed between two versions, and why."""
    from tasks.diff_versions import diff_versions

    options = request.options
    return Answer(make_plain(diff_versions(request.loop, options.old, options.new)))


def show_lineage(request: Request) -> Answer:
    """`lineage`: where a thing came from and what came of it; in an open format; or a question about it."""
    options = request.options
    if options.questions or options.ask is not None:
        return _ask_lineage(request)
    if options.format != "tree":
        return _describe_lineage(request)
    from tasks.trace_lineage import trace_lineage

    return Answer(make_plain(trace_lineage(request.loop, options.id)))


def _ask_lineage(request: Request) -> Answer:
    from tasks.ask_lineage import ask_lineage, list_questions

    options = request.options
    if options.questions:
        return Answer({"questions": make_plain(list_questions())})
    return Answer(make_plain(ask_lineage(request.loop, options.ask, options.id, options.value)))


def _describe_lineage(request: Request) -> Answer:
    from tasks.trace_provenance import trace_provenance

    found = trace_provenance(request.loop, request.options.id)
    if request.options.format == "openlineage":
        from tasks.describe_openlineage import describe_openlineage

        return Answer({"events": describe_openlineage(found)})
    from tasks.describe_prov import describe_prov

    return Answer(describe_prov(found))


def show_why(request: Request) -> Answer:
    """`why`: a sample's whole life; exit code 1 where several samples may be meant."""
    from tasks.explain_sample import explain_sample
    from tasks.find_sample import Matches

    options = request.options
    found = explain_sample(request.loop, options.sample, options.version)
    if not isinstance(found, Matches):
        return Answer(make_plain(found))
    problem = f"{options.sample}: may be any of {found.count:,} samples; name one by its sample_id"
    return Answer({"matches": make_plain(found.rows), "match_count": found.count}, 1, (problem,))


def write_report(request: Request) -> Answer:
    """`report`: a page about a candidate; the warehouse is only read."""
    from flows.print_report import suggest_after_report
    from tasks.write_report import write_report as write

    cases, errors = request.case_files
    done = write(request.loop, cases, request.options.model)
    facts, verdict = done.facts, done.facts["verdict"] or {}
    document = {
        "model": facts["model"]["model_version"],
        "attribute": facts["attribute"],
        "is_invented": facts["is_invented"],
        "verdict": verdict.get("verdict"),
        "reason": verdict.get("reason"),
        "report": done.report,
        "report_json": done.report_json,
        "is_new": done.is_new,
        "next": suggest_after_report(facts),
        "facts": facts,
    }
    return Answer(document, problems=tuple(str(error) for error in errors))


def run_sql(request: Request) -> Answer:
    """Run `sql`; the document's `rows` wait in a QueryAnswer until they are shown."""
    from tasks.query_warehouse import query_warehouse

    found = query_warehouse(request.loop, request.options.text)
    return Answer({"columns": found.columns, "rows": found})


READING: dict[str, Callable[[Request], Answer]] = {
    "status": show_status,
    "check-setup": check_setup,
    "case": show_cases,
    "queue list": list_queue,
    "annotators": show_annotators,
    "diff": show_diff,
    "lineage": show_lineage,
    "why": show_why,
    "report": write_report,
    "sql": run_sql,
}
