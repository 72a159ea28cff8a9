"""Rows in brackets, in single quotes, or with a label before every reading, to plain rows of the same lines.

What JSON calls objects and arrays, one a line, is read as such rows; nothing deeper of JSON is.
"""

from __future__ import annotations

import re

from cycler.readers import cells

_SAMPLE = 60
_MARKS = (";", "\t", "|", ",", " ")
_LABEL = r"[^\W\d][^=:;,|\t\"]{0,39}?"
_PAIR = re.compile(rf"^\"?({_LABEL})\"?\s*[=:]\s*(.*)$")
_QUOTED = re.compile(r"^'[^']*'(?:\s*[,;\t|]\s*'[^']*')+$")
_WRAPPED = re.compile(r"^([\[({])(.*)([\])}]),?$")
_OPENING = {"[": "]", "(": ")", "{": "}"}


def bare_rows(body: bytes) -> tuple[bytes, tuple[str, ...]]:
    """The text with bare rows, and the labels that stood in each of them (empty if they had none).

    Every line stays where it was, so that line numbers hold. A text of another kind comes back as it is.
    """
    sample = _some_lines(body)
    if len(sample) < 3:
        return body, ()
    wrapped = _share(sample, lambda line: _WRAPPED.match(line) and _OPENING[line[0]] == line.rstrip(",")[-1:]) > 0.8
    quoted = _share(sample, _QUOTED.match) > 0.8
    if not (wrapped or quoted):
        return _without_labels(body, sample, wrapped=False)
    if wrapped and _mark_of([_unwrapped(line) for line in sample]) is not None:
        return _without_labels(body, sample, wrapped=True)
    lines = body.decode("utf-8", "replace").split("\n")
    if wrapped:
        lines = [_unwrapped(line.strip()) for line in lines]
    if quoted or _share([_unwrapped(line) for line in sample], _QUOTED.match) > 0.8:
        lines = [line.replace("'", '"') for line in lines]
    return "\n".join(lines).encode(), ()


def _some_lines(body: bytes) -> list[str]:
    """Lines from the middle and the end of the beginning, where a preamble is over."""
    piece = body[:200_000]
    lines = [line.strip() for line in piece.decode("utf-8", "replace").split("\n")]
    lines = [line for line in lines if line and len(line) < 2000]
    return lines[len(lines) // 3:][:_SAMPLE]


def _share(lines: list[str], test) -> float:
    return sum(bool(test(line)) for line in lines) / max(1, len(lines))


def _unwrapped(line: str) -> str:
    found = _WRAPPED.match(line)
    return found[2].strip() if found and _OPENING[found[1]] == found[3] else line


def _pairs(line: str, mark: str) -> list[tuple[str, str]] | None:
    """(label, value) of every field of a line, the label empty for a time or number in front; None if it is no such line."""
    fields = line.split() if mark == " " else [field.strip() for field in line.split(mark)]
    if fields and not fields[-1]:
        fields.pop()
    out: list[tuple[str, str]] = []
    for place, field in enumerate(fields):
        found = _PAIR.match(field)
        if found is not None and _is_reading(found[2]):
            out.append((" ".join(found[1].split()), found[2].strip().strip('"')))
        elif place == 0 and _is_reading(field.strip("[]()<>")):
            out.append(("", field.strip("[]()<>")))
        else:
            return None
    return out if sum(bool(label) for label, _ in out) >= 2 and len({label for label, _ in out}) == len(out) else None


def _is_reading(text: str) -> bool:
    text = text.strip().strip('"')
    if cells.is_missing(text) or cells.is_number_like(text) or cells.is_time_like(text):
        return True
    carried = cells.split_unit(text)
    return carried is not None or (text.isalpha() and len(text) < 20)


def _mark_of(sample: list[str]) -> str | None:
    """What stands between the labelled readings, or None if the lines are no such rows."""
    for mark in _MARKS:
        if _share(sample, lambda line, mark=mark: _pairs(line, mark)) > 0.8:
            return mark
    return None


def _usual_row(labels: dict[str, int], mark: str) -> re.Pattern:
    """What a row matches that has every label in this order, and a plain number behind each."""
    number = r"([+-]?\d+(?:[.,]\d+)?)"
    named = [r'"?' + r"\s+".join(map(re.escape, label.split())) + r'"?\s*[=:]\s*' + number if label else number for label in labels]
    return re.compile((r"\s+" if mark == " " else rf"\s*{re.escape(mark)}\s*").join(named))


def _without_labels(body: bytes, sample: list[str], wrapped: bool) -> tuple[bytes, tuple[str, ...]]:
    mark = _mark_of([_unwrapped(line) for line in sample] if wrapped else sample)
    if mark is None:
        return body, ()
    labels: dict[str, int] = {}
    for line in sample:
        for label, _ in _pairs(_unwrapped(line) if wrapped else line, mark) or []:
            labels.setdefault(label, len(labels))
    if "" in labels:
        labels = {label: place for place, label in enumerate(["", *[label for label in labels if label]])}
    out = []
    usual = _usual_row(labels, mark)
    for line in body.decode("utf-8", "replace").split("\n"):
        line = line.strip()
        if (row := usual.fullmatch(_unwrapped(line) if wrapped else line)) is not None:
            out.append("\t".join(row.groups()))
            continue
        found = _pairs(_unwrapped(line) if wrapped else line, mark) if line else None
        if found is None or not any(label in labels for label, _ in found):
            out.append(line.replace("\t", " "))
            continue
        values = [""] * len(labels)
        for label, value in found:
            if label in labels:
                values[labels[label]] = value.replace("\t", " ")
        out.append("\t".join(values))
    return "\n".join(out).encode(), tuple(labels)
