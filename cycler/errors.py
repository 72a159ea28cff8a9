"""Errors that a user can act on: what, where, why and how to mend."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Location:
    """Place in a file. ``line`` counts from 1 in the file as stored, ``column`` is the field of a table, the character elsewhere."""

    file: str
    line: int | None = None
    column: int | None = None

    def __str__(self) -> str:
        parts = [self.file]
        if self.line is not None:
            parts.append(str(self.line))
            if self.column is not None:
                parts.append(str(self.column))
        return ":".join(parts)


class CyclerError(Exception):
    """Base class of every error this program raises on purpose."""


class InputError(CyclerError):
    """Input that cannot be used, told in four parts.

    Parameters
    ----------
    what : str
        What is wrong, one clause, no full stop.
    where : Location or str
        File (with line and field where known), option or quantity concerned.
    why : str
        What was found and why it cannot be used.
    mend : str
        What the user can do about it.
    """

    def __init__(self, what: str, where: Location | str, why: str, mend: str) -> None:
        self.what = what
        self.where = where
        self.why = why
        self.mend = mend
        super().__init__(self.one_line())

    def one_line(self) -> str:
        """The four parts on one line, as the command prints them on standard error."""
        text = " ".join(f"{self.where}: error: {self.what} | why: {self.why} | mend: {self.mend}".split())
        return "".join(ch if ch.isprintable() else "\N{REPLACEMENT CHARACTER}" for ch in text)

    def __str__(self) -> str:
        return self.one_line()

    def parts(self) -> dict[str, str]:
        """The four parts by name, as plain text."""
        return {"what": self.what, "where": str(self.where), "why": self.why, "mend": self.mend}

    def bare(self) -> InputError:
        """The four parts alone, for one that is kept: the calls an error came through hold whole logs, as long as it is there."""
        return InputError(self.what, self.where, self.why, self.mend)


def quote(value: object, limit: int = 40) -> str:
    """What was found in a file, cut to ``limit`` characters and safe to print on one line."""
    try:
        text = str(value)
    except ValueError:
        # Python refuses to write out integers of more than 4300 digits.
        text = "a number of thousands of digits"
    text = "".join(ch if ch.isprintable() else "\N{REPLACEMENT CHARACTER}" for ch in text)
    if len(text) > limit:
        text = text[: limit - 1] + "…"
    return f'"{text}"'
