"""The numbers Turnrow judges by, offered in one place: plain numbers, sequences and arrays in and out.

Every function raises ValueError, naming the argument, for input that it cannot answer. Importing this
module costs next to nothing: the libraries are imported by the functions that use them.
"""

from tasks.statistics_clusters import clustered_difference_interval, effective_sample_size
from tasks.statistics_intervals import (
    clopper_pearson_interval,
    independent_difference_interval,
    paired_difference_interval,
    wilson_interval,
)
from tasks.statistics_planning import pairs_needed, zero_failure_sample_size
from tasks.statistics_scores import brier_score, expected_calibration_error, population_stability_index
from tasks.statistics_tests import clustered_paired_test, holm, mcnemar_exact

__all__ = [
    "brier_score",
    "clopper_pearson_interval",
    "clustered_difference_interval",
    "clustered_paired_test",
    "effective_sample_size",
    "expected_calibration_error",
    "holm",
    "independent_difference_interval",
    "mcnemar_exact",
    "paired_difference_interval",
    "pairs_needed",
    "population_stability_index",
    "wilson_interval",
    "zero_failure_sample_size",
]
