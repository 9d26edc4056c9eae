"""`check-setup`: what is wrong with a loop folder, or may become so, and how to mend it."""

import os
import shutil
from collections.abc import Callable, Iterator
from contextlib import suppress
from functools import partial
from pathlib import Path

import duckdb

from schemas.case_file import FailureCase
from schemas.settings import AttributeSettings
from schemas.sql_files import read_sql
from tasks.check_erasures import check_erasures
from tasks.check_holdouts import check_holdouts
from tasks.check_restrictions import check_restrictions
from tasks.compare_clocks import describe_lead
from tasks.errors import SettingsError, TurnrowError
from tasks.find_log_files import describe_unread, list_closed, list_unread
from tasks.findings import FINE, WARNING, WRONG, Finding, tell_error
from tasks.locate_warehouse import find_location
from tasks.loop import Loop
from tasks.notify import check_notify
from tasks.warehouse import Warehouse, open_warehouse

_GIGABYTE = 1_000_000_000


def check_setup(loop: Loop, cases: list[FailureCase], errors: list[SettingsError]) -> list[Finding]:
    """Look at everything and return what was found, in order of what needs what.

    What stands on something broken is not looked at: without a warehouse there are no hold-outs to judge.
    """
    findings = [
        *_check_folder(loop),
        *_check_cases(cases, errors),
        *_check_attributes(loop),
        *_check_inbox(loop),
        *(Finding(WRONG, "turnrow.toml, notify", problem) for problem in check_notify(loop)),
    ]
    try:
        with open_warehouse(loop, write=False) as warehouse:
            findings.append(Finding(FINE, "warehouse", f"opens ({warehouse.location.kind.replace('_', ' ')})"))
            findings += _check_clock(warehouse)
            findings += _check_expressions(warehouse, cases)
            findings += check_holdouts(warehouse, cases)
            findings += check_erasures(warehouse.connection, loop)
    except TurnrowError as error:
        findings.append(tell_error("warehouse", error))
    return findings


def _check_folder(loop: Loop) -> Iterator[Finding]:
    yield Finding(FINE, "turnrow.toml", f"can be read; it has {', '.join(loop.settings.attribute)}")
    if not os.access(loop.folder, os.W_OK):
        yield Finding(WRONG, str(loop.folder), "cannot be written to", "change its permissions")
    yield _check_disk(loop)
    for root in loop.settings.media.roots:
        if "://" not in root and not loop.locate(root).is_dir():
            yield Finding(WARNING, "turnrow.toml, media.roots", f"{root} is no folder", "make it, or name another")


def _check_clock(warehouse: Warehouse) -> Iterator[Finding]:
    told = describe_lead(warehouse, warehouse.loop.clock())
    if told:
        yield Finding(WARNING, "clock", told, "set the host's clock right")


def _check_disk(loop: Loop) -> Finding:
    free = shutil.disk_usage(loop.folder).free
    stored = _measure_warehouse(loop)
    room = f"{free / _GIGABYTE:.1f} GB free, the warehouse has {stored / _GIGABYTE:.1f} GB"
    if free >= max(_GIGABYTE, stored):
        return Finding(FINE, "disk", room)
    return Finding(
        WARNING, "disk", f"{room}; a large pull or training may not fit", "free as much as the warehouse has"
    )


def _measure_warehouse(loop: Loop) -> int:
    try:
        path = Path(find_location(loop).target)
        return path.stat().st_size if path.is_file() else 0
    except (TurnrowError, OSError):
        return 0


def _check_cases(cases: list[FailureCase], errors: list[SettingsError]) -> Iterator[Finding]:
    for error in errors:
        yield tell_error("cases", error)
    if cases:
        yield Finding(FINE, "cases", f"{len(cases)} can be read")
    elif not errors:
        yield Finding(WARNING, "cases", "there is no failure case yet", "write one: cases/NAME.toml")


def _check_inbox(loop: Loop) -> Iterator[Finding]:
    pull = loop.settings.pull
    for key, patterns in (
        ("predictions", pull.predictions),
        ("labels", pull.labels),
        ("answers", pull.answers),
    ):
        for folder in sorted(list_closed(loop, key, patterns)):
            name = loop.relate(folder)
            yield Finding(WRONG, f"turnrow.toml, pull.{key}", f"{name} may not be read", "change its permissions")
    names: list[str] = []
    with suppress(TurnrowError):  # a warehouse that cannot be opened is told of elsewhere
        names = list_unread(loop)
    if names:
        mend = "add a pattern in turnrow.toml, or take away what is no log"
        yield Finding(WARNING, "inbox", describe_unread(names), mend)


def _check_attributes(loop: Loop) -> Iterator[Finding]:
    from tasks.run_trainer import check_trainer

    for attribute in loop.settings.attribute.values():
        where = f"attribute.{attribute.name}"
        try:
            check_trainer(attribute.trainer, loop.folder)
            yield Finding(FINE, f"{where}.trainer", f"{attribute.trainer} is there")
        except TurnrowError as error:
            yield tell_error(f"{where}.trainer", error)
        yield from _check_guideline(loop, attribute)


def _check_guideline(loop: Loop, attribute: AttributeSettings) -> Iterator[Finding]:
    where = f"attribute.{attribute.name}.guideline"
    if not attribute.guideline:
        yield Finding(
            WARNING, where, "annotators are told nothing", "write a file and name it; labels then say under which"
        )
        return
    path = loop.locate(attribute.guideline)
    if not path.is_file():
        yield Finding(WRONG, where, f"{attribute.guideline} is not there", "write it, or name another")
    elif not path.read_bytes().strip():
        yield Finding(WRONG, where, f"{attribute.guideline} is empty", "write what annotators are to do")
    else:
        yield Finding(FINE, where, f"{attribute.guideline} is there")


def _check_expressions(warehouse: Warehouse, cases: list[FailureCase]) -> Iterator[Finding]:
    """Check every user's expression against the view that it reads; rows are read by restrictions alone."""
    from tasks.describe_cases import check_case

    connection, settings = warehouse.connection, warehouse.loop.settings
    found = [_try(partial(check_case, warehouse, case), case.path.name) for case in cases]
    for attribute in settings.attribute.values():
        where = f"turnrow.toml, attribute.{attribute.name}"
        found.append(_try_expression(connection, attribute.group_by, "known_sample", f"{where}.group_by", False))
        for text in attribute.slices:
            found.append(_try_expression(connection, text, "current_sample", f"{where}.slices", False))
    for rule in settings.rule:
        origin = f"turnrow.toml, rule.{rule.name}.where"
        found.append(_try_expression(connection, rule.where, "served_sample", origin, True))
    if settings.check:
        connection.execute(read_sql("setup/training_row"))
    for check in settings.check:
        origin = f"turnrow.toml, check.{check.name}.where"
        found.append(_try_expression(connection, check.where, "training_row", origin, True))
    for table in settings.leave_out:
        origin = f"turnrow.toml, leave_out.where ({table.because})"
        found.append(_try_expression(connection, table.where, "current_sample", origin, True))
    told = check_restrictions(warehouse)
    found += [None if finding is None or finding.level != WRONG else finding for finding in told]
    yield from (finding for finding in told if finding is not None and finding.level != WRONG)
    wrong = [finding for finding in found if finding is not None]
    yield from wrong
    if not wrong:
        yield from _check_spelling(warehouse, cases)
        yield Finding(FINE, "expressions", f"{len(found)} of cases and settings fit the warehouse")


def _check_spelling(warehouse: Warehouse, cases: list[FailureCase]) -> Iterator[Finding]:
    from tasks.find_misspelt import find_misspelt

    connection, settings = warehouse.connection, warehouse.loop.settings
    texts = [(rule.where, rule.attribute, f"turnrow.toml, rule.{rule.name}.where") for rule in settings.rule]
    texts += [(own.where, own.attribute, f"turnrow.toml, check.{own.name}.where") for own in settings.check]
    for case in cases:
        texts.append((case.members.where, case.attribute, f"{case.path.name}, members.where"))
        if case.scope_in_use.where:
            texts.append((case.scope_in_use.where, case.attribute, f"{case.path.name}, scope.where"))
    for text, name, where in texts:
        yield from find_misspelt(connection, text, settings.attribute[name], where)


def _try(check: Callable[[], None], where: str) -> Finding | None:
    try:
        check()
    except TurnrowError as error:
        return tell_error(where, error)
    return None


def _try_expression(
    connection: duckdb.DuckDBPyConnection, text: str, relation: str, origin: str, must_be_boolean: bool
) -> Finding | None:
    from tasks.check_expression import check_expression

    return _try(
        lambda: check_expression(
            connection, text, relation=relation, origin=origin, must_be_boolean=must_be_boolean
        ),
        origin,
    )
