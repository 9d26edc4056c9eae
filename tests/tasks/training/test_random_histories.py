"""Whatever happens in whatever order: versions rebuild, repeat, keep hold-outs out, lead back to their sources."""

import itertools
import json
import shutil
from collections.abc import Callable
from dataclasses import dataclass, replace
from dataclasses import field as keep
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from tasks.assemble_training_set import AssembleSummary
from tasks.audit_lots import audit_lots
from tasks.errors import TurnrowError
from tasks.flag_mispredictions import flag_mispredictions
from tasks.import_answers import import_answers
from tasks.import_model import import_model
from tasks.match_cases import match_cases
from tasks.pull_logs import pull_files
from tasks.queue_fixes import queue_doubted
from tasks.settle_fixes import settle_fixes
from tasks.verify_training_set import verify_training_set
from tasks.warehouse import open_warehouse

# Sixteen sights of eight drives; the last two drives saw nearly what the first two did.
KINDS = ("person", "crate", "crouched", "foliage", "crouched", "crouched", "person", "crate")
SIGHTS = range(2 * len(KINDS))
LABELS = ("person", "crate", "foliage")
DAYS = (None, 1, 1, 2, 9)
SETTINGS = """
[attribute.obstacle]
labels = [{labels}]
rules = ["label_disagrees", "low_margin"]
answers_needed = 1
{attribute}
[attribute.obstacle.trainer_settings]
hidden = [2]
epochs = 1
warm_epochs = 1
[gate]
seeds = 1
"""
CASE = """
case = "any-dusk"
attribute = "obstacle"
question = "What is it at dusk?"
[members]
where = "(context->>'light') = 'dusk'"
[scope]
where = "(context->>'light') = 'dusk'"
[holdout]
size = 2
[mine]
budget = 4
look_alikes = 0.5
"""
VARIANTS = {
    "plain": ("", ""),
    "capped": ("", "[assemble]\ncaps = {base = 5, fixed = 1}\nweights = {base = 0.5, mined = 2.25}\n"),
    "shared": ("", "[assemble]\nshares = {machine = 0.25}\nrows_a_recording_at_most = 1\n"),
    "wide": ("", "near_duplicate = 0.3\n"),
    "stale": ("", "[[leave_out]]\nattribute = 'obstacle'\nwhere = \"object_id = '1'\"\nbecause = 'old lens'\n"),
    "restricted": ("", "[[restriction]]\nwhere = \"truth = 'foliage'\"\nnever = ['train']\n"),
    "renamed": ('was = {foliage = "leaves"}', ""),
    "constant": ('within_track = "constant"', ""),
    "audited": ("", "[audit]\naql = 10.0\nlot_size = 2\n"),
}
_numbers = itertools.count()

some = st.lists(st.sampled_from(SIGHTS), min_size=1, max_size=8, unique=True)
ACTIONS = st.one_of(
    st.tuples(
        st.just("label"),
        some,
        st.sampled_from((None, *LABELS)),
        st.sampled_from(DAYS),
        st.sampled_from(("person", "machine")),
    ),
    st.tuples(st.just("label"), st.just(list(SIGHTS[:10])), st.none(), st.just(1), st.just("person")),
    st.tuples(st.just("predict"), some, st.sampled_from((None, *LABELS)), st.sampled_from(("m1", "m2"))),
    st.tuples(st.just("flag"), st.booleans()),
    st.tuples(
        st.just("answer"), st.sampled_from((*LABELS, "unusable", "unsure")), st.sampled_from(("ana", "ben"))
    ),
    st.tuples(st.just("settle")),
    st.tuples(st.just("mine")),
    st.tuples(st.just("holdout"), some),
    st.tuples(st.just("draw"), st.booleans()),
    st.tuples(st.just("serve")),
    st.tuples(st.just("retrain")),
    st.tuples(st.just("set"), st.sampled_from(sorted(VARIANTS))),
    st.tuples(st.just("assemble")),
    st.tuples(st.just("assemble past"), st.floats(0, 1)),
)


@dataclass
class Made:
    """A version as it came to be: under which settings, and what was reserved then."""

    version: str
    as_of: datetime
    variant: str
    reserved: Any
    rows: frozenset[str]


@dataclass
class History:
    """A loop to which things happen. What an action may not do here, it says; then nothing happened."""

    orchard: Any
    sights: list[Any]
    plainly: Any
    variant: str = "plain"
    case: Any = None
    moments: list[datetime] = keep(default_factory=list)
    made: list[Made] = keep(default_factory=list)
    refused: list[str] = keep(default_factory=list)

    def do(self, name: str, *arguments: Any) -> bool:
        """Do it, and tell whether it could be done."""
        try:
            getattr(self, name.replace(" ", "_"))(*arguments)
        except TurnrowError as error:
            self.refused.append(f"{name}: {error}")
            return False
        with open_warehouse(self.orchard.loop, write=False) as warehouse:
            self.moments.append(warehouse.read_clock())
        return True

    def pull(self, rows: list[Any]) -> None:
        """As a night does: what contradicts an earlier row is refused, and the rest of the file kept."""
        assert not pull_files(self.orchard.loop, [self.orchard.write(rows)]).failed

    def label(self, places: list[int], label: str | None, day: int | None, origin: str) -> None:
        told = {"origin": origin} | ({} if day is None else {"decided_at": f"2026-06-{day:02d}T00:00:00Z"})
        self.pull([self.sights[n] | {"label": label or truth(n)} | told for n in places])

    def predict(self, places: list[int], predicted: str | None, model: str) -> None:
        told = {"model_version": model, "confidence": {"m1": 0.9, "m2": 0.4}[model]}
        self.pull([self.sights[n] | told | {"predicted": predicted or LABELS[n % 3]} for n in places])

    def flag(self, has_case: bool) -> None:
        """With the case's file or, as after it was retired, without."""
        self.case = self.orchard.case(CASE)
        flag_mispredictions(self.orchard.loop)
        match_cases(self.orchard.loop, [self.case] if has_case else [])
        queue_doubted(self.orchard.loop)

    def answer(self, answer: str, annotator: str) -> None:
        asked = [name for (name,) in self.orchard.ask("select fix_id from open_fix order by fix_id")]
        audited = [name for (name,) in self.orchard.ask("select fix_id from audit_item order by fix_id")]
        rows = [{"fix_id": name, "annotator": annotator, "answer": answer} for name in asked[::2]]
        rows += [{"fix_id": name, "annotator": "cyd", "answer": answer} for name in audited]
        if rows:
            told = [row | {"answered_at": f"2026-07-01T00:00:{n:02d}Z"} for n, row in enumerate(rows)]
            import_answers(self.orchard.loop, self.orchard.write(told))

    def settle(self) -> None:
        settle_fixes(self.orchard.loop)
        if self.variant == "audited":
            audit_lots(self.orchard.loop)

    def mine(self) -> None:
        self.orchard.mine(self.case or self.orchard.case(CASE))

    def holdout(self, places: list[int]) -> None:
        self.orchard.hold([self.sights[n] for n in places])

    def draw(self, is_overall: bool) -> None:
        self.orchard.holdout(None if is_overall else self.case or self.orchard.case(CASE))

    def serve(self) -> None:
        import_model(self.orchard.loop, "obstacle", None, model_version="m1", signed_by="A. Picker")

    def retrain(self) -> None:
        self.orchard.accept(self.orchard.retrain(*([self.case] if self.case else [])).model, note="as invented")

    def set(self, variant: str) -> None:
        attribute, more = VARIANTS[variant]
        top = more if more.startswith("near") else ""
        self.orchard.configure(top + settle_text(attribute) + (more if not top else ""))
        self.variant = variant

    def assemble(self, as_of: datetime | None = None) -> None:
        made: AssembleSummary = self.orchard.assemble(as_of=as_of)
        ((moment,),) = self.orchard.ask("select as_of from training_set where version = $v", v=made.version)
        rows = self.orchard.ask("select sample_id from training_set_member where version = $v", v=made.version)
        members = frozenset(name for (name,) in rows)
        self.made.append(Made(str(made.version), moment, self.variant, self.reserve(), members))

    def assemble_past(self, share: float) -> None:
        self.assemble(self.moments[int(share * (len(self.moments) - 1))])

    def reserve(self) -> Any:
        """What by now keeps samples out beside the facts of the moment: hold-outs, and their members' features."""
        return self.orchard.ask(
            "select m.sample_id, m.group_id, v.space from holdout_member as m "
            "left join sample_vector as v on v.sample_id = m.sample_id order by all"
        ) + self.orchard.ask("select group_id, null, null from holdout_reserved order by all")


def settle_text(attribute: str) -> str:
    """Return the settings; a label that `attribute` renames goes by its new name."""
    labels = ["person", "crate", "leaves" if "leaves" in attribute else "foliage"]
    return SETTINGS.format(attribute=attribute, labels=json.dumps(labels)[1:-1])


def truth(place: int) -> str:
    return {"crouched": "person"}.get(KINDS[place // 2], KINDS[place // 2])


def make_sights(field: Any) -> list[Any]:
    rows = [
        field.sight(kind, f"drive-{kind}-{drive}", str(thing), minute=thing)
        for drive, kind in enumerate(KINDS)
        for thing in (0, 1)
    ]
    for row, twin in zip(rows[12:], rows[:4], strict=True):
        row["features"] = [*twin["features"][:7], twin["features"][7] + 0.05]
    return rows


# What holds of every history


def check_versions(history: History) -> None:
    """Each is rebuilt exactly, and its digest is what the contract says."""
    ask, loop = history.orchard.ask, history.orchard.loop
    for version, digest in ask("select version, digest from training_set order by running_number"):
        found = verify_training_set(loop, version)
        assert found.is_equal, (version, found, history.refused)
        assert history.plainly.digest_version(ask, version) == digest


def check_reserved(history: History) -> None:
    """No row is of a group that was reserved when its version was made, by then at the latest."""
    kept = (
        "select m.version, m.group_id from training_set_member as m inner join training_set as t using (version) "
    )
    assert not history.orchard.ask(
        kept + "semi join holdout_reserved as r on r.group_id = m.group_id and r.known_at <= t.reserved_until"
    )


def check_lineage(history: History) -> None:
    """Nothing is null that the contract promises, and each row of a version is there."""
    ask = history.orchard.ask
    always = ("recording_id", "label", "revision_id", "origin", "reason")
    labelled = ("label_batch_id", "label_source_uri", "label_content_sha256")
    fixed = ("rule", "prediction_id", "model_version", "batch_id", "source_uri", "content_sha256")
    lacking = [
        *(f"l.{name} is null" for name in always),
        *(f"(r.fix_id is null and l.{name} is null)" for name in labelled),
        *(f"(l.reason = 'fixed' and l.{name} is null)" for name in fixed),
        "(r.fix_id is not null and l.fix_id is null)",
        "(l.reason in ('mined', 'look_alike') and (l.fix_id is null or l.rule is not null))",
    ]
    rows = "select l.* from training_set_lineage as l inner join label_revision as r using (revision_id) where "
    assert ask(rows + " or ".join(lacking)) == []
    members = "select version, sample_id from training_set_member order by all"
    assert ask("select distinct version, sample_id from training_set_lineage order by all") == ask(members)


def check_limits(history: History) -> None:
    """A version's rows keep to its own caps, and weigh what it says of their reason."""
    rows = history.orchard.ask(
        "select version, reason, count(*), min(weight), max(weight), any_value(composition) "
        "from training_set_member inner join training_set using (version) group by version, reason"
    )
    for version, reason, count, least, most, text in rows:
        composition = json.loads(text)
        weight = composition["weights"].get(reason, 1.0)
        assert (least, most) == (weight, weight), version
        assert count <= composition["caps"].get(reason, count), version


def check_past(history: History) -> None:
    """Made again later as of the same moment, a version is the same one where nothing was reserved since.

    Where something was, and nothing counts rows (caps, shares), it has lost rows and gained none.
    """
    for before in history.made[-3:-1]:  # each costs an assembly; the last one was made just now
        history.set(before.variant)
        reserved = history.reserve()
        try:
            after = history.orchard.assemble(as_of=before.as_of)
        except TurnrowError as error:
            assert reserved != before.reserved or before.variant == "restricted", error
            continue
        if before.variant == "restricted":
            continue  # what is forbidden by what is known of a sample today is left out of the past, too
        if reserved == before.reserved:
            assert digest_of(history, str(after.version)) == digest_of(history, before.version)
        elif before.variant not in ("capped", "shared"):
            rows = history.orchard.ask(
                "select sample_id from training_set_member where version = $v", v=after.version
            )
            assert {name for (name,) in rows} <= before.rows


def digest_of(history: History, version: str) -> str:
    digest: str = history.orchard.number("select digest from training_set where version = $v", v=version)
    return digest


def check_again(history: History) -> None:
    """Without a new fact in between it is the same version."""
    if history.do("assemble"):
        made = history.made[-1]
        again = history.orchard.assemble()
        assert (again.version, again.is_new) == (made.version, False)


def run_history(history: History, actions: list[Any]) -> None:
    for name, *arguments in actions:
        history.do(name, *arguments)
    check_again(history)
    check_past(history)
    check_versions(history)
    check_reserved(history)
    check_lineage(history)
    check_limits(history)


# How a history may have begun: with labels and predictions, or with a model trained here and mined labels as well.
YOUNG = (("label", list(range(8)), None, 1, "person"), ("predict", list(SIGHTS), None, "m1"), ("flag", True))
GROWN = (
    *YOUNG,
    ("assemble",),
    ("retrain",),
    ("label", [8], None, 1, "person"),
    ("flag", True),
    ("mine",),
    ("answer", "person", "ana"),
    ("settle",),
    ("assemble",),
)


@pytest.fixture
def start_history(
    make_orchard: Callable[..., Any], field: Any, plainly: Any, tmp_path: Path
) -> Callable[[bool], History]:
    begun = {}
    for is_grown, actions in ((False, YOUNG), (True, GROWN)):
        orchard = make_orchard(settle_text(""), f"begun-{is_grown}")
        begun[is_grown] = History(orchard, make_sights(field), plainly)
        assert all(begun[is_grown].do(name, *arguments) for name, *arguments in actions), begun[is_grown].refused
    reasons = "select distinct reason from training_set_member order by 1"
    assert [reason for (reason,) in begun[True].orchard.ask(reasons)] == ["base", "fixed", "look_alike", "mined"]
    assert begun[True].orchard.number("select count(parent_version) from training_set") == 1

    def start(is_grown: bool) -> History:
        history, folder = begun[is_grown], tmp_path / f"loop-{next(_numbers)}"
        shutil.copytree(history.orchard.loop.folder, folder)
        orchard = replace(history.orchard, loop=replace(history.orchard.loop, folder=folder))
        return replace(history, orchard=orchard, moments=[*history.moments], made=[*history.made], refused=[])

    return start


def keep_promises(start_history: Callable[[bool], History], examples: int, most: int) -> None:
    @settings(
        derandomize=True,
        deadline=None,
        max_examples=examples,
        database=None,
        phases=(Phase.explicit, Phase.generate, Phase.shrink),
        suppress_health_check=list(HealthCheck),
    )
    @given(st.booleans(), st.lists(ACTIONS, min_size=most // 2, max_size=most))
    def keep_them(is_grown: bool, actions: list[Any]) -> None:
        run_history(start_history(is_grown), actions)

    keep_them()


@pytest.mark.slow
def test_random_histories_keep_every_promise(start_history: Callable[[bool], History]) -> None:
    keep_promises(start_history, 8, 8)


@pytest.mark.full
def test_many_random_histories_keep_every_promise(start_history: Callable[[bool], History]) -> None:
    keep_promises(start_history, 400, 24)
