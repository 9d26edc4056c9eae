"""Which text belongs to which command's document."""

from collections.abc import Callable, Iterable
from typing import Any

from flows import (
    print_answer_page,
    print_answers,
    print_audit,
    print_diff,
    print_erase,
    print_export_set,
    print_lineage,
    print_provenance,
    print_results,
    print_status,
    print_why,
)

PRINTS: dict[str, Callable[[dict[str, Any]], Iterable[str]]] = {
    "init": print_results.print_init,
    "demo": print_results.print_demo,
    "check-setup": print_status.print_findings,
    "pull": print_results.print_pull,
    "flag": print_results.print_flag,
    "case": print_status.print_case,
    "mine": print_results.print_mine,
    "queue list": print_lineage.print_queue,
    "queue export": print_results.print_export,
    "queue import": print_results.print_import,
    "queue renew": print_answers.print_renew,
    "annotators": print_answers.print_annotators,
    "answer": print_answer_page.print_answer,
    "settle": print_results.print_settle,
    "audit": print_audit.print_audit,
    "holdout": print_results.print_holdout,
    "assemble": print_results.print_assemble,
    "verify": print_diff.print_verify,
    "diff": print_diff.print_diff,
    "export": print_export_set.print_export_set,
    "import-set": print_export_set.print_import_set,
    "retrain": print_results.print_verdict,
    "predict": print_results.print_predict,
    "import-model": print_results.print_import_model,
    "sign-off": print_results.print_sign_off,
    "nightly": print_results.print_nightly,
    "round": print_results.print_verdict,
    "backfill": print_results.print_backfill,
    "lineage": print_provenance.print_any_lineage,
    "why": print_why.print_why,
    "erase": print_erase.print_erase,
    "status": print_status.print_status,
    "sql": print_lineage.print_query,
}
