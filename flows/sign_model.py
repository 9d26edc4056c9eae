"""`sign-off`: a person's decision, and the model's report written anew, so that it names who decided."""

from tasks.loop import Loop
from tasks.read_settings import read_cases
from tasks.sign_off import SignOffSummary, sign_off
from tasks.track_run import describe_error


def sign_model(
    loop: Loop, model_version: str, *, signed_by: str, decision: str, note: str | None = None
) -> tuple[SignOffSummary, tuple[str, ...]]:
    """Record a decision as `sign_off` does; return it, and what went wrong with the report, if there is one.

    The decision stands already then, so whatever goes wrong is only told.
    """
    summary = sign_off(loop, model_version, signed_by=signed_by, decision=decision, note=note)
    if not (loop.folder / "reports" / f"{model_version}.html").exists():
        return summary, ()
    from tasks.write_report import write_report

    try:
        write_report(loop, read_cases(loop.folder, loop.settings)[0], model_version)
    except Exception as error:  # also one that nobody expected: a page must not hide a decision
        told = f"the report of {model_version} was not written anew ({describe_error(error)})"
        return summary, (f"{told}: turnrow report {model_version}",)
    return summary, ()
