"""The facts of a report on a model, from the warehouse: as of its verdict, and what a person did since."""

from collections.abc import Iterator, Sequence
from dataclasses import replace

from schemas.case_file import FailureCase
from tasks.embed_pictures import embed_pictures
from tasks.gate_criteria import BIASED
from tasks.gather_lineage_facts import compare_sets, gather_cost, gather_data, gather_lineage, name_old_set
from tasks.gather_service import gather_service
from tasks.loop import Loop
from tasks.read_judgement import Judgement, read_judgement
from tasks.read_report_figures import Measured, read_measured
from tasks.report_facts import ReportFacts
from tasks.sign_off import CAUTIONS
from tasks.warehouse import open_warehouse

DEMO_MARK = ".demo"  # the folder by which `demo` marks a loop as its own
_UNSEEN = (
    "A thing that no model predicted at all stands in no log, and so in none of these figures, except where a "
    "label names it."
)


def gather_report(loop: Loop, cases: Sequence[FailureCase], model_version: str | None = None) -> ReportFacts:
    """Return the facts about a model, by default the candidate that was judged last; writes nothing.

    `cases` are what the case files say now. Raises NotYetError where no candidate was judged, UnknownNameError for
    a model that is not there or whose attribute is not in the settings any more, InputError for a control.
    """
    with open_warehouse(loop, write=False) as warehouse:
        judgement = read_judgement(warehouse, cases, model_version)
        own = [case for case in cases if case.attribute == judgement.attribute.name]
        measured = read_measured(warehouse, own, judgement)
        data = gather_data(warehouse.connection, judgement)
        cost = gather_cost(warehouse.connection, judgement)
        lineage = gather_lineage(warehouse.connection, judgement)
        service = gather_service(warehouse, own, judgement)
    data = replace(data, change=compare_sets(loop, name_old_set(judgement), data.version))
    return ReportFacts(
        is_invented=(loop.folder / DEMO_MARK).is_dir(),
        attribute=judgement.attribute.name,
        kind=judgement.attribute.kind,
        unit=judgement.attribute.unit,
        critical=measured.attribute.critical,
        model=judgement.model,
        roles=judgement.roles,
        verdict=judgement.verdict,
        criteria=judgement.criteria,
        cautions=(*_list_cautions(judgement, measured), *CAUTIONS),
        sign_offs=judgement.sign_offs,
        data=data,
        figures=measured.figures,
        losses=measured.losses,
        confusion=measured.confusion,
        broken=embed_pictures(loop, measured.broken, measured.media),
        fixed=embed_pictures(loop, measured.fixed, measured.media),
        history=measured.history,
        cost=cost,
        holdouts=measured.holdouts,
        lineage=lineage,
        service=service,
    )


def _list_cautions(judgement: Judgement, measured: Measured) -> Iterator[str]:
    """Yield what a reader must know of this very verdict, before what holds for every one."""
    if judgement.verdict is None:
        yield "The gate never judged this model: nothing here says how good it is."
        return
    if judgement.verdict.is_stale:
        again = "" if judgement.sign_offs else " Run turnrow retrain again."
        yield (
            "The verdict is of its own moment: since then a hold-out was frozen, another model accepted, or the "
            f"gate's or a case's settings changed.{again}"
        )
    if judgement.roles["incumbent"] is None:
        yield "This is a first model: there was none in service to compare it with."
    elif judgement.roles["control"] is None:
        yield "There is no control: what the candidate gained is not shown to come from the data."
    yield from _list_biases(judgement)
    yield from _list_holdout_cautions(measured)
    yield _UNSEEN


def _list_biases(judgement: Judgement) -> Iterator[str]:
    """Yield, once a hold-out, why the gate believes nothing of it."""
    found = (row.reason.rpartition(BIASED)[2] for row in judgement.criteria if BIASED in row.reason)
    for bias in dict.fromkeys(found):
        yield f"A hold-out was chosen by the incumbent's errors: {bias}."


def _list_holdout_cautions(measured: Measured) -> Iterator[str]:
    for held in measured.holdouts:
        name = held.facts["case_name"]
        if held.facts["source"] == "file":
            yield f"The hold-out {name} was handed in as a file: how its samples were chosen is not known here."
    for figure in measured.figures:
        is_whole = (figure.metric, figure.slice) == ("accuracy", "all")
        if is_whole and figure.before is not None and figure.before.value == 0:
            yield f"On the hold-out {figure.holdout} the incumbent is right on nothing: it cannot get worse there."
    if any(held.erased_count for held in measured.holdouts):
        yield (
            "Recordings were erased since the verdict: figures are those of then, and counts of samples are of "
            "what is left."
        )
