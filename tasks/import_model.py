"""`import-model`: a model trained elsewhere becomes the first incumbent, or just the name in its logs."""

import json
import shutil
from datetime import datetime
from pathlib import Path

from schemas.settings import BUILT_IN_TRAINERS, AttributeSettings
from tasks.errors import InputError
from tasks.find_names import find_attribute
from tasks.hash_artefact import hash_folder
from tasks.know_models import KnownModel, read_incumbent, read_model, rename_labels
from tasks.loop import Loop
from tasks.read_version import read_version
from tasks.record_run import record_run
from tasks.sign_off import check_signer, insert_sign_off
from tasks.store_verdict import StoredModel, insert_models
from tasks.warehouse import Warehouse, open_warehouse


def import_model(
    loop: Loop,
    attribute_name: str,
    path: Path | None,
    *,
    model_version: str,
    signed_by: str,
    trained_on: str | None = None,
) -> None:
    """Take in an artefact (a copy goes to `models/`), or None, under the name its logs give.

    `trained_on` names the training set that it learned from, such as an imported one: the next versions start from
    it, and nothing of its groups tests a model any more. Raises InputError where the attribute has another
    incumbent already (retrain and sign off then), where nothing is at `path`, where the name cannot be a folder's,
    or where `trained_on` is another attribute's; UnknownNameError where there is no such training set.
    """
    started_at = loop.clock()
    attribute = find_attribute(loop, attribute_name)
    check_signer(attribute, signed_by)
    _check_name(model_version)
    with open_warehouse(loop, write=True) as warehouse:
        incumbent = read_incumbent(warehouse.connection, attribute.name)
        if incumbent is not None and incumbent.model_version != model_version:
            raise InputError(
                f"{attribute.name} has the incumbent {incumbent.model_version} already; a next model comes by "
                "`turnrow retrain` and `turnrow sign-off`"
            )
        if trained_on is not None:
            _check_training_set(warehouse, attribute, trained_on)
        model = _describe(loop, attribute, path, model_version, trained_on)
        if incumbent is not None:
            _refuse_other(incumbent, model)
            return
        if read_model(warehouse.connection, model_version) is not None:
            raise InputError(
                f"--as {model_version}: that is the name of a model that Turnrow knows already; give this one "
                "another name, or sign that one off"
            )
        if path is not None:
            _copy(path, loop.folder / "models" / model_version)
        _store(warehouse, model, signed_by, started_at)


def _store(warehouse: Warehouse, model: StoredModel, signed_by: str, started_at: datetime) -> None:
    connection, name = warehouse.connection, model.model_version
    learned = {"trained_on": model.training_set_version} if model.training_set_version else {}

    def insert(known_at: datetime) -> None:
        insert_models(connection, [model], known_at)
        insert_sign_off(connection, name, model.attribute, "import", signed_by, None, known_at, against=False)
        record_run(
            connection,
            "import-model",
            started_at=started_at,
            ended_at=warehouse.loop.clock(),
            parameters={"attribute": model.attribute, "model": name, **learned},
        )

    warehouse.write(insert)


def _check_name(model_version: str) -> None:
    if not model_version or model_version.startswith(".") or set(model_version) & set('/\\\0\n\t"'):
        raise InputError(
            f"--as {model_version!r}: a model's name is a folder's name too; use letters, digits, - . _"
        )


def _check_training_set(warehouse: Warehouse, attribute: AttributeSettings, version: str) -> None:
    stored = read_version(warehouse.connection, version)
    if stored.attribute != attribute.name:
        raise InputError(
            f"--trained-on {version}: is a training set of {stored.attribute}, not of {attribute.name}; "
            "`turnrow status` names the latest ones"
        )


def _refuse_other(incumbent: KnownModel, model: StoredModel) -> None:
    """Raise InputError where the incumbent of this name was imported as something else."""
    name, version = model.model_version, model.training_set_version
    if incumbent.artefact_sha256 != model.artefact_sha256:
        raise InputError(f"{name} was imported before, with another artefact; give this one another name")
    if version is not None and version != incumbent.training_set_version:
        before = incumbent.training_set_version
        how = f"with --trained-on {before}" if before else "without --trained-on"
        raise InputError(
            f"{name} was imported before, {how}, and that stays; `turnrow retrain {model.attribute} --version "
            f"{version}` trains a next model on {version}"
        )


def _describe(
    loop: Loop, attribute: AttributeSettings, path: Path | None, model_version: str, trained_on: str | None
) -> StoredModel:
    settings: dict[str, object] = {"settings": dict(attribute.trainer_settings)}
    artefact_uri = artefact_sha256 = None
    if path is not None:
        if not path.exists():
            raise InputError(f"{path}: there is nothing; name the artefact's file or folder, or `none`")
        settings["labels"] = _read_labels(attribute, path)
        artefact_sha256 = hash_folder(path)
        artefact_uri = loop.relate(loop.folder / "models" / model_version)
    return StoredModel(
        model_version=model_version,
        attribute=attribute.name,
        role="imported",
        parent_version=None,
        training_set_version=trained_on,
        trainer=attribute.trainer if path is not None else None,
        settings=json.dumps(settings, sort_keys=True),
        artefact_uri=artefact_uri,
        artefact_sha256=artefact_sha256,
        seed=None,
    )


def _copy(path: Path, target: Path) -> None:
    """Copy the artefact beside, then move it into place; the same one that stands there already stays."""
    if target.exists() and hash_folder(target) == hash_folder(path):
        return
    if target.exists():
        raise InputError(f"{target}: another artefact stands there already; choose another name")
    part = target.with_name(f".{target.name}.part")
    shutil.rmtree(part, ignore_errors=True)
    if path.is_dir():
        shutil.copytree(path, part)
    else:
        shutil.copy2(path, part)
    part.rename(target)


def _read_labels(attribute: AttributeSettings, path: Path) -> list[str]:
    """Return the labels of a model: its own where the built-in trainer wrote it, else the settings'.

    Raises InputError where it has a label that is neither the attribute's nor an old name of one.
    """
    if attribute.trainer not in BUILT_IN_TRAINERS:
        return list(attribute.labels)
    from tasks.store_perceptron import load_perceptron

    labels = load_perceptron(path).labels
    foreign = sorted(set(rename_labels(labels, attribute)) - set(attribute.labels))
    if attribute.kind == "class" and foreign:
        raise InputError(
            f"{path}: predicts {', '.join(foreign)}, no label of {attribute.name}; add it to `labels`, or its "
            "present name to `was`, in turnrow.toml"
        )
    return list(labels)
