"""What a row of `evaluation` is about, and how it is called in a report."""

SHARES = ("accuracy", "recall", "precision")
SPREAD = "seed_spread"
_NAMES = {
    "brier_score": ("calibration", "Brier score"),
    "expected_calibration_error": ("calibration", "expected calibration error"),
    "mean_error": ("error", "mean error"),
    "mean_absolute_error": ("error", "mean absolute error"),
    "root_mean_squared_error": ("error", "root mean squared error"),
    "absolute_error_90th_percentile": ("error", "nine tenths are off by at most"),
    "flips_per_hundred_steps": ("track", "changes of answer per hundred steps"),
    "steps_to_lasting_answer": ("track", "steps to the lasting answer"),
}


def find_topic(metric: str, slice_name: str) -> str:
    """Return `class`, `calibration`, `error`, `track`, `seed`, or `slice` for figures by the settings' slices."""
    if metric in _NAMES:
        return _NAMES[metric][0]
    if metric == SPREAD or slice_name.startswith("seed="):
        return "seed"
    is_own = slice_name == "all" or slice_name.partition("=")[0] == _find_key(metric)
    return "class" if is_own and ", truth=" not in slice_name else "slice"


def name_figure(metric: str, slice_name: str) -> str:
    """Return what a row of `evaluation` measures, in words."""
    if metric in _NAMES:
        return _NAMES[metric][1]
    if metric == SPREAD:
        _, _, label = slice_name.partition("=")
        return f"spread of recall of {label}" if label else "spread of accuracy"
    if find_topic(metric, slice_name) == "class":
        return metric if slice_name == "all" else f"{metric} of {slice_name.partition('=')[2]}"
    where, is_of_label, label = slice_name.rpartition(", truth=")
    return f"{metric} of {label}, {where}" if is_of_label else f"{metric}, {slice_name}"


def _find_key(metric: str) -> str:
    """Return by what an ordinary figure of a class is sliced; accuracy is of the whole alone."""
    return {"recall": "truth", "precision": "predicted"}.get(metric, "")
