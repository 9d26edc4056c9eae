"""What cannot be answered is refused with the argument's name; nothing is guessed."""

import subprocess
import sys
from typing import Any

import numpy as np
import pytest

from tasks import statistics

NAN = float("nan")

BAD_CALLS: list[tuple[str, tuple[Any, ...], dict[str, Any], str]] = [
    ("wilson_interval", (1, 0), {}, "trials must be more than 0"),
    ("wilson_interval", (5, 4), {}, "successes must be at most trials"),
    ("wilson_interval", (-1, 4), {}, "successes must be a finite number of at least 0"),
    ("wilson_interval", (NAN, 4), {}, "successes"),
    ("wilson_interval", (1, float("inf")), {}, "trials"),
    ("wilson_interval", ("few", 4), {}, "successes must be a number"),
    ("wilson_interval", (1, 4, 0), {}, "confidence must lie between 0 and 1"),
    ("wilson_interval", (1, 4, 1), {}, "confidence"),
    ("wilson_interval", (1, 4, 95), {}, "confidence"),
    ("wilson_interval", (1, 4, NAN), {}, "confidence"),
    ("clopper_pearson_interval", (0, 0), {}, "trials must be more than 0"),
    ("clopper_pearson_interval", (1.5, 4), {}, "successes must be a whole number"),
    ("clopper_pearson_interval", (1, 4, 1.2), {}, "confidence"),
    ("paired_difference_interval", (0, 0, 0, 0), {}, "must not all be 0"),
    ("paired_difference_interval", (3, -1, 2, 4), {}, "first_only"),
    ("paired_difference_interval", (3, 1, 2.5, 4), {}, "second_only must be a whole number"),
    ("paired_difference_interval", (3, 1, 2, NAN), {}, "neither"),
    ("paired_difference_interval", (3, 1, 2, 4, 0), {}, "confidence"),
    ("independent_difference_interval", (1, 2, 0, 0), {}, "trials_2"),
    ("independent_difference_interval", (3, 2, 0, 1), {}, "successes_1 must be at most trials_1"),
    ("independent_difference_interval", (1, 2, 0, 1, -0.5), {}, "confidence"),
    ("mcnemar_exact", (-1, 3), {}, "first_only"),
    ("mcnemar_exact", (1, 3.5), {}, "second_only must be a whole number"),
    ("mcnemar_exact", (NAN, 3), {}, "first_only"),
    (
        "clustered_paired_test",
        ([1], [0], [2], "mantel"),
        {},
        "method must be one of obuchowski, durkalski, yang",
    ),
    ("clustered_paired_test", ([1, 2], [0], [2, 2]), {}, "first_only has 2, second_only has 1"),
    ("clustered_paired_test", ([1, 2], [0, 1], [2, 2]), {}, "at most sizes, but entry 1"),
    ("clustered_paired_test", ([-1, 2], [0, 0], [2, 2]), {}, "first_only .* entry 0"),
    ("clustered_paired_test", ([1, 2], [0, 0.5], [2, 3]), {}, "second_only .* entry 1"),
    ("clustered_paired_test", ([1, 2], [0, 0], [2, NAN]), {}, "sizes"),
    ("clustered_paired_test", ([], [], []), {}, "first_only must not be empty"),
    ("holm", ([0.1, 1.2],), {}, "p_values"),
    ("holm", ([0.1, NAN],), {}, "p_values .* entry 1 is nan"),
    ("holm", ([-0.1],), {}, "p_values"),
    ("holm", ([[0.1]],), {}, "one-dimensional"),
    ("sampled_share_interval", ([1, 2], [1, 1], ["a", "b"]), {}, "outcomes"),
    ("sampled_share_interval", ([1, 0], [1, -1], ["a", "b"]), {}, "weights"),
    ("sampled_share_interval", ([1, 0], [0, 0], ["a", "b"]), {}, "weights must not be 0 throughout"),
    ("sampled_share_interval", ([1, 0], [1, 1], ["a"]), {}, "clusters has 1"),
    ("sampled_share_interval", ([1, 0], [1, 1], ["a", "b"], 1.0), {}, "confidence"),
    ("pooled_risk_ratio", ([(1, 2, 1, 0)],), {}, "both sides have tracks"),
    ("pooled_risk_ratio", ([(0, 2, 0, 2)],), {}, "hold an error"),
    ("pooled_risk_ratio", ([(1, 2, 1, 2)],), {"scale": 0.5}, "scale must be at least 1"),
    ("overdispersion_test", ([(0, 2), (0, 2)],), {}, "must hold errors"),
    ("overdispersion_test", ([(1, 1), (0, 1)],), {}, "a cluster of two tracks"),
    ("dispersion_scale", ([(1, 2)],), {}, "in two clusters of a side"),
    ("zero_failure_sample_size", (1, 0.9), {}, "confidence"),
    ("zero_failure_sample_size", (0.9, 1), {}, "reliability"),
    ("zero_failure_sample_size", (0.9, 0), {}, "reliability"),
    ("zero_failure_sample_size", (NAN, 0.5), {}, "confidence"),
    ("pairs_needed", (0.1, 0.1), {}, "must differ"),
    ("pairs_needed", (0.7, 0.6), {}, "sum to at most 1"),
    ("pairs_needed", (-0.1, 0.6), {}, "first_only_share"),
    ("pairs_needed", (0.1, NAN), {}, "second_only_share"),
    ("pairs_needed", (0.1, 0.2, 0), {}, "alpha"),
    ("pairs_needed", (0.1, 0.2, 0.05, 1), {}, "power"),
    ("population_stability_index", ([1, 2], [1]), {}, "expected has 2, actual has 1"),
    ("population_stability_index", ([0, 0], [1, 2]), {}, "expected must not be 0 throughout"),
    ("population_stability_index", ([1, 2], [3, -1]), {}, "actual .* entry 1"),
    ("population_stability_index", ([], []), {}, "expected must not be empty"),
    ("population_stability_index", ([1, NAN], [1, 1]), {}, "expected"),
    ("expected_calibration_error", ([0.5], [1, 0]), {}, "equally many"),
    ("expected_calibration_error", ([1.5], [1]), {}, "confidence"),
    ("expected_calibration_error", ([0.5], [2]), {}, "correct"),
    ("expected_calibration_error", ([0.5], [1], 0), {}, "bins"),
    ("expected_calibration_error", ([], []), {}, "confidence must not be empty"),
    ("brier_score", ([0.5], [0.5]), {}, "outcome"),
    ("brier_score", ([NAN], [1]), {}, "probability"),
    ("brier_score", ([0.5, 0.1], [1]), {}, "equally many"),
    ("brier_score", ([], []), {}, "probability must not be empty"),
    ("effective_sample_size", ([],), {}, "weights must not be empty"),
    ("effective_sample_size", ([0, 0],), {}, "weights"),
    ("effective_sample_size", ([1, -1],), {}, "weights"),
    ("clustered_difference_interval", ([1, 2], [0, 1], [1, 2]), {}, "first_correct .* entry 1 is 2"),
    ("clustered_difference_interval", ([1, 0], [0], [1, 2]), {}, "second_correct has 1"),
    ("clustered_difference_interval", ([1, 0], [0, 1], [1]), {}, "clusters has 1"),
    ("clustered_difference_interval", ([1, 0], [0, 1], ["a", None]), {}, "clusters .* missing"),
    ("clustered_difference_interval", ([1, 0], [0, 1], [1.0, NAN]), {}, "clusters .* missing"),
    ("clustered_difference_interval", ([1, 0], [0, 1], [1, 2], 1.0), {}, "confidence"),
    ("clustered_difference_interval", ([1, 0], [0, 1], [1, 2]), {"weights": [1]}, "weights has 1"),
    ("clustered_difference_interval", ([1, 0], [0, 1], [1, 2]), {"weights": [1, -1]}, "weights"),
    ("clustered_difference_interval", ([1, 0], [0, 1], [1, 2]), {"weights": [0, 0]}, "weights"),
    ("clustered_difference_interval", ([1, 0], [0, 1], [1, 2]), {"draws": 10}, "draws must be at least 100"),
    ("clustered_difference_interval", ([1, 0], [0, 1], [1, 2]), {"first_counted": [0, 0]}, "first_counted"),
    (
        "clustered_difference_interval",
        ([1, 0], [0, 1], [1, 2]),
        {"second_counted": [1]},
        "second_counted has 1",
    ),
    ("clustered_difference_interval", ([], [], []), {}, "first_correct must not be empty"),
    ("cohen_kappa", ([], []), {}, "first must not be empty"),
    ("cohen_kappa", (["a"], ["a", "b"]), {}, "first has 1, second has 2"),
    ("cohen_kappa", (["a", None], ["a", "b"]), {}, "first must not hold a missing label, but entry 1"),
    ("cohen_kappa", ([1.0, 2.0], [1.0, NAN]), {}, "second must not hold a missing label, but entry 1"),
    ("cohen_kappa", (["a", "a"], ["a", "a"]), {}, "first and second hold one label only"),
    ("fleiss_kappa", ([],), {}, "counts must be a table"),
    ("fleiss_kappa", ([1, 2],), {}, "counts must be a table"),
    ("fleiss_kappa", ([[1, 2], [3]],), {}, "each row of one length"),
    ("fleiss_kappa", ([[1, 2], [2, -1]],), {}, "counts must hold whole numbers of at least 0"),
    ("fleiss_kappa", ([[1.5, 1.5]],), {}, "counts must hold whole numbers"),
    ("fleiss_kappa", ([[1, NAN]],), {}, "counts must hold whole numbers"),
    ("fleiss_kappa", ([[1, 2], [2, 2]],), {}, "row 0 has 3 and row 1 4; krippendorff_alpha takes missing"),
    ("fleiss_kappa", ([[1, 0], [0, 1]],), {}, "at least two ratings, not 1"),
    ("fleiss_kappa", ([[2, 0], [2, 0]],), {}, "counts hold one label only"),
    ("krippendorff_alpha", ([],), {}, "at least two raters, not 0"),
    ("krippendorff_alpha", ([["a", "b"]],), {}, "at least two raters, not 1"),
    ("krippendorff_alpha", ([["a", "b"], ["a"]],), {}, "same length, not 1, 2"),
    ("krippendorff_alpha", ([["a", None], [None, "b"]],), {}, "at least one item that two raters have rated"),
    ("krippendorff_alpha", ([[NAN], [1.0]],), {}, "at least one item that two raters have rated"),
    ("krippendorff_alpha", ([["a", "a"], ["a", "a"]],), {}, "ratings hold one label only"),
    ("weigh_answers", ([], ["a", "b"]), {}, "answers must not be empty"),
    ("weigh_answers", ([("i", "p", "c")], ["a", "b"]), {}, "one of the labels a, b, but row 0 gives 'c'"),
    ("weigh_answers", ([("i", "p", "a"), ("i", "q", None)], ["a", "b"]), {}, "missing value, but row 1"),
    ("weigh_answers", ([("i", "p", NAN)], ["a", "b"]), {}, "answers must not hold a missing value"),
    ("weigh_answers", ([(None, "p", "a")], ["a", "b"]), {}, "answers must not hold a missing value"),
    ("weigh_answers", ([("i", "p")], ["a", "b"]), {}, r"\(item, annotator, label\) rows, but row 0"),
    ("weigh_answers", ([("i", "p", "a")], ["a"]), {}, "labels must name at least two"),
    ("weigh_answers", ([("i", "p", "a")], ["a", "b", "a"]), {}, "labels must not name a label twice"),
    ("weigh_answers", ([("i", "p", "a")], ["a", None]), {}, "labels must not hold a missing value"),
    ("weigh_answers", ([("i", "p", "a")], ["a", "b"], "mean"), {}, "method must be accuracy or confusion"),
    ("weigh_answers", ([("i", "p", "a")], ["a", "b"]), {"class_shares": "known"}, "class_shares must be"),
    ("sampling_plan", (1, 1.0), {}, "lot_size must be at least 2"),
    ("sampling_plan", (-5, 1.0), {}, "lot_size"),
    ("sampling_plan", (NAN, 1.0), {}, "lot_size"),
    ("sampling_plan", (10.5, 1.0), {}, "lot_size must be a whole number"),
    ("sampling_plan", (100, 3), {}, "aql must be a percentage that the tables have, nearest 2.5 or 4, not 3"),
    ("sampling_plan", (100, 0.01), {}, "nearest 0.065, not 0.01"),
    ("sampling_plan", (100, 15), {}, "nearest 10, not 15"),
    ("sampling_plan", (100, NAN), {}, "nearest 0.065 to 10, not nan"),
    ("sampling_plan", (100, "few"), {}, "aql must be a number"),
    ("sampling_plan", (100, 1.0, "IV"), {}, "level must be one of S-1, S-2, S-3, S-4, I, II, III, not 'IV'"),
    ("sampling_plan", (100, 1.0, "II", "reduced"), {}, "inspection must be one of normal, tightened"),
    ("acceptance_probability", (12.5, 1, 0.1), {}, "sample_size must be a whole number"),
    ("acceptance_probability", (10, -1, 0.1), {}, "accept must be a finite number of at least 0"),
    ("acceptance_probability", (10, 1, 1.5), {}, "defect_share must lie between 0 and 1"),
    ("acceptance_probability", (10, 1, NAN), {}, "defect_share"),
    ("acceptance_probability", (10, 1, 0.1), {"lot_size": 9}, "lot_size must be at least sample_size"),
]


@pytest.mark.parametrize(
    ("name", "arguments", "options", "message"),
    BAD_CALLS,
    ids=[f"{number:02d}-{name}" for number, (name, *_) in enumerate(BAD_CALLS)],
)
def test_bad_input_is_refused_by_name(
    name: str, arguments: tuple[Any, ...], options: dict[str, Any], message: str
) -> None:
    with pytest.raises(ValueError, match=message):
        getattr(statistics, name)(*arguments, **options)


def test_every_function_is_shown_to_refuse_something() -> None:
    assert {name for name, *_ in BAD_CALLS} == set(statistics.__all__)


def test_arrays_and_their_numbers_are_taken_like_lists() -> None:
    few: Any = np.int64(3)
    many: Any = np.float64(9)
    assert statistics.wilson_interval(few, many) == statistics.wilson_interval(3, 9)
    assert statistics.mcnemar_exact(few, many) == statistics.mcnemar_exact(3, 9)
    assert statistics.holm(np.array([0.01, 0.2])) == statistics.holm([0.01, 0.2])
    assert statistics.brier_score(np.array([0.5], dtype=np.float32), np.array([True])) == 0.25


def test_importing_the_module_loads_no_library() -> None:
    heavy = ("numpy", "scipy", "statsmodels", "sklearn", "pandas")
    code = f"import sys, tasks.statistics; print([name for name in {heavy} if name in sys.modules])"
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert ran.stdout.strip() == "[]"
