"""Why a sample is not in a training set, by the word that stands for it everywhere."""

REASONS = {
    "restricted": "forbidden by a [[restriction]]",
    "no_label": "without a label that counts",
    "reserved": "of a group that is kept for a hold-out",
    "watch_open": "of the random watch of a week that is not closed",
    "left_out": "by a [[leave_out]]",
    "other_label": "with another label than the imported list gives",
    "lot_open": "in no lot that has passed its audit",
    "no_features": "without features to learn from",
    "near_duplicate": "too near to a hold-out sample",
    "over_recording": "beyond rows_a_recording_at_most",
    "over_cap": "beyond a cap",
    "over_origin_share": "beyond the share of the label's origin",
    "pulled_after": "pulled after the version's moment",
    "settled_after": "settled after the version's moment",
    "ambiguous": "disputed: the latest question ended as ambiguous",
    "unusable": "disputed: the latest question ended as unusable",
    "labels disagree": "disputed: two labels contradict each other",
    "lot_failed": "with a label whose lot failed its audit",
    "withdrawn": "with a label that was withdrawn",
    "never_wanted": "with a label, but not the parent's, and no case asked for it",
    "warehouse_changed": "that the version would hold if composed anew: `turnrow verify` it",
    "erased": "erased since",
    "before": "when the set was first imported, or erased since",
}
"""Word -> phrase that goes on after a count, or after "left out, "; `why` tells them with their evidence."""
