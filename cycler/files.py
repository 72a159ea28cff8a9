"""Files that are written whole or not at all, and never over another one."""

from __future__ import annotations

import contextlib
import os
import re
import secrets
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from cycler.errors import InputError, quote

__all__ = ["ReadyFiles", "file_stem", "name_file", "ready_files", "replace_file", "sync", "target_folder"]


def target_folder(folder: str | Path) -> Path:
    """``folder``, made if need be. InputError if nothing can be written there."""
    folder = Path(folder)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except FileExistsError:
        raise InputError("the target is not a folder", str(folder), "it is a file", "name a folder with --to") from None
    except ValueError:  # what the system takes for no name at all: a zero byte in it
        raise InputError("cannot make the folder", quote(folder), "no folder can have this name", "check --to") from None
    except OSError as error:
        raise InputError(
            "cannot make the folder", str(folder), error.strerror or "write error", "check the path and permissions",
        ) from None
    if not os.access(folder, os.W_OK | os.X_OK):
        raise InputError("cannot write into the folder", str(folder), "no right to write", "check the permissions")
    return folder


def file_stem(text: str) -> str:
    """``text`` as a file name that every system takes: letters, digits, dot, dash and underscore."""
    return re.sub(r"[^\w.-]+", "-", text, flags=re.ASCII).strip("-.") or "record"


@dataclass(frozen=True, slots=True)
class ReadyFiles:
    """Files that are written but do not have their names yet: (part, name) each. ``what`` they are, for messages."""

    what: str
    pairs: tuple[tuple[Path, Path], ...]

    def name_them(self) -> tuple[Path, ...]:
        """Give all of them their names, or none. InputError if a name is taken."""
        named: list[Path] = []
        try:
            for part, path in self.pairs:
                try:
                    name_file(part, path)
                except FileExistsError:
                    raise _exists(self.what, path) from None
                except OSError as error:
                    raise _cannot_write(self.what, path, error) from None
                named.append(path)
        except BaseException:
            for path in named:
                path.unlink(missing_ok=True)
            raise
        for folder in {path.parent for path in named}:
            sync(folder)
        return tuple(named)


@contextlib.contextmanager
def ready_files(what: str, contents: Sequence[tuple[Path, bytes]]) -> Iterator[ReadyFiles]:
    """Files whole and on the disk, under names that are removed at the end of the block.

    Raises
    ------
    InputError
        A file of a final name exists, or there is no room or right to write.
    """
    pairs = [(path.with_name(f".{path.name}.{secrets.token_hex(4)}.part"), path, content) for path, content in contents]
    written: list[Path] = []
    try:
        for part, path, content in pairs:
            try:
                if path.exists():  # a name too long is an error here
                    raise _exists(what, path)
                with open(part, "xb") as stream:
                    written.append(part)
                    stream.write(content)
                    stream.flush()
                    os.fsync(stream.fileno())
            except (OSError, ValueError) as error:  # ValueError: what the system takes for no name at all, a zero byte in it
                raise _cannot_write(what, path, error) from None
        yield ReadyFiles(what, tuple((part, path) for part, path, _content in pairs))
    finally:
        for part in written:
            with contextlib.suppress(OSError):
                part.unlink(missing_ok=True)


def replace_file(what: str, path: Path, content: bytes) -> None:
    """Put a file in the place of the one before it, whole or not at all; its folder is made if need be.

    For what the program itself keeps beside the register; a file that somebody names is never replaced (:func:`ready_files`).

    Raises
    ------
    InputError
        No room, or no right to write. ``what`` it is stands in the message.
    """
    part = path.with_name(f".{path.name}.{secrets.token_hex(4)}.part")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with open(part, "xb") as stream:
            stream.write(content)
            stream.flush()
            os.fsync(stream.fileno())
        os.replace(part, path)
    except OSError as error:
        with contextlib.suppress(OSError):
            part.unlink(missing_ok=True)
        raise InputError(f"cannot keep {what}", str(path), error.strerror or "write error", "make room, or check the permissions") from None
    sync(path.parent)


def name_file(part: Path, path: Path) -> None:
    """``part`` becomes ``path``; FileExistsError if the name is taken."""
    try:
        os.link(part, path)  # fails if the name is taken, unlike a rename
        return
    except FileExistsError:
        raise
    except OSError:
        pass
    with open(path, "xb"):  # a file system without links (memory sticks): take the name first, then put the content there
        pass
    try:
        os.replace(part, path)
    except OSError:
        path.unlink(missing_ok=True)
        raise


def sync(path: Path) -> None:
    """Have a file, or the names in a folder, on the disk before we go on; where a system cannot, as far as it can."""
    with contextlib.suppress(OSError):
        number = os.open(path, os.O_RDONLY)
        try:
            os.fsync(number)
        finally:
            os.close(number)


def _exists(what: str, path: Path) -> InputError:
    return InputError(
        f"the {what} file exists", str(path), f"a {what} is never overwritten", "name another folder, or move the file away",
    )


def _cannot_write(what: str, path: Path, error: OSError | ValueError) -> InputError:
    return InputError(
        f"cannot write the {what}", str(path), getattr(error, "strerror", None) or quote(error), "make room, or name another folder",
    )
