"""What a `turnrow.toml` may hold, and the files that are none."""

from pathlib import Path

import pytest

from tasks.errors import SettingsError
from tasks.read_settings import read_settings

ORCHARD = """
[attribute.obstacle]
labels = ["person", "animal", "crate", "ladder", "foliage"]
critical = ["person"]
was = {"step_ladder" = "ladder"}

[attribute.ground]
labels = ["firm", "soft", "flooded"]

[attribute.row_width]
kind = "number"
unit = "m"
tolerance = 0.2
"""


def write_settings(folder: Path, text: str) -> Path:
    (folder / "turnrow.toml").write_text(text, encoding="utf-8")
    return folder


def test_a_folder_that_is_no_loop_says_how_to_make_one(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match=r"turnrow\.toml: there is no such file; `turnrow init DIR`"):
        read_settings(tmp_path)


def test_a_file_that_is_not_utf8_says_so_and_where(tmp_path: Path) -> None:
    path = tmp_path / "turnrow.toml"
    path.write_bytes(ORCHARD.encode() + '[media]\nroots = ["Bäume"]\n'.encode("latin-1"))
    with pytest.raises(SettingsError) as raised:
        read_settings(tmp_path)
    assert str(raised.value) == f"{path}: is not UTF-8: byte 0xe4 in line 15; save it as UTF-8"


def test_byte_order_mark_and_windows_line_ends_are_taken(tmp_path: Path) -> None:
    plain = read_settings(write_settings(tmp_path, ORCHARD))
    (tmp_path / "turnrow.toml").write_bytes(b"\xef\xbb\xbf" + ORCHARD.replace("\n", "\r\n").encode())
    assert read_settings(tmp_path) == plain


def test_an_empty_file_is_all_defaults(tmp_path: Path) -> None:
    settings = read_settings(write_settings(tmp_path, ""))
    assert settings.attribute == {}
    assert settings.warehouse.location == "warehouse.duckdb"
    assert settings.audit is None


def test_every_setting_of_the_contract_is_taken(tmp_path: Path) -> None:
    text = """
near_duplicate = 0.1
[warehouse]
location = "ducklake:postgres:dbname=orchard password=${ORCHARD_PASSWORD}"
wait_seconds = 0
query_seconds = 5
memory_limit = "512 MiB"
threads = 4
data_path = "s3://orchard/lake"
metadata_schema = "orchard"
[pull]
predictions = ["in/**/*.jsonl.gz"]
labels = ["in/labels.csv"]
answers = ["in/answers/*.csv"]
[attribute.obstacle]
kind = "class"
labels = ["person", "crate"]
critical = ["person"]
was = {"box" = "crate"}
group_by = "(context->>'block')"
within_track = "constant"
slices = ["unit_id", "(context->>'light')"]
guideline = "guidelines/obstacle.md"
trainer = "orchard.train:fit"
rules = []
low_margin = 1
features = "2"
embedder = "thermal-3"
answers_needed = 1
answers_at_most = 3
deciders = ["ann"]
signers = ["bo"]
[attribute.obstacle.trainer_settings]
hidden = [64, 32]
token = "${TRAINER_TOKEN}"
[[rule]]
name = "near_crate"
attribute = "obstacle"
where = "predicted = 'crate'"
[[check]]
name = "no_lamps"
attribute = "obstacle"
requirement = "must"
where = "true"
[queue]
ask_per_run = 0
lease_minutes = 30
per_week = 10
open_at_most = 20
[answers]
settle_at = 0.9
known_item_share = 0.05
annotator_floor = 0.7
show_prediction = true
[audit]
aql = 4.0
level = "S-2"
lot_size = 50
[gate]
alpha = 0.1
power = 0.9
margin = 0
critical_margin = 0.01
false_alarm_margin = 0.02
looks_at_most = 3
seeds = 3
[assemble]
caps = {base = 1000, look_alike = 0}
weights = {fixed = 2}
[schedule]
nightly = "*/15 1-5,22 1 jan mon-fri"
round = "0 4 * * 7"
timezone = "Europe/Berlin"
round_after_fixes = 5
[watch]
silent_hours = 30
off = ["disk"]
[notify]
command = "mail orchard"
webhook = "${HOOK}"
[retention]
days = 400
[media]
roots = ["/media/carts"]
[[restriction]]
where = "unit_id = 'cart-7'"
never = ["train", "export"]
keep = 30
"""
    settings = read_settings(write_settings(tmp_path, text))
    obstacle = settings.attribute["obstacle"]
    assert settings.near_duplicate == 0.1
    assert settings.warehouse.location.endswith("${ORCHARD_PASSWORD}")
    assert settings.pull.answers == ("in/answers/*.csv",)
    assert (obstacle.name, obstacle.was, obstacle.low_margin) == ("obstacle", {"box": "crate"}, 1.0)
    assert obstacle.trainer_settings == {"hidden": [64, 32], "token": "${TRAINER_TOKEN}"}
    assert settings.check[0].requirement == "must"
    assert settings.audit is not None and settings.audit.aql == 4.0
    assert settings.assemble.caps == {"base": 1000, "look_alike": 0}
    assert settings.assemble.weights == {"fixed": 2.0}
    assert (settings.watch.silent_hours, settings.watch.off) == (30, ("disk",))
    assert settings.restriction[0].never == ("train", "export")


@pytest.mark.parametrize(
    ("location", "data_path"),
    [
        ("night.duckdb", ""),
        ("C:\\orchard\\night.duckdb", ""),
        ("ducklake:lake.sqlite", ""),
        ("ducklake:folder/lake.ducklake", "data/"),
        ("ducklake:postgres:${CATALOGUE}", "lake"),
        ("ducklake:${CATALOGUE}", "lake"),
        ("${LOCATION}", "lake"),
    ],
)
def test_every_kind_of_warehouse_location_is_taken(tmp_path: Path, location: str, data_path: str) -> None:
    text = f"[warehouse]\nlocation = '{location}'\ndata_path = '{data_path}'\n"
    assert read_settings(write_settings(tmp_path, text)).warehouse.location == location
