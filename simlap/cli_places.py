"""Where outputs may go: never over an input, never two to one place; told before anything is computed."""

import os
from collections.abc import Iterable, Mapping
from pathlib import Path

from simlap.cli_common import check_folder
from simlap.errors import OptionError
from simlap.files import check_target


def check_places(
    inputs: Iterable[Path | None],
    *,
    files: Mapping[str, Path | None] | None = None,
    folders: Mapping[Path | None, tuple[str, ...]] | None = None,
) -> None:
    """Refuse outputs that cannot be written, or that would take the place of an input or of each other.

    Parameters
    ----------
    inputs : paths
        Everything the command reads; the columns file beside a log is added here.
    files : mapping of option to path
        Files that the command writes.
    folders : mapping of folder to file names
        Folders that the command fills, and what it calls its files there.

    Raises
    ------
    OptionError
        Naming the path and what to do; paths that lead to one file by links count as the same.
    """
    from simlap.readers.choices import COLUMNS_FILE

    read = [path for path in inputs if path is not None]
    read += [path.parent / COLUMNS_FILE for path in read]
    written = {option: path for option, path in (files or {}).items() if path is not None}
    for option, path in written.items():
        if os.path.isdir(path):
            raise OptionError(f"{option} {path}: is a folder. Name a file to write.")
        _check_apart(path, read, f"Name another file for {option}.")
        real = check_target(path)
        check_folder(real.parent if path.is_symlink() else path.parent)
    places = {path.resolve() for path in written.values()}
    if len(places) < len(written):
        raise OptionError(f"{' and '.join(written)} name the same file. Give each a name of its own.")
    for folder, names in (folders or {}).items():
        check_folder(folder)
        if folder is not None:
            for name in names:
                _check_apart(folder / name, read, "Name another folder to write to.")
                check_target(folder / name)


def _check_apart(path: Path, read: Iterable[Path], remedy: str) -> None:
    for source in read:
        if os.path.exists(path) and os.path.exists(source) and os.path.samefile(path, source):
            raise OptionError(f"{path}: is an input of this command and would be overwritten. {remedy}")
