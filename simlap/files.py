"""Write files whole or not at all."""

import os
import stat
import tempfile
from pathlib import Path

from simlap.errors import OptionError

PICTURES = ("png", "svg", "pdf")
# Names of what a program has open: behind them may lie a file that the shell writes to at the same time.
STREAMS = ("/dev/stdin", "/dev/stdout", "/dev/stderr", "/dev/fd/", "/proc/self/fd/")


def picture_kind(path: str | os.PathLike[str]) -> str:
    """Format of a picture, by the ending of its path.

    Raises
    ------
    OptionError
        When the ending is none of `PICTURES`.
    """
    kind = Path(path).suffix.lstrip(".").lower()
    if kind not in PICTURES:
        raise OptionError(f"{path}: pictures end in {', '.join('.' + s for s in PICTURES)}. Choose one of them.")
    return kind


def check_target(path: str | os.PathLike[str]) -> Path:
    """The place where a file of this name is written: behind its links.

    Raises
    ------
    OptionError
        When something else than a file has the name: a folder, a device, a pipe, a link to itself.
    """
    real = Path(os.path.realpath(path))
    stream = os.path.abspath(path).startswith(STREAMS)
    if stream or real.is_symlink() or (os.path.exists(path) and not os.path.isfile(path)):
        raise OptionError(
            f"{path}: is no file that can be written anew, but a folder, device or pipe. Name a file; to pass a result "
            "on, leave the option away and use what the command prints."
        )
    return real


def write_bytes(path: str | os.PathLike[str], data: bytes) -> Path:
    """Write `data` under a temporary name beside `path`, then rename it.

    A link stays, and the file behind it is written; a file that was there keeps its permissions.

    Raises
    ------
    OptionError
        When the folder cannot be made or written to, or something else than a file has the name. Nothing is left
        behind, nor is it when the user breaks off.
    """
    target = check_target(path)
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        mode = stat.S_IMODE(target.stat().st_mode) if target.exists() else 0o666 & ~_umask()
        handle, temporary = tempfile.mkstemp(dir=target.parent, prefix=f".{target.name[:40]}.", suffix=".part")
        try:
            with os.fdopen(handle, "wb") as stream:
                stream.write(data)
            os.chmod(temporary, mode)
            os.replace(temporary, target)
        except BaseException:
            Path(temporary).unlink(missing_ok=True)
            raise
    except OSError as error:
        raise OptionError(f"{path}: cannot be written ({error.strerror}). Choose another place.") from error
    return Path(path)


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask


def write_text(path: str | os.PathLike[str], text: str) -> Path:
    """Write `text` as UTF-8, whole or not at all; see `write_bytes`."""
    return write_bytes(path, text.encode("utf-8"))
