"""`round`: one attribute once round the loop's second half: assemble, check, retrain, evaluate, gate, report."""

from collections.abc import Sequence
from dataclasses import dataclass

from flows.attempt_steps import Perform, perform_plainly
from schemas.case_file import FailureCase
from tasks.assemble_training_set import AssembleSummary, assemble_training_set
from tasks.find_names import find_attribute
from tasks.gate_criteria import Criterion
from tasks.loop import Loop
from tasks.read_settings import read_cases
from tasks.retrain_model import RetrainSummary, retrain_model
from tasks.track_run import describe_error, track_run
from tasks.write_report import write_report


@dataclass(frozen=True)
class RoundSummary:
    """What a round ended with. Without a `model` the training set failed its checks: nothing was trained.

    `report`: the page about the candidate; None with a model where it could not be written, which `problems` tell.
    """

    run_id: str
    attribute: str
    training_set: str | None
    model: str | None
    control_model: str | None
    verdict: str
    reason: str
    criteria: tuple[Criterion, ...]
    report: str | None = None
    problems: tuple[str, ...] = ()

    @property
    def counts(self) -> dict[str, object]:
        """The summary in short, as `flow_run` keeps it."""
        names = ("training_set", "model", "control_model", "verdict")
        return {name: getattr(self, name) for name in names}


def run_round(loop: Loop, attribute_name: str, perform: Perform = perform_plainly) -> RoundSummary:
    """Assemble a version and retrain on it; the verdict is the gate's, or `failed` where a check failed.

    Raises UnknownNameError for an attribute that is not there, NotYetError where there is nothing to train
    on, TrainerError where training fails.
    """
    find_attribute(loop, attribute_name)
    with track_run(loop, "round", {"attribute": attribute_name}) as run:
        assembled = perform("assemble", attribute_name, lambda: assemble_training_set(loop, attribute_name))
        summary = (
            _report_checks(run.run_id, attribute_name, assembled)
            if assembled.state == "failed"
            else _retrain(loop, run.run_id, attribute_name, assembled.version, perform)
        )
        run.counts = summary.counts | {"rows": assembled.row_count}
        return summary


def _retrain(loop: Loop, run_id: str, attribute_name: str, version: str | None, perform: Perform) -> RoundSummary:
    cases, _ = read_cases(loop.folder, loop.settings)  # a file that cannot be read is for check-setup to tell

    def retrain() -> RetrainSummary:
        return retrain_model(loop, attribute_name, cases, version=version)

    done = perform("retrain", attribute_name, retrain)
    report, problems = _report(loop, cases, done.model, perform)
    return RoundSummary(
        run_id,
        attribute_name,
        done.training_set,
        done.model,
        done.control_model,
        done.verdict,
        done.reason,
        done.criteria,
        report,
        problems,
    )


def _report(
    loop: Loop, cases: Sequence[FailureCase], model: str, perform: Perform
) -> tuple[str | None, tuple[str, ...]]:
    """Write the candidate's report; the verdict stands already, so whatever goes wrong here is only told."""
    try:
        return perform("report", model, lambda: write_report(loop, cases, model)).report, ()
    except Exception as error:  # also one that nobody expected: a page must not lose a verdict
        return None, (f"the report of {model} was not written ({describe_error(error)}): turnrow report {model}",)


def _report_checks(run_id: str, attribute_name: str, assembled: AssembleSummary) -> RoundSummary:
    failed = [
        f"{check.check_name} ({check.failing_count} rows)"
        for check in assembled.checks
        if check.requirement == "must" and not check.passed
    ]
    reason = f"training set {assembled.version} failed {', '.join(failed)}; nothing was trained"
    return RoundSummary(run_id, attribute_name, assembled.version, None, None, "failed", reason, ())
