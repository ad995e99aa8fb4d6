"""Write files whole or not at all."""

import os
import tempfile
from pathlib import Path

from simlap.errors import OptionError

PICTURES = ("png", "svg", "pdf")


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


def write_bytes(path: str | os.PathLike[str], data: bytes) -> Path:
    """Write `data` under a temporary name beside `path`, then rename it.

    Raises
    ------
    OptionError
        When the folder cannot be made or written to; nothing is left behind.
    """
    target = Path(path)
    temporary = None
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        handle, temporary = tempfile.mkstemp(dir=target.parent, prefix=f".{target.name[:40]}.", suffix=".part")
        with os.fdopen(handle, "wb") as stream:
            stream.write(data)
        mask = os.umask(0)
        os.umask(mask)
        os.chmod(temporary, 0o666 & ~mask)
        os.replace(temporary, target)
    except OSError as error:
        if temporary is not None and os.path.exists(temporary):
            os.unlink(temporary)
        raise OptionError(f"{target}: cannot be written ({error.strerror}). Choose another place.") from error
    return target


def write_text(path: str | os.PathLike[str], text: str) -> Path:
    """Write `text` as UTF-8, whole or not at all; see `write_bytes`."""
    return write_bytes(path, text.encode("utf-8"))
