"""Errors a person can act on.

::

    GisprioError
    ├── SettingsError   the config file or an option is wrong                  exit code 2
    ├── InputError      a layer, a results folder or the output place is wrong  exit code 2
    ├── MissingPart     an optional part is not installed                      exit code 3
    ├── RunError        the machine gave out: disk, memory, scheduler          exit code 4
    └── ContractError   a stage broke its promise: a fault in gisprio          exit code 1

Every message has one form: what is wrong and where, what was wanted, one thing to do.
Any other exception is a bug and may show its traceback.
"""

from __future__ import annotations


class GisprioError(Exception):
    """What is wrong and where; what was wanted; what to do.

    Parameters
    ----------
    says
        What is wrong with the value, and where (layer and key, or file and setting).
    wanted
        What would have been right.
    do
        One thing to do about it.
    """

    exit_code = 1

    def __init__(self, says: str, *, wanted: str = "", do: str = "") -> None:
        super().__init__(says)
        self.says = says
        self.wanted = wanted
        self.do = do

    def __str__(self) -> str:
        lines = [self.says]
        if self.wanted:
            lines.append(f"  Wanted: {self.wanted}")
        if self.do:
            lines.append(f"  Do: {self.do}")
        return "\n".join(lines)

    def report(self) -> str:
        """Give the whole message as it is printed: the kind of error, then its lines."""
        return f"{type(self).__name__}: {self}"


class SettingsError(GisprioError):
    """The config file or a command-line option is wrong."""

    exit_code = 2


class InputError(GisprioError):
    """A layer, a results folder or the output place is wrong."""

    exit_code = 2


class MissingPart(GisprioError):  # noqa: N818 - the name users know
    """An optional part is not installed."""

    exit_code = 3


class RunError(GisprioError):
    """The machine gave out; earlier results are whole."""

    exit_code = 4


class ContractError(GisprioError):
    """A stage broke what its layer promises: a fault in gisprio."""

    exit_code = 1
