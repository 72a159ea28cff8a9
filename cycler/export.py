"""A log as a table with labels of the openly published battery time-series standard, as CSV or Parquet.

Charge is positive, units are V, A, Ah, Wh, ohm, s and degC, groups count from 1 at pack negative, an empty cell is no
reading. Labels, and which of them the standard names (from memory), are in :mod:`cycler.readers.exported`, which reads
the CSV back to the same log.

CSV follows RFC 4180 but for the line end: LF alone, which every reader of CSV takes, since line tools would leave the
CR of CR LF in the last cell. Numbers have the fewest digits that give them back bit for bit.
"""

from __future__ import annotations

import contextlib
import csv
import gzip
import io
import json
import os
import secrets
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import IO, TYPE_CHECKING

from cycler.errors import InputError, quote
from cycler.spreadsheet import spreadsheet_safe

if TYPE_CHECKING:
    import pandas
    import pyarrow

    from cycler.log import Log

ENDINGS = (".csv", ".csv.gz", ".parquet")
LAST_MOMENT = datetime(9999, 12, 31)


@dataclass(frozen=True, slots=True)
class Written:
    """Size of what was written."""

    rows: int
    columns: int
    bytes: int


def export_table(log: Log) -> pyarrow.Table:
    """A log as a table of labelled columns; null where there is no reading.

    Columns that the log has not are left out, the pack voltage too if the log holds group voltages only.
    """
    import numpy as np
    import pyarrow

    from cycler.readers import exported as labels

    def numbers(values: np.ndarray) -> pyarrow.Array:
        return pyarrow.array(values, mask=~np.isfinite(values))

    table: dict[str, pyarrow.Array] = {
        labels.ROW: pyarrow.array(np.arange(1, log.rows + 1)), labels.TIME: numbers(log.time_s), **_clock(log),
    }
    if np.isfinite(log.voltage_v).any() or not log.series:
        table[labels.VOLTAGE] = numbers(log.voltage_v)
    table[labels.CURRENT] = numbers(log.current_a)
    for index in range(log.series):
        table[labels.group_label(index + 1)] = numbers(log.group_voltage_v[:, index])
    names = log.temperature_names or tuple(f"T{index + 1}" for index in range(log.temperature_c.shape[1]))
    for index, name in enumerate(names):
        table[labels.sensor_label(name)] = numbers(log.temperature_c[:, index])
    for index, name in enumerate(log.thermistor_names):
        table[labels.thermistor_label(name)] = numbers(log.thermistor_ohm[:, index])
    if log.mode_code is not None:
        words = pyarrow.DictionaryArray.from_arrays(
            pyarrow.array(log.mode_code, mask=log.mode_code < 0), pyarrow.array(log.mode_words, pyarrow.string())
        )
        table[labels.MODE] = words.cast(pyarrow.string())
    own = ((labels.STEP, log.step_number), (labels.STEP_TIME, log.step_time_s), (labels.CYCLE, log.cycle_number))
    counters = ((label, log.counters.get(role)) for role, label in labels.COUNTER_LABELS.items())
    table |= {label: numbers(values) for label, values in (*own, *counters) if values is not None}
    if log.part is not None and len(log.sources) > 1:
        table[labels.PART] = pyarrow.array(log.part + 1)
    if notes := _gap_notes(log):
        table[labels.GAP] = pyarrow.array([notes.get(row) for row in range(log.rows)], pyarrow.string())
    return pyarrow.table(table, metadata=_note(log))


def export_frame(log: Log) -> pandas.DataFrame:
    """The same table as a pandas data frame, for scripts and notebooks; NaN or missing where there is no reading, its note in ``attrs``."""
    frame = export_table(log).to_pandas()
    frame.attrs.update(_note(log))
    return frame


def _gap_notes(log: Log) -> dict[int, str]:
    """What the times alone do not show, by the row that follows it: joints of files, restarts of a clock."""
    import numpy as np

    from cycler.log import NO_SAMPLES

    told = [gap for gap in log.reading.gaps if gap.why != NO_SAMPLES]
    return {
        row: gap.why for gap in told if (row := int(np.searchsorted(log.time_s, gap.start_s, side="right"))) < log.rows
    }


def _clock(log: Log) -> dict[str, pyarrow.Array]:
    """Wall clock of each row: seconds since 1970 where the log knows UTC, else date and time as its clock showed them."""
    import numpy as np
    import pyarrow

    from cycler.readers import exported as labels
    from cycler.readers.clock import LEAST_EPOCH_S

    if log.started_at is None:
        return {}
    utc = log.started_at.tzinfo is not None
    start = log.started_at.astimezone(UTC).replace(tzinfo=None) if utc else log.started_at
    since_start_s = log.time_s - log.time_s[0] if log.rows else log.time_s
    start_s = (start - datetime(1970, 1, 1)) / timedelta(seconds=1)
    if utc and start_s > LEAST_EPOCH_S:
        return {labels.UNIX_TIME: pyarrow.array(start_s + since_start_s)}
    known = since_start_s < (LAST_MOMENT - start) / timedelta(seconds=1)
    shift_us = np.where(known, np.rint(since_start_s * 1e6), 0.0).astype(np.int64)
    unit = "us" if start.microsecond or (shift_us % 1_000_000).any() else "s"
    moments = (np.datetime64(start, "us") + shift_us).astype(f"datetime64[{unit}]")
    return {labels.WALL_CLOCK: pyarrow.array(moments, pyarrow.timestamp(unit, "UTC" if utc else None), mask=~known)}


def _note(log: Log) -> dict[str, str]:
    """What the schema of a Parquet file says of its origin."""
    from cycler import __distribution__, __version__
    from cycler.storage import clean_text

    sources = [
        {"file": clean_text(source.file.replace("\\", "/").rpartition("/")[2]), "sha256": source.sha256} for source in log.sources
    ]
    return {"software": f"{__distribution__} {__version__}", "sources": json.dumps(sources, ensure_ascii=False)}


_ROWS_AT_ONCE = 65_536


def write_csv(table: pyarrow.Table, stream: IO[bytes] | gzip.GzipFile) -> None:
    """Write a table as CSV: UTF-8, one row of headings, a comma between cells, quotes where RFC 4180, 2.6 asks for them."""
    import pyarrow
    from pyarrow import compute
    from pyarrow import csv as writer

    heading = io.StringIO()
    csv.writer(heading, lineterminator="\n").writerow(map(spreadsheet_safe, table.column_names))
    stream.write(heading.getvalue().encode("utf-8"))
    quoting = "none"
    for place, field in enumerate(table.schema):
        if pyarrow.types.is_timestamp(field.type):
            # %S carries the fraction of the column's own unit.
            shown = f"%Y-%m-%dT%H:%M:%S{'Z' if field.type.tz else ''}"
            moments = table.column(place).cast(pyarrow.timestamp(field.type.unit))
            table = table.set_column(place, field.name, compute.strftime(moments, format=shown))
        elif pyarrow.types.is_string(field.type):
            coded = table.column(place).combine_chunks().dictionary_encode()
            words = [spreadsheet_safe(word) for word in coded.dictionary.to_pylist()]
            if any(mark in word for word in words for mark in ',"\r\n'):
                quoting = "needed"
            coded = pyarrow.DictionaryArray.from_arrays(coded.indices, pyarrow.array(words, pyarrow.string()))
            table = table.set_column(place, field.name, coded.cast(pyarrow.string()))
    options = writer.WriteOptions(include_header=False, batch_size=16_384, quoting_style=quoting)
    for batch in table.to_batches(max_chunksize=_ROWS_AT_ONCE):
        text = pyarrow.BufferOutputStream()
        writer.write_csv(batch, text, options)
        stream.write(text.getvalue())  # by ourselves: what the stream refuses then reaches the caller as it is


def write_parquet(table: pyarrow.Table, stream: IO[bytes]) -> None:
    """Write a table as Parquet; its schema names software, version and source files with their SHA-256."""
    from pyarrow import parquet

    parquet.write_table(table, stream)


def check_target(target: str | Path) -> tuple[Path, str]:
    """The file to write and its ending.

    Raises
    ------
    InputError
        Unknown ending, the file exists, its folder does not, or nothing can be written there.
    """
    path = Path(target)
    ending = next((ending for ending in ENDINGS if path.name.lower().endswith(ending) and len(path.name) > len(ending)), None)
    if ending is None:
        raise InputError(
            "the ending of the file to write is not known", quote(target, 200), f"it is none of {', '.join(ENDINGS)}",
            f"name a file like log{ENDINGS[0]}, log{ENDINGS[1]} or log{ENDINGS[2]} with --to",
        )
    if "\0" in str(path):
        raise InputError("cannot write the file", quote(target), "no file can have this name", "check --to")
    try:
        if path.is_symlink() or path.exists():
            raise _taken(path)
        if not path.parent.is_dir():
            raise InputError(
                "the folder of the file to write does not exist", str(path.parent), "a file needs a folder to lie in",
                "make the folder first, or check --to",
            )
        if not os.access(path.parent, os.W_OK | os.X_OK):
            raise InputError("cannot write into the folder", str(path.parent), "no right to write", "check the permissions")
    except OSError as error:
        raise _cannot_write(path, error) from None
    return path, ending


def export_file(log: Log, target: str | Path) -> Written:
    """Write a log to a file whose ending says how; the file has its name only when it is whole.

    Raises
    ------
    InputError
        As :func:`check_target`, or there is no room.
    """
    path, ending = check_target(target)
    table = export_table(log)
    with _new_file(path) as stream:
        if ending == ".parquet":
            write_parquet(table, stream)
        elif ending == ".csv.gz":
            with gzip.GzipFile("", "wb", 6, stream, mtime=0) as packed:  # the same log gives the same bytes
                write_csv(table, packed)
        else:
            write_csv(table, stream)
    return Written(table.num_rows, table.num_columns, path.stat().st_size)


@contextlib.contextmanager
def _new_file(path: Path) -> Iterator[IO[bytes]]:
    """A stream whose bytes are at ``path`` after the block, or nowhere if it fails."""
    from cycler.files import name_file

    part = path.with_name(f".{path.name[:100]}.{secrets.token_hex(4)}.part")
    try:
        with open(part, "xb") as stream:
            yield stream
            stream.flush()
            os.fsync(stream.fileno())
        name_file(part, path)
    except FileExistsError:
        raise _taken(path) from None
    except OSError as error:
        raise _cannot_write(path, error) from None
    finally:
        with contextlib.suppress(OSError):
            part.unlink(missing_ok=True)


def _taken(path: Path) -> InputError:
    return InputError(
        "the file to write exists", str(path), "an export never overwrites a file", "name another file, or move it away",
    )


def _cannot_write(path: Path, error: OSError) -> InputError:
    return InputError(
        "cannot write the file", str(path), error.strerror or quote(error), "make room, or name another folder with --to",
    )
