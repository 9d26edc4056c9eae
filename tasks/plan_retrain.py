"""What a retrain trains: candidate and control, named by all that makes them."""

from dataclasses import dataclass, replace
from typing import Any

from schemas.settings import AttributeSettings
from schemas.sql_files import read_sql
from tasks.errors import NotYetError, UnknownNameError
from tasks.find_leaks import find_leaks, make_leak_table
from tasks.freeze_holdouts import OpenHoldout, list_open_holdouts
from tasks.know_models import KnownModel, name_model, read_incumbent
from tasks.train_models import Training
from tasks.warehouse import Warehouse, as_utc


@dataclass(frozen=True)
class Repeat:
    """Candidate and control once more with another seed: measured, and neither judged nor kept as models."""

    seed: int
    candidate: Training
    control: Training | None

    @property
    def roles(self) -> dict[str, str | None]:
        """Role -> the name of its answers; none of them stands in the warehouse."""
        control = self.control.model_version if self.control else None
        return {"candidate": self.candidate.model_version, "control": control, "incumbent": None}

    @property
    def trainings(self) -> list[Training]:
        """The candidate, and the control where there is one."""
        return [self.candidate] if self.control is None else [self.candidate, self.control]


@dataclass(frozen=True)
class RetrainPlan:
    """What is trained, and the frozen hold-outs that judge it: the same plan always has the same names."""

    attribute: AttributeSettings
    version: str
    incumbent: KnownModel | None
    candidate: Training
    control: Training | None
    holdout_ids: tuple[str, ...]
    repeats: tuple[Repeat, ...] = ()

    @property
    def parent_version(self) -> str | None:
        """The incumbent's training set: what is not in it is new."""
        return self.incumbent.training_set_version if self.incumbent else None

    @property
    def roles(self) -> dict[str, str | None]:
        """Role -> model_version, None where there is no such model."""
        return {
            "candidate": self.candidate.model_version,
            "control": self.control.model_version if self.control else None,
            "incumbent": self.incumbent.model_version if self.incumbent else None,
        }

    @property
    def trainings(self) -> list[Training]:
        """The candidate, and the control where there is one."""
        return [self.candidate] if self.control is None else [self.candidate, self.control]


def plan_retrain(
    warehouse: Warehouse,
    attribute: AttributeSettings,
    version: str | None,
    *,
    is_audited: bool = False,
    seeds: int = 1,
) -> RetrainPlan:
    """Return what to train on a version, by default the attribute's latest, with so many seeds.

    The temp table `leaked_row` then names the rows of the incumbent's training set that the control does without.
    Raises NotYetError for a version that failed its checks, or rows of which leak, are restricted or were erased
    since; UnknownNameError for one that is not there.
    """
    connection = warehouse.connection
    make_leak_table(connection)
    name, rows = _find_version(warehouse, attribute, version)
    _await_overall(warehouse, attribute, is_audited=is_audited)
    incumbent = read_incumbent(connection, attribute.name)
    parent = incumbent if incumbent and incumbent.artefact_uri else None
    settings: dict[str, Any] = dict(attribute.trainer_settings)
    candidate = _name_training(attribute, "candidate", name, settings, parent, None)
    control = None
    if parent is not None and parent.training_set_version is not None:
        control = _plan_control(warehouse, attribute, parent.training_set_version, rows, parent)
    held = connection.execute(read_sql("evaluate/frozen_ids"), {"attribute": attribute.name}).fetchall()
    ids = tuple(str(row[0]) for row in held)
    repeats = tuple(_repeat(candidate, control, number) for number in range(1, seeds))
    return RetrainPlan(attribute, name, incumbent, candidate, control, ids, repeats)


def _repeat(candidate: Training, control: Training | None, number: int) -> Repeat:
    seed = (candidate.seed + number) % 2**32
    return Repeat(seed, _sow(candidate, seed), _sow(control, seed) if control else None)


def _sow(training: Training, seed: int) -> Training:
    """Return a training with another seed under a name of its own, which no model in the warehouse can have."""
    settings = training.settings | ({"seed": seed} if "seed" in training.settings else {})
    return replace(
        training,
        model_version=f"{training.model_version} seed={seed}",
        settings=settings,
        seed=seed,
        is_kept=False,
    )


def _await_overall(warehouse: Warehouse, attribute: AttributeSettings, *, is_audited: bool) -> None:
    """Raise NotYetError where the overall hold-out was drawn but none is frozen: nothing could be judged."""
    name = f"overall:{attribute.name}"
    row = warehouse.connection.execute(
        "select 1 from frozen_holdout where case_name = $name and attribute = $attribute",
        {"name": name, "attribute": attribute.name},
    ).fetchone()
    open_ones = [] if row is not None else list_open_holdouts(warehouse, is_audited=is_audited)
    for held in open_ones:
        if held.case_name == name:
            raise NotYetError(f"{name}: {_tell_waiting(held)}, so that a model can be judged")


def _tell_waiting(held: OpenHoldout) -> str:
    if held.missing == 0:
        return "has all labels that it can get and is not frozen yet; run `turnrow settle`"
    if held.missing == held.restricted:
        return (
            f"none of its {held.members} samples has a label, and a [[restriction]] forbids to ask for the "
            f"{held.restricted} that lack one; lift it, or draw others (turnrow holdout {held.case_name} --grow N)"
        )
    audit = f" ({held.unaudited} wait for the audit of their lot)" if held.unaudited else ""
    return (
        f"{held.missing} of its {held.members} labels are missing{audit}; have its questions answered (`turnrow "
        "queue export`), then settle"
    )


def _find_version(warehouse: Warehouse, attribute: AttributeSettings, version: str | None) -> tuple[str, int]:
    row = warehouse.connection.execute(
        read_sql("evaluate/read_training_set"), {"attribute": attribute.name, "version": version}
    ).fetchone()
    if row is None and version is not None:
        raise UnknownNameError(
            f"{version}: no such training set of {attribute.name}; `turnrow status` names the latest"
        )
    if row is None:
        raise NotYetError(f"{attribute.name}: no training set yet; `turnrow assemble {attribute.name}` makes one")
    name, state, reserved_until, rows = row
    if state != "passed":
        raise NotYetError(
            f'{name}: failed its checks and cannot be trained on; `turnrow sql "select * from quality_check '
            f"where version = '{name}' and not passed\"` says which"
        )
    leaks = find_leaks(warehouse, attribute, name, as_utc(reserved_until))
    if leaks.count:
        raise NotYetError(f"{name}: {leaks.told}; assemble {attribute.name} again")
    return str(name), int(rows)


def _plan_control(
    warehouse: Warehouse,
    attribute: AttributeSettings,
    version: str,
    candidate_rows: int,
    parent: KnownModel,
) -> Training | None:
    """Plan the control; None where nothing is left of the incumbent's training set to train it on."""
    row = warehouse.connection.execute(
        read_sql("evaluate/read_training_set"), {"attribute": attribute.name, "version": version}
    ).fetchone()
    if row is None:
        return None
    leaks = find_leaks(warehouse, attribute, version, as_utc(row[2]))
    rows = int(row[3]) - leaks.count
    if rows <= 0:
        return None
    fair = _match_updates(attribute, dict(attribute.trainer_settings), candidate_rows, rows)
    left_out = leaks.digest if leaks.count else None
    return _name_training(attribute, "control", version, fair, parent, left_out)


def _match_updates(
    attribute: AttributeSettings, settings: dict[str, Any], rows: int, control_rows: int
) -> dict[str, Any]:
    """Give the built-in control the epochs that make as many weight updates as the candidate's."""
    if attribute.trainer != "builtin:mlp":
        return settings
    from tasks.read_trainer_request import read_trainer_settings
    from tasks.train_perceptron import count_updates, epochs_for_updates

    warm_epochs = read_trainer_settings(settings).warm_epochs
    return {**settings, "epochs_to_run": epochs_for_updates(control_rows, count_updates(rows, warm_epochs))}


def _name_training(
    attribute: AttributeSettings,
    role: str,
    version: str,
    settings: dict[str, Any],
    parent: KnownModel | None,
    left_out: str | None,
) -> Training:
    """Name a model by its content; `left_out` is a digest of the version's rows that it does not learn from."""
    seed = int(settings.get("seed", 1))
    content = {
        "role": role,
        "version": version,
        "trainer": attribute.trainer,
        "settings": settings,
        "labels": attribute.labels,
        "seed": seed,
        "parent": parent.artefact_sha256 if parent else None,
    }
    if left_out is not None:
        content["left_out"] = left_out
    return Training(name_model(attribute.name, role, content), version, settings, seed, parent)
