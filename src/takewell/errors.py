"""The one family of errors that speaks to people.

A message is one sentence: which file or value, what is wrong, what is accepted or what to do.
The command line turns any of these into exit code 2; whatever else escapes is a bug.
"""


class TakewellError(Exception):
    """The request cannot be carried out; the message says why in one sentence."""


class FileError(TakewellError, ValueError):
    """A file cannot be read for what it should be."""


class SignalError(TakewellError, ValueError):
    """An array handed to a computation is not what the computation accepts."""


class SettingError(TakewellError, ValueError):
    """A setting, option or line of a text file is wrong."""


class DestinationError(TakewellError, OSError):
    """A place to write to is full, missing, read-only or already taken."""
