"""Hold-outs chosen by the incumbent's errors: told where they are listed, and no candidate passes on them."""

from typing import Any

import pytest

from tasks.import_model import import_model

KINDS = ("person", "crate", "foliage")
WARNING = "without any true change"


def serve(orchard: Any, field: Any, dusk: list[Any], *, labelled: bool = True) -> Any:
    """A model known by its logs that calls crouched people crates, its overall hold-out, what it saw at dusk."""
    case = orchard.case()
    import_model(orchard.loop, "obstacle", None, model_version="m1", signed_by="A. Picker")
    overall = [row for kind in KINDS for row in field.sights(kind, 30, "held")]
    learned = field.sights("crouched", 20, "log")
    base = [row for kind in KINDS for row in field.sights(kind, 12, "base")]
    orchard.pull(field.predict(dusk + overall))
    orchard.pull(field.label(overall + base))
    orchard.hold(overall)
    if labelled:
        orchard.pull(field.label(dusk))
        orchard.flag(case)
    return case, learned


def judge(orchard: Any, field: Any, case: Any, learned: list[Any]) -> Any:
    """Learn from the served errors and judge."""
    orchard.pull(field.predict(learned))
    orchard.pull(field.label(learned))
    orchard.flag(case)
    orchard.assemble()
    return orchard.retrain(case)


@pytest.mark.parametrize("right", [0, 3, 4])
def test_a_list_of_nothing_but_errors_passes_nobody(orchard: Any, field: Any, right: int) -> None:
    """The candidate is right on all of it, and yet: a tenth that the incumbent got right makes it a test."""
    dusk = field.sights("crouched", 30, "held") + field.standing(right)
    case, learned = serve(orchard, field, dusk)
    told = orchard.hold(dusk, case).warning
    result = judge(orchard, field, case, learned)
    (target,) = [c for c in result.criteria if c.criterion == "target:crouched-picker"]
    assert target.estimate > 0.8
    if right == 4:
        assert (told, result.verdict) == ("", "passed"), result.reason
        return
    assert f"30 of its {30 + right} samples are flagged as mispredictions" in told
    assert result.verdict == target.verdict == "undecided"
    assert (
        f"crouched-picker: biased hold-out: the incumbent is wrong on 30 of the {30 + right} samples"
        in target.reason
    )
    assert WARNING in target.reason and WARNING in result.reason


def test_a_draw_of_nothing_but_known_errors_passes_nobody(orchard: Any, field: Any) -> None:
    """Where people look at errors alone, a scope by truth holds nothing else."""
    case, learned = serve(orchard, field, field.sights("crouched", 20, "held"))
    orchard.holdout(case)
    result = judge(orchard, field, case, learned)
    assert result.verdict == "undecided"
    assert "nearly all flagged already" in result.reason and WARNING in result.reason


def test_what_is_known_as_an_error_does_not_depend_on_which_command_ran_first(orchard: Any, field: Any) -> None:
    """The labels of the errors are there at the draw; `flag` runs only after it."""
    dusk = field.sights("crouched", 20, "held")
    case, learned = serve(orchard, field, dusk, labelled=False)
    orchard.pull(field.label(dusk))
    orchard.holdout(case)
    assert orchard.number("select count(*) from holdout_member where stratum = 'flagged'") == 20
    assert WARNING in judge(orchard, field, case, learned).reason


def test_a_case_that_is_hard_throughout_may_pass_where_nobody_knew(orchard: Any, field: Any) -> None:
    """Drawn before anything was labelled: the incumbent is wrong on all of it, which no choice of ours made so."""
    case, learned = serve(orchard, field, field.sights("crouched", 20, "held"), labelled=False)
    assert orchard.holdout(case).missing == 20
    orchard.answer()
    assert orchard.holdout(case).missing == 0
    result = judge(orchard, field, case, learned)
    assert result.verdict == "passed", result.reason


def test_an_overall_holdout_of_errors_guards_nothing(orchard: Any, field: Any) -> None:
    """Who is right on nothing has nothing to lose."""
    dusk = field.sights("crouched", 30, "held") + field.standing(4)
    case = orchard.case()
    import_model(orchard.loop, "obstacle", None, model_version="m1", signed_by="A. Picker")
    errors, learned = field.sights("crouched", 30, "whole"), field.sights("crouched", 20, "log")
    orchard.pull(field.predict(dusk + errors))
    orchard.pull(field.label(dusk + errors + [row for kind in KINDS for row in field.sights(kind, 12, "base")]))
    orchard.flag(case)
    assert "30 of its 30" in orchard.hold(errors).warning
    orchard.hold(dusk, case)
    result = judge(orchard, field, case, learned)
    (guard,) = [c for c in result.criteria if c.criterion == "guard:whole"]
    assert (guard.verdict, result.verdict) == ("undecided", "undecided")
    assert "overall:obstacle: biased hold-out: " in guard.reason
    assert "turnrow holdout overall:obstacle --grow N" in guard.reason


LIKE_MEMBERS = """
case = "crouched-picker"
attribute = "obstacle"
question = "Is a picker crouched beside a crate read as a crate?"
[members]
where = "predicted = 'crate' and truth = 'person'"
[scope]
similar_to = "members"
similarity_at_least = 0.9
[mine]
nearest = 1
"""


def point(field: Any, prefix: str, kind: str, number: int, axis: int, tilt: float) -> Any:
    """A sample that looks along one of sixteen axes, a little tilted; two axes have nothing in common."""
    features = [0.0] * 16
    features[axis], features[15] = 1.0, tilt
    return field.sight(kind, f"{prefix}-{kind}-{number:03d}", minute=number, features=features)


@pytest.mark.parametrize("is_fair", [False, True])
def test_a_list_by_likeness_that_counts_a_member_as_like_itself_passes_nobody(
    orchard: Any, field: Any, is_fair: bool
) -> None:
    """Of 14 lonely errors none is like another one; what is like an error and right lies beside the first four."""
    case = orchard.case(LIKE_MEMBERS)
    import_model(orchard.loop, "obstacle", None, model_version="m1", signed_by="A. Picker")
    lonely = [point(field, "held", "crouched", axis, axis, 0.0) for axis in range(14)]
    near = [point(field, "held", "person", 100 + n, n % 4, 0.1 + n / 100) for n in range(20)]
    base = [point(field, "base", kind, 200 + n, n % 14, 0.6) for n, kind in enumerate(KINDS * 12)]
    overall = [point(field, "whole", kind, 300 + n, n % 14, 0.3) for n, kind in enumerate(KINDS * 10)]
    learned = [point(field, "log", "crouched", 400 + n, n % 4, -0.2) for n in range(8)]
    orchard.pull(field.predict(lonely + near + overall + learned))
    orchard.pull(field.label(lonely + near + overall + base + learned))
    orchard.flag(case)
    orchard.hold(overall)
    # With `learned` the first four errors have a like: they are in the scope without themselves.
    told = orchard.hold((lonely[:4] if is_fair else lonely) + near, case).warning
    orchard.assemble()
    result = orchard.retrain(case)
    reasons = [c.reason for c in result.criteria if c.criterion == "target:crouched-picker"]
    if is_fair:
        assert told == ""
        assert not any(WARNING in reason for reason in reasons)
        return
    assert "10 of the 34 samples" in told and "only by likeness to themselves" in told
    assert result.verdict != "passed"
    assert reasons and all(WARNING in reason for reason in reasons)
