"""Every way lightgap says no, in one tree.

LightgapError                 exit status
├── InputError                2   the command line, a reading or a setting is wrong
├── Refusal                   3   the photo was read and cannot be measured; carries a finding code
└── FileProblem               4   a file cannot be read or written
"""

from __future__ import annotations


class LightgapError(Exception):
    """Base of all errors that are shown to the user as one line."""

    exit_status = 1


class InputError(LightgapError):
    """What the caller asked for makes no sense: names the setting and the value got."""

    exit_status = 2


class Refusal(LightgapError):
    """The photo was read and cannot be measured.

    Parameters
    ----------
    code
        A code of the findings registry (`lightgap.vision.findings`).
    message
        One line: what is wrong, where, what to change.
    """

    exit_status = 3

    def __init__(self, code: str, message: str) -> None:
        super().__init__(message)
        self.code = code
        self.message = message


class FileProblem(LightgapError):
    """A file cannot be read or written: names the file and the cause."""

    exit_status = 4
