"""What can go wrong, as a shallow tree; each text says what was wrong, where, and what to do next."""


def spell_printable(text: str) -> str:
    r"""Return a text that UTF-8 can hold: bytes of a file name that are not are spelled as in `bad\xff.csv`."""
    try:
        raw = text.encode("utf-8", "surrogateescape")
    except UnicodeEncodeError:  # half a surrogate pair that no file name brought along
        raw = text.encode("utf-8", "backslashreplace")
    return raw.decode("utf-8", "backslashreplace")


class TurnrowError(Exception):
    """Base of every error that a user can act on; the command line shows it as one line, printable throughout."""

    exit_code = 1

    def __str__(self) -> str:
        return spell_printable(super().__str__())


class SettingsError(TurnrowError):
    """A settings or case file breaks its rules: names the file and the key."""


class ExpressionError(TurnrowError):
    """A `where` text, a user check or a query asks for more than is allowed."""


class InputError(TurnrowError):
    """A file or argument that was handed in cannot be used."""


class UnknownNameError(TurnrowError):
    """A case, attribute, model, version or sample that the warehouse does not know."""


class WarehouseError(TurnrowError):
    """The warehouse cannot be opened, migrated or written."""


class BusyWarehouseError(WarehouseError):
    """Another process held the warehouse for longer than `wait_seconds`."""


class TrainerError(TurnrowError):
    """A trainer failed, or wrote something that cannot be used."""


class NotYetError(TurnrowError):
    """The step ran and the answer is no, or not yet: exit code 3."""

    exit_code = 3
