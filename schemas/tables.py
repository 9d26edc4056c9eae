"""The warehouse's tables and views by name: what is a fact, what is bookkeeping, and how time cuts it."""

# Facts with a known_at of their own: as of T means known_at <= T.
DATED_FACTS = (
    "pull_batch",
    "quarantined_row",
    "attribute_definition",
    "rule_definition",
    "sample",
    "sample_vector",
    "vector_space",
    "prediction",
    "label_revision",
    "misprediction",
    "misprediction_lapse",
    "failure_case",
    "case_state",
    "case_member",
    "label_fix",
    "fix_request",
    "fix_answer",
    "fix_outcome",
    "known_item",
    "audit_lot",
    "audit_item",
    "audit_verdict",
    "audit_resumption",
    "holdout",
    "holdout_reserved",
    "holdout_freeze",
    "watch_draw",
    "watch_sample",
    "watch_track",
    "watch_close",
    "training_set",
    "quality_check",
    "model",
    "evaluation",
    "gate_decision",
    "sign_off",
    "erasure",
    "exported_set",
    "listed_set",
)

# Facts that are part of a dated one: table -> (key, dated table).
DEPENDENT_FACTS = {
    "holdout_member": ("holdout_id", "holdout"),
    "holdout_label": ("holdout_id", "holdout_freeze"),
    "training_set_member": ("version", "training_set"),
    "check_failure": ("version", "training_set"),
    "holdout_prediction": ("model_version", "model"),
    "audit_lot_fix": ("lot_id", "audit_lot"),
    "erased_id": ("tombstone", "erasure"),
    "listed_set_member": ("list_id", "listed_set"),
}

FACTS = (*DATED_FACTS, *DEPENDENT_FACTS)

# Facts about samples that a step may narrow to the samples it has to look at again.
SAMPLE_FACTS = (
    "sample",
    "sample_vector",
    "prediction",
    "label_revision",
    "misprediction",
    "case_member",
    "label_fix",
    "known_item",
    "audit_item",
)

BOOKKEEPING = (
    "flow_run",
    "step_progress",
    "warehouse_clock",
    "seen_file",
    "fix_lease",
    "pending_erasure",
    "open_finding",
    "schema_version",
)

# What people, files and errors say in their own words: an erasure cuts a recording's name out of it. All other
# text is a name, a code or another recording's data, where a cut would break what it belongs to.
FREE_TEXT = {
    "pull_batch": ("source_uri",),
    "quarantined_row": ("reason",),
    "rule_definition": ("definition",),
    "failure_case": ("definition",),
    "case_state": ("because",),
    "misprediction_lapse": ("because",),
    "fix_answer": ("note",),
    "holdout": ("source", "definition"),
    "training_set": ("composition",),
    "quality_check": ("observed",),
    "model": ("settings",),
    "gate_decision": ("reason",),
    "sign_off": ("note",),
    "flow_run": ("parameters", "counts", "error"),
    "step_progress": ("scope",),
    "seen_file": ("path",),
    "open_finding": ("subject", "message"),
}

# In the order in which one needs the other.
VIEWS = (
    "incumbent",
    "renamed_label",
    "fix_end",
    "standing_revision",
    "disputed_sample",
    "current_label",
    "known_sample",
    "current_sample",
    "current_prediction",
    "served_sample",
    "live_flag",
    "flagged_sample",
    "open_fix",
    "asked_attempt",
    "fix_lot",
    "barred_annotator",
    "open_question",
    "present_member",
    "frozen_holdout",
    "case_counts",
    "training_set_lineage",
    "lineage_edge",
)

# The views that `SAMPLE_FACTS` narrow; the others say nothing of single samples.
SAMPLE_VIEWS = tuple(
    view
    for view in VIEWS
    if view
    not in ("incumbent", "renamed_label", "frozen_holdout", "case_counts", "training_set_lineage", "lineage_edge")
)
