"""The numbers Turnrow judges by, offered in one place: plain numbers, sequences and arrays in and out.

Every function raises ValueError, naming the argument, for input that it cannot answer. Importing this
module costs next to nothing: the libraries are imported by the functions that use them.
"""

from tasks.statistics_agreement import cohen_kappa, fleiss_kappa, krippendorff_alpha
from tasks.statistics_clusters import clustered_difference_interval, effective_sample_size
from tasks.statistics_intervals import (
    clopper_pearson_interval,
    independent_difference_interval,
    paired_difference_interval,
    wilson_interval,
)
from tasks.statistics_planning import pairs_needed, zero_failure_sample_size
from tasks.statistics_sampling import acceptance_probability, sampling_plan
from tasks.statistics_scores import brier_score, expected_calibration_error, population_stability_index
from tasks.statistics_service import (
    dispersion_scale,
    overdispersion_test,
    pooled_risk_ratio,
    sampled_share_interval,
)
from tasks.statistics_tests import clustered_paired_test, holm, mcnemar_exact
from tasks.statistics_weighing import weigh_answers

__all__ = [
    "acceptance_probability",
    "brier_score",
    "clopper_pearson_interval",
    "clustered_difference_interval",
    "clustered_paired_test",
    "cohen_kappa",
    "dispersion_scale",
    "effective_sample_size",
    "expected_calibration_error",
    "fleiss_kappa",
    "holm",
    "independent_difference_interval",
    "krippendorff_alpha",
    "mcnemar_exact",
    "overdispersion_test",
    "paired_difference_interval",
    "pairs_needed",
    "pooled_risk_ratio",
    "population_stability_index",
    "sampled_share_interval",
    "sampling_plan",
    "weigh_answers",
    "wilson_interval",
    "zero_failure_sample_size",
]
