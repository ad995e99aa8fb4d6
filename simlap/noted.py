"""Notes that say of what kind they are: who acts on one asks for its kind and never reads its words."""

from collections.abc import Iterable
from enum import Enum


class Kind(Enum):
    """What a note tells that a reader of the results has to know; each is told as a caution."""

    WRITTEN_TWICE = "rows written twice"
    CLOCK_RESTARTS = "clock restarts"
    RANGE_ENDS = "accelerometer range"
    DEAD_PEDAL = "pedal sensor"
    REPAIRED = "repairs"  #: taken out of the log, or moved within it, by the reader
    CHANNEL_OUT = "channel left out"  #: it contradicts the path, and was not used
    ELSEWHERE = "part of the log"  #: laps of another circuit, left out


class Note(str):
    """The text of a note, with its kind. A plain string is a note that nobody acts on."""

    __slots__ = ("kind",)
    kind: Kind

    def __new__(cls, text: str, kind: Kind) -> "Note":
        """A note of `text`."""
        note = super().__new__(cls, text)
        note.kind = kind
        return note

    def __getnewargs__(self) -> tuple[str, Kind]:  # type: ignore[override]  # sessions go to worker processes
        return str(self), self.kind


def of_kind(notes: Iterable[str], *kinds: Kind) -> list[str]:
    """The notes of these kinds, in their order."""
    return [note for note in notes if isinstance(note, Note) and note.kind in kinds]


def behind(words: str, note: str) -> str:
    """The note with `words` before it, of the same kind."""
    text = f"{words}{note}"
    return Note(text, note.kind) if isinstance(note, Note) else text
