"""TOML tables into typed values: a dataclass says which keys there are, of what type and in which range.

A field's type may be `str`, `int`, `float`, `bool`, `Any`, a `Literal`, a dataclass, `tuple[X, ...]`,
`dict[K, X]`, `X | None` or `str | tuple[str, ...]`; `Annotated[X, Limits(…)]` and `Annotated[str, Shape(…)]`
narrow it. A field with the metadata `NOT_A_KEY` is filled by the program and is unknown to the file.
"""

import difflib
import json
import math
import re
import tomllib
import types
import unicodedata
from collections.abc import Iterable, Mapping
from dataclasses import MISSING, Field, dataclass, fields, is_dataclass
from pathlib import Path
from typing import Annotated, Any, Literal, TypeAlias, TypeVar, Union, get_args, get_origin, get_type_hints

NOT_A_KEY = {"key": False}
"""Metadata of a dataclass field that no file may set."""

_GREATEST_INTEGER = 2**31 - 1  # every whole number fits an INTEGER column
_CLOSE = 0.6
_T = TypeVar("_T")
_Hint: TypeAlias = Any  # a field's type as `get_type_hints` gives it; no type describes those
_Value: TypeAlias = Any  # what such a type makes of a TOML value


class SettingsFileError(ValueError):
    """A settings or case file breaks its rules; carries the file, the dotted key or '', and why."""

    def __init__(self, path: Path, key: str, text: str) -> None:
        super().__init__(f"{path}: {key}: {text}" if key else f"{path}: {text}")
        self.path = path
        self.key = key
        self.text = text


@dataclass(frozen=True)
class Limits:
    """The numbers a setting may take; an open end is itself left out."""

    low: float = -math.inf
    high: float = math.inf
    low_open: bool = False
    high_open: bool = False


@dataclass(frozen=True)
class Shape:
    """The form of a text: a pattern for the whole of it, and the same in words; NFC unless a path."""

    pattern: str
    words: str
    is_path: bool = False


@dataclass(frozen=True)
class Place:
    """Where in which file something stands."""

    path: Path
    key: str = ""

    def inside(self, name: str) -> "Place":
        """Return the place of the key `name` in this table."""
        shown = name if re.fullmatch(r"[\w-]+", name) else _quote(name)
        return Place(self.path, f"{self.key}.{shown}" if self.key else shown)

    def item(self, number: int, name: object = None) -> "Place":
        """Return the place of a list's item, by its name if it has one, else by its number from 1."""
        named = isinstance(name, str) and re.fullmatch(r"[\w-]+", name)
        return Place(self.path, f"{self.key}[{name}]" if named else f"{self.key} #{number}")

    def error(self, text: str) -> SettingsFileError:
        """Return the error that says `text` of this place."""
        return SettingsFileError(self.path, self.key, text)


def load_toml(path: Path) -> tuple[dict[str, Any], str]:
    """Return a TOML file's top table and its text.

    Raises SettingsFileError if it cannot be read, is not UTF-8, or does not parse (the line is named).
    """
    text = _decode(path, _read_bytes(path))
    try:
        return tomllib.loads(text), text
    except tomllib.TOMLDecodeError as error:
        raise SettingsFileError(path, "", f"is not valid TOML: {_name_line(str(error), text)}") from error
    except RecursionError as error:
        raise SettingsFileError(path, "", "is not usable TOML: it is nested too deeply") from error
    except ValueError as error:
        raise SettingsFileError(path, "", "is not usable TOML: it holds a number that is too long") from error


def build_table(kind: type[_T], value: object, place: Place) -> _T:
    """Return the dataclass `kind` filled from a TOML table; what the table leaves out keeps its default.

    Raises SettingsFileError at the first unknown or missing key, wrong type, or value out of range.
    """
    if not isinstance(value, dict):
        raise place.error(f"is {show(value)}; expected a table")
    types_by_key = _read_keys(kind)
    for key in value:
        if key not in types_by_key:
            raise _unknown_key(key, types_by_key, place)
    for key in _required_keys(kind):
        if key not in value:
            raise place.inside(key).error("is missing, and has no default")
    filled = {key: _convert(types_by_key[key], item, place.inside(key)) for key, item in value.items()}
    return kind(**filled)


def find_nearest(name: str, known: Iterable[str]) -> str | None:
    """Return the known name most like `name`, or None if there is none at all."""
    plain = {_simplify(candidate): candidate for candidate in known}
    found = difflib.get_close_matches(_simplify(name), list(plain), n=1, cutoff=0.0)
    return plain[found[0]] if found else None


def name_nearest(name: str, known: Iterable[str]) -> str:
    """Return words that point from an unknown name to the nearest known one; to all if none is near."""
    listed = list(known)
    nearest = find_nearest(name, listed)
    if nearest is None:
        return "none is known here"
    hint = f"the nearest known one is `{nearest}`"
    if difflib.SequenceMatcher(None, _simplify(name), _simplify(nearest)).ratio() >= _CLOSE:
        return hint
    return f"{hint} (known: {', '.join(listed)})"


def show(value: object) -> str:
    """Return a TOML value as one short line for an error."""
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, list):
        return "a list"
    if isinstance(value, str):
        text = _quote(value)
        return text if len(text) <= 60 else text[:57] + "…"
    return f"{str(value).lower() if isinstance(value, bool) else value}"[:60]


def _quote(text: str) -> str:
    """Return a text in quotes on one line, what does not print (controls, direction marks) escaped."""
    quoted = json.dumps(text, ensure_ascii=False)
    return "".join(sign if sign.isprintable() else f"\\u{ord(sign):04x}" for sign in quoted)


def _read_bytes(path: Path) -> bytes:
    try:
        if path.exists() and not path.is_file() and not path.is_dir():  # a pipe would be waited for, for ever
            raise SettingsFileError(path, "", "cannot be read: it is no file; move it away")
        return path.read_bytes()
    except FileNotFoundError as error:
        raise SettingsFileError(path, "", "there is no such file") from error
    except OSError as error:
        raise SettingsFileError(path, "", f"cannot be read: {error.strerror}") from error


def _decode(path: Path, content: bytes) -> str:
    """Return the text; a byte order mark, which some editors write, is dropped."""
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        text = f"is not UTF-8: byte 0x{content[error.start]:02x} in line {line}; save it as UTF-8"
        raise SettingsFileError(path, "", text) from error


def _name_line(message: str, text: str) -> str:
    """Return the parser's message with a line number, which it leaves out for the end of the document."""
    lines = max(1, len(text.splitlines()))
    return message.replace("(at end of document)", f"(at the end of the file, line {lines})")


def _simplify(name: str) -> str:
    return name.lower().replace("-", "_")


def _unknown_key(key: str, types_by_key: Mapping[str, Any], place: Place) -> SettingsFileError:
    return place.inside(key).error(f"unknown key; {name_nearest(key, types_by_key)}")


def _read_keys(kind: type[Any]) -> dict[str, Any]:
    """Return the keys that a table of this dataclass may hold, each with its type."""
    hints = get_type_hints(kind, include_extras=True)
    return {field.name: hints[field.name] for field in fields(kind) if _is_key(field)}


def _required_keys(kind: type[Any]) -> list[str]:
    return [
        field.name
        for field in fields(kind)
        if _is_key(field) and field.default is MISSING and field.default_factory is MISSING
    ]


def _is_key(field: Field[Any]) -> bool:
    return bool(field.metadata.get("key", True))


def _convert(hint: _Hint, value: object, place: Place) -> _Value:
    """Return the TOML value as the type that `hint` names, or raise what was expected."""
    origin, arguments = _find_origin(hint), get_args(hint)
    if hint is Any:
        return _check_plain(value, place)
    if origin is Annotated:
        return _convert_narrowed(arguments[0], arguments[1:], value, place)
    if origin is Literal:
        return _convert_choice(arguments, value, place)
    if origin is tuple:
        return _convert_list(arguments[0], value, place)
    if origin is dict:
        return _convert_named(arguments[0], arguments[1], value, place)
    if origin in (Union, types.UnionType):
        return _convert(_choose_member(arguments, value), value, place)
    if isinstance(hint, type) and is_dataclass(hint):
        return build_table(hint, value, place)
    return _convert_scalar(hint, value, place)


def _find_origin(hint: _Hint) -> object:
    origin: object = get_origin(hint)
    return origin


def _choose_member(arguments: tuple[Any, ...], value: object) -> _Hint:
    """Return the member of a union to read a value as: a list wants the tuple, else the other."""
    members = [member for member in arguments if member is not types.NoneType]
    wanted = [member for member in members if (_find_origin(member) is tuple) == isinstance(value, list)]
    return (wanted or members)[0]


def _convert_scalar(kind: type[Any], value: object, place: Place) -> _Value:
    if kind is float:
        return _convert_number(value, place)
    if kind is int and isinstance(value, int) and not isinstance(value, bool):
        return value
    if kind is str and isinstance(value, str):
        return _check_text(value, place)
    if kind is bool and isinstance(value, bool):
        return value
    expected = {int: "a whole number", str: "a text in quotes", bool: "true or false"}[kind]
    raise place.error(f"is {show(value)}; expected {expected}")


def _convert_number(value: object, place: Place) -> float:
    if isinstance(value, int | float) and not isinstance(value, bool):
        try:
            number = float(value)
        except OverflowError:
            number = math.inf
        if math.isfinite(number):
            return number
    raise place.error(f"is {show(value)}; expected a number")


def _check_text(value: str, place: Place) -> str:
    """Return a text unless it holds what separates fields in an id or ends a line of a digest."""
    if re.search(r"[\x00-\x08\x0b-\x1f\x7f]", value.replace("\r\n", "\n")):
        raise place.error(f"is {show(value)}; expected no control characters")
    return value


def _convert_narrowed(base: _Hint, rules: tuple[Any, ...], value: object, place: Place) -> _Value:
    """Return a value of the type `base` that keeps every rule (`Limits`, `Shape`) beside it."""
    for rule in rules:
        if isinstance(rule, Shape) and isinstance(value, str):
            value = value if rule.is_path else unicodedata.normalize("NFC", value)
            if not re.fullmatch(rule.pattern, value):
                raise place.error(f"is {show(value)}; expected {rule.words}")
    converted = _convert(base, value, place)
    for rule in rules:
        if isinstance(rule, Limits) and not _is_within(converted, rule, whole=base is int):
            raise place.error(f"is {show(value)}; expected {_describe(rule, whole=base is int)}")
    return converted


def _is_within(value: float, limits: Limits, *, whole: bool) -> bool:
    high = min(limits.high, _GREATEST_INTEGER) if whole else limits.high
    above = value > limits.low if limits.low_open else value >= limits.low
    below = value < high if limits.high_open else value <= high
    return above and below


def _describe(limits: Limits, *, whole: bool) -> str:
    high = min(limits.high, _GREATEST_INTEGER) if whole else limits.high
    ends = []
    if limits.low > -math.inf:
        ends.append(f"{'above' if limits.low_open else 'at least'} {limits.low:.15g}")
    if high < math.inf:
        ends.append(f"{'below' if limits.high_open else 'at most'} {high:.15g}")
    return f"{'a whole number' if whole else 'a number'} {' and '.join(ends)}"


def _convert_choice(choices: tuple[Any, ...], value: object, place: Place) -> _Value:
    if value in choices and isinstance(value, str):
        return value
    raise place.error(f"is {show(value)}; expected {_list_choices(choices)}")


def _list_choices(choices: Iterable[str]) -> str:
    *first, last = [f'"{choice}"' for choice in choices]
    return f"{', '.join(first)} or {last}" if first else last


def _convert_list(hint: _Hint, value: object, place: Place) -> tuple[Any, ...]:
    if not isinstance(value, list):
        wanted = f"[[{place.key}]] tables" if is_dataclass(hint) else "a list in brackets"
        raise place.error(f"is {show(value)}; expected {wanted}")
    places = [place.item(number, _read_name(item)) for number, item in enumerate(value, start=1)]
    return tuple(_convert(hint, item, where) for item, where in zip(value, places, strict=True))


def _read_name(item: object) -> object:
    return item.get("name") if isinstance(item, dict) else None


def _convert_named(key_hint: _Hint, hint: _Hint, value: object, place: Place) -> dict[str, Any]:
    """Return a table whose keys are the user's own (or of a fixed list), in the file's order."""
    if not isinstance(value, dict):
        wanted = f"tables named [{place.key}.NAME]" if is_dataclass(hint) else "a table"
        raise place.error(f"is {show(value)}; expected {wanted}")
    choices = get_args(key_hint) if _find_origin(key_hint) is Literal else ()
    converted: dict[str, Any] = {}
    for key, item in value.items():
        where = place.inside(key)
        if choices and key not in choices:
            raise where.error(f"unknown key; {name_nearest(key, choices)}")
        name = key if choices else _convert(key_hint, key, where)
        if name in converted:
            raise where.error("stands there twice, written with different Unicode characters")
        converted[name] = _convert(hint, item, where)
    return converted


def _check_plain(value: object, place: Place) -> object:
    """Return a value that is passed on as JSON; dates and numbers that are not finite have no JSON form."""
    if isinstance(value, dict):
        return {key: _check_plain(item, place.inside(key)) for key, item in value.items()}
    if isinstance(value, list):
        return [_check_plain(item, place.item(number)) for number, item in enumerate(value, start=1)]
    if isinstance(value, str | bool | int) or (isinstance(value, float) and math.isfinite(value)):
        return value
    raise place.error(f"is {show(value)}; expected a text, a finite number, true or false, a list or a table")
