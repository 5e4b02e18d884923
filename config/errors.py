"""The errors that a person sees, each as one line: where, what, what was expected, what to do.

::

    HubproofError            anything that ends a command with one line
    ├── InputError           a file, an argument or a setting cannot be used (exit status 2)
    ├── LinkError            an indicator cannot be reached or understood
    └── StoreError           the station's database cannot be read or written
"""

from __future__ import annotations

LONGEST_LINE = 1_000


class HubproofError(Exception):
    """Base of every error that is told to the user in one line.

    Args:
        what: what was found, in plain words.
        where: the file and line, port, or argument at fault.
        expected: what would have been accepted.
        do: what the user can do about it.
    """

    exit_status = 2

    def __init__(
        self, what: str, *, where: str | None = None, expected: str | None = None, do: str | None = None
    ) -> None:
        self.what = what
        self.where = where
        self.expected = expected
        self.do = do
        super().__init__(self.line())

    def line(self) -> str:
        """The whole message as one line, without line breaks whatever the input held."""
        text = f"{self.where}: {self.what}" if self.where else self.what
        if self.expected:
            text += f"; expected {self.expected}"
        if self.do:
            text += f"; {self.do}"
        text = "".join(c if c.isprintable() else f"\\x{ord(c):02x}" for c in " ".join(text.split()))
        if len(text) > LONGEST_LINE:  # what was found may be a whole file without a line end
            text = f"{text[: LONGEST_LINE // 2]} … {text[-LONGEST_LINE // 2 :]}"
        return text


class InputError(HubproofError):
    """A trace file, an argument or a setting that cannot be used."""


class LinkError(HubproofError):
    """An indicator that cannot be opened, has gone, or sends what its description does not allow."""


class StoreError(HubproofError):
    """The station's database cannot be opened, read or written."""
