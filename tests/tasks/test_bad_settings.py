"""A `turnrow.toml` that breaks a rule gives one line: file, key, what is wrong, what was expected."""

from pathlib import Path

import pytest

from tasks.errors import SettingsError
from tasks.read_settings import read_settings

OBSTACLE = '[attribute.obstacle]\nlabels = ["person", "crate", "ladder"]\n'

BAD_SETTINGS = [
    # keys that are not known, or are in the wrong place
    ("[warehous]\n", "warehous: unknown key; the nearest known one is `warehouse`"),
    (
        '[warehouse]\nmemory-limit = "4GB"\n',
        "warehouse.memory-limit: unknown key; the nearest known one is `memory_limit`",
    ),
    (
        "[retention]\nhorizon = 3\n",
        "retention.horizon: unknown key; the nearest known one is `vectors` (known: days, vectors)",
    ),
    (OBSTACLE + "lables = []\n", "attribute.obstacle.lables: unknown key; the nearest known one is `labels`"),
    (OBSTACLE + 'name = "obstacle"\n', "attribute.obstacle.name"),
    (
        '[attributes.obstacle]\nlabels = ["a", "b"]\n',
        "attributes: unknown key; the nearest known one is `attribute`",
    ),
    (
        "[gate]\nalpha = 0.05\nnear_duplicate = 0.05\n",
        "gate.near_duplicate: stands in a table; it is a key of the whole file",
    ),
    (
        OBSTACLE + "[attribute.obstacle.trainer_settings]\nseed = 1\nnear_duplicate = 0.05\n",
        "attribute.obstacle.trainer_settings.near_duplicate: stands in a table; it is a key",
    ),
    ("[assemble.caps]\nmine = 4\n", "assemble.caps.mine: unknown key; the nearest known one is `mined`"),
    # wrong types
    ("warehouse = 3\n", "warehouse: is 3; expected a table"),
    ("[warehouse]\nthreads = true\n", "warehouse.threads: is true; expected a whole number"),
    ("[warehouse]\nthreads = 2.0\n", "warehouse.threads: is 2.0; expected a whole number"),
    ('[warehouse]\nwait_seconds = "60"\n', 'warehouse.wait_seconds: is "60"; expected a whole number'),
    (
        '[pull]\npredictions = "inbox/*.csv"\n',
        'pull.predictions: is "inbox/*.csv"; expected a list in brackets',
    ),
    ("[pull]\nlabels = [1]\n", "pull.labels #1: is 1; expected a text in quotes"),
    (OBSTACLE + "features = 1\n", "attribute.obstacle.features: is 1; expected a text in quotes"),
    ('attribute = "obstacle"\n', 'attribute: is "obstacle"; expected tables named [attribute.NAME]'),
    ('[attribute]\nlabels = ["a", "b"]\n', "attribute.labels: is a list; expected a table"),
    ('[rule]\nname = "x"\n', "rule: is a table; expected [[rule]] tables"),
    ("[answers]\nshow_prediction = 1\n", "answers.show_prediction: is 1; expected true or false"),
    ("[gate]\nalpha = true\n", "gate.alpha: is true; expected a number"),
    ("[gate]\nmargin = nan\n", "gate.margin: is nan; expected a number"),
    (OBSTACLE + 'was = ["step_ladder"]\n', "attribute.obstacle.was: is a list; expected a table"),
    (
        OBSTACLE + "[attribute.obstacle.trainer_settings]\nsince = 2024-05-01\n",
        "attribute.obstacle.trainer_settings.since: is 2024-05-01; expected a text, a finite",
    ),
    # ranges
    (
        "[warehouse]\nthreads = 0\n",
        "warehouse.threads: is 0; expected a whole number at least 1 and at most 1024",
    ),
    (
        "[warehouse]\nquery_seconds = 3000000000\n",
        "warehouse.query_seconds: is 3000000000; expected a whole number at least 1 and at most 2147483647",
    ),
    ("[gate]\nalpha = 0.6\n", "gate.alpha: is 0.6; expected a number above 0 and at most 0.5"),
    ("[gate]\nalpha = 0\n", "gate.alpha: is 0; expected a number above 0 and at most 0.5"),
    ("[gate]\npower = 1\n", "gate.power: is 1; expected a number above 0 and below 1"),
    ("[gate]\nmargin = -0.01\n", "gate.margin: is -0.01; expected a number at least 0 and below 1"),
    ("near_duplicate = 5\n", "near_duplicate: is 5; expected a number at least 0 and at most 1"),
    (
        "[answers]\nknown_item_share = 1.0\n",
        "answers.known_item_share: is 1.0; expected a number at least 0 and below 1",
    ),
    ("[audit]\naql = 2\n", "audit.aql: is 2; expected one of 0.065, 0.1, 0.15, 0.25"),
    (
        '[audit]\nlevel = "IV"\n',
        'audit.level: is "IV"; expected "S-1", "S-2", "S-3", "S-4", "I", "II" or "III"',
    ),
    (
        "[assemble.weights]\nmined = 0\n",
        "assemble.weights.mined: is 0; expected a number at least 1e-06 and at most 999999",
    ),
    (
        OBSTACLE + "low_margin = 1.5\n",
        "attribute.obstacle.low_margin: is 1.5; expected a number above 0 and at most 1",
    ),
    (
        OBSTACLE + "answers_needed = 6\n",
        "attribute.obstacle.answers_needed: is 6, more than answers_at_most, which is 5",
    ),
    # the warehouse
    (
        '[warehouse]\nmemory_limit = "4"\n',
        'warehouse.memory_limit: is "4"; expected a size with its unit, as in "4GB" or "512MiB"',
    ),
    ('[warehouse]\nmemory_limit = "0GB"\n', "warehouse.memory_limit"),
    ('[warehouse]\nmemory_limit = "80%"\n', "warehouse.memory_limit"),
    ('[warehouse]\nlocation = " "\n', 'warehouse.location: is " "; expected a text that is not empty'),
    (
        '[warehouse]\nlocation = "postgres:dbname=orchard password=hunter2"\n',
        'warehouse.location: is of the unknown kind "postgres:"; expected a file path, "duckl',
    ),
    (
        '[warehouse]\nlocation = "ducklake:lake.db"\n',
        "warehouse.location: names no catalogue that is known; expected a file path, ",
    ),
    (
        '[warehouse]\nlocation = "ducklake:"\n',
        "warehouse.location: names no catalogue that is known; expected a file path, ",
    ),
    (
        '[warehouse]\nlocation = "ducklake:postgres:dbname=orchard"\n',
        "warehouse.data_path: is missing; a lake on PostgreSQL needs a folder that all hosts share",
    ),
    (
        '[warehouse]\ndata_path = "lake/"\n',
        "warehouse.data_path: is for a ducklake location; a warehouse file has none",
    ),
    (
        '[warehouse]\nmetadata_schema = "a; drop schema b"\n',
        'warehouse.metadata_schema: is "a; drop schema b"; expected the name of a PostgreSQL schema',
    ),
    # attributes
    (
        '[attribute.Obstacle]\nlabels = ["a", "b"]\n',
        'attribute.Obstacle: is "Obstacle"; expected a name of a-z, 0-9 and _ that starts with a letter',
    ),
    (
        "[attribute.obstacle]\n",
        'attribute.obstacle.labels: is missing or empty; expected a list of labels, or kind = "number"',
    ),
    ("[attribute.obstacle]\nlabels = []\n", "attribute.obstacle.labels: is missing or empty"),
    (
        '[attribute.obstacle]\nlabels = ["person"]\n',
        "attribute.obstacle.labels: has one label; expected at least two",
    ),
    ('[attribute.obstacle]\nlabels = ["a", "b", "a"]\n', 'attribute.obstacle.labels: has "a" twice'),
    (
        '[attribute.obstacle]\nlabels = ["caf\\u00e9", "cafe\\u0301"]\n',
        'attribute.obstacle.labels: has "café" twice',
    ),
    (
        '[attribute.obstacle]\nlabels = ["a", ""]\n',
        'attribute.obstacle.labels #2: is ""; expected 1 to 200 characters',
    ),
    (
        '[attribute.obstacle]\nlabels = ["a", "b\\nc"]\n',
        'attribute.obstacle.labels #2: is "b\\nc"; expected 1 to 200',
    ),
    ('[attribute.obstacle]\nlabels = ["a", "b\\u001f"]\n', "attribute.obstacle.labels #2"),
    (f'[attribute.obstacle]\nlabels = ["a", "{"x" * 201}"]\n', "attribute.obstacle.labels #2"),
    (
        '[attribute.obstacle]\nlabels = ["a", "unsure"]\n',
        'attribute.obstacle.labels: "unsure" is an answer that means that there is no label',
    ),
    (
        '[attribute.obstacle]\nlabels = ["a", "unusable"]\n',
        'attribute.obstacle.labels: "unusable" is an answer',
    ),
    (
        OBSTACLE + 'critical = ["persn"]\n',
        'attribute.obstacle.critical: "persn" is none of the labels; the nearest known one is `person`',
    ),
    (
        OBSTACLE + 'was = {"step_ladder" = "lader"}\n',
        'attribute.obstacle.was.step_ladder: "lader" is none of the labels; the nearest known one is `l',
    ),
    (
        OBSTACLE + 'was = {"crate" = "ladder"}\n',
        "attribute.obstacle.was.crate: is a label still; only a label",
    ),
    (OBSTACLE + 'was = {"unsure" = "ladder"}\n', 'attribute.obstacle.was: "unsure" is an answer'),
    (
        OBSTACLE + 'was = {"caf\\u00e9" = "crate", "cafe\\u0301" = "ladder"}\n',
        'attribute.obstacle.was."cafe\u0301": stands there twice, written with different Unicode characters',
    ),
    (OBSTACLE + 'kind = "klass"\n', 'attribute.obstacle.kind: is "klass"; expected "class" or "number"'),
    (
        OBSTACLE + "tolerance = 0.2\n",
        'attribute.obstacle.tolerance: is for kind = "number"; this attribute is a class',
    ),
    (OBSTACLE + 'unit = "m"\n', 'attribute.obstacle.unit: is for kind = "number"; this attribute is a class'),
    (
        '[attribute.width]\nkind = "number"\ntolerance = 1\n',
        'attribute.width.unit: is missing; kind = "number" needs one',
    ),
    (
        '[attribute.width]\nkind = "number"\nunit = "m"\n',
        'attribute.width.tolerance: is missing; kind = "number" needs one',
    ),
    (
        '[attribute.width]\nkind = "number"\nunit = "m"\ntolerance = 0\n',
        "attribute.width.tolerance: is 0; expected a number above 0",
    ),
    (
        '[attribute.width]\nkind = "number"\nunit = "m"\ntolerance = 1\nlabels = ["a", "b"]\n',
        'attribute.width.labels: is for kind = "class"; this attribute is a number',
    ),
    (
        '[attribute.width]\nkind = "number"\nunit = "m"\ntolerance = 1\nrules = ["low_margin"]\n',
        "attribute.width.rules: low_margin looks at the scores of labels; a number has none",
    ),
    (
        OBSTACLE + 'group_by = "recording"\n',
        'attribute.obstacle.group_by: no column "recording" to group by; the nearest known one is `recor',
    ),
    (
        OBSTACLE + 'within_track = "steady"\n',
        'attribute.obstacle.within_track: is "steady"; expected "varying" or "constant"',
    ),
    (OBSTACLE + 'trainer = ""\n', 'attribute.obstacle.trainer: is ""; expected a text that is not empty'),
    (
        OBSTACLE + 'trainer = "builtin:mpl"\n',
        'attribute.obstacle.trainer: no built-in trainer "builtin:mpl"; the nearest known one is `bu',
    ),
    (
        OBSTACLE + 'rules = ["low_margins"]\n',
        'attribute.obstacle.rules: no built-in rule "low_margins"; the nearest known one is `low_m',
    ),
    (
        OBSTACLE + 'rules = ["unstable_in_track"]\n',
        "attribute.obstacle.rules: unstable_in_track is not available in this version; available: label",
    ),
    (OBSTACLE + 'rules = ["low_margin", "low_margin"]\n', 'attribute.obstacle.rules: has "low_margin" twice'),
    (
        OBSTACLE + 'deciders = ["ann, bo"]\n',
        'attribute.obstacle.deciders #1: is "ann, bo"; expected 1 to 200 characters, no comma',
    ),
    (OBSTACLE + 'slices = [""]\n', 'attribute.obstacle.slices #1: is ""; expected a text that is not empty'),
    # rules, checks, restrictions of the user's own
    (
        OBSTACLE + '[[rule]]\nname = "odd"\nattribute = "obstacle"\n',
        "rule[odd].where: is missing, and has no default",
    ),
    (
        OBSTACLE + '[[rule]]\nattribute = "obstacle"\nwhere = "true"\n',
        "rule #1.name: is missing, and has no default",
    ),
    (
        OBSTACLE + '[[rule]]\nname = "odd"\nattribute = "obstacles"\nwhere = "true"\n',
        'rule[odd].attribute: no attribute "obstacles"; the nearest known one is `obstacle`',
    ),
    (
        OBSTACLE + '[[rule]]\nname = "odd"\nattribute = "obstacle"\nwhere = "true"\n' * 2,
        'rule: has two tables named "odd"; every name stands for one',
    ),
    (
        OBSTACLE + '[[rule]]\nname = "low_margin"\nattribute = "obstacle"\nwhere = "true"\n',
        "rule[low_margin].name: is the name of a built-in rule; choose another",
    ),
    (
        OBSTACLE + 'rules = ["odd"]\n[[rule]]\nname = "odd"\nattribute = "obstacle"\nwhere = "true"\n',
        "attribute.obstacle.rules: odd is a [[rule]] of your own, always in use; take it out",
    ),
    (
        OBSTACLE + '[[check]]\nname = "odd"\nattribute = "obstacle"\nwhere = "true"\nrequirement = "may"\n',
        'check[odd].requirement: is "may"; expected "must" or "should"',
    ),
    (
        '[[check]]\nname = "odd"\nattribute = "obstacle"\nwhere = "true"\n',
        'check[odd].attribute: no attribute "obstacle"; none is known here',
    ),
    (
        '[[restriction]]\nwhere = "true"\nnever = ["sale"]\n',
        'restriction #1.never #1: is "sale"; expected "queue", "train" or "export"',
    ),
    (
        '[[restriction]]\nwhere = "true"\n',
        "restriction #1: restricts nothing; expected never (queue, train, export) or keep (days)",
    ),
    # the schedule
    (
        '[schedule]\ntimezone = "Europe/Berln"\n',
        'schedule.timezone: no time zone "Europe/Berln"; the nearest known one is `Europe/Berlin`',
    ),
    ('[schedule]\ntimezone = "../UTC"\n', "schedule.timezone"),
    (
        '[schedule]\nnightly = "0 2 * *"\n',
        'schedule.nightly: is "0 2 * *"; expected five fields, as in "0 2 * * *", or "" for never',
    ),
    (
        '[schedule]\nround = "0 24 * * *"\n',
        'schedule.round: is "0 24 * * *"; its hour "24" is not a value, range or step of 0 to 23',
    ),
    ('[schedule]\nround = "*/0 * * * *"\n', "schedule.round"),
    ('[schedule]\nround = "0 2 * * fun"\n', "schedule.round"),
    # texts that are no TOML
    (
        "[gate]\nalpha = 0,05\n",
        "is not valid TOML: Expected newline or end of document after a statement (at line 2",
    ),
    ("[gate]\nalpha = 1\nalpha = 2\n", "is not valid TOML: Cannot overwrite a value (at line 3, column "),
    ("near_duplicate = " + "[" * 5000, "is not usable TOML: it is nested too deeply"),
    ("near_duplicate = " + "9" * 5000, "is not usable TOML: it holds a number that is too long"),
]


def write_settings(folder: Path, text: str) -> Path:
    (folder / "turnrow.toml").write_text(text, encoding="utf-8")
    return folder


@pytest.mark.parametrize(("text", "message"), BAD_SETTINGS)
def test_bad_settings_are_named_in_one_line(tmp_path: Path, text: str, message: str) -> None:
    loop = write_settings(tmp_path, text)
    with pytest.raises(SettingsError) as raised:
        read_settings(loop)
    line = str(raised.value)
    assert line.startswith(f"{loop / 'turnrow.toml'}: {message}")
    assert "\n" not in line
    assert "hunter2" not in line
