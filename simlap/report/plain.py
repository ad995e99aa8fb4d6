"""Text of the user, and numbers, made safe to print: one place for all outputs."""

import re
import unicodedata
from collections.abc import Iterable, Sequence
from itertools import accumulate, pairwise

# Unicode categories that never reach a terminal, a page or a note as they are: control characters (an escape
# sequence could rewrite the screen), lone surrogates, and code points nobody has assigned.
UNPRINTABLE = frozenset({"Cc", "Cs", "Cn"})
# Characters that turn the order of the text around them; a name keeps its own direction without them.
DIRECTION_CONTROLS = frozenset("\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")
REPLACEMENT = "\ufffd"
# A unit as it is written behind a number and a blank.
UNIT = r"(?:%|km/h|m/s²|km|m|s|g|bar|Hz|kn|°)(?![\w/])"
BEFORE_UNIT = re.compile(rf"(?<=\d) (?={UNIT})")
# Stands for a blank at which no line breaks: no character at all, so that `clean` leaves none in a text.
HELD = "\ufdd0"
SECONDS_PER_MINUTE = 60
EVEN = 0.5  # a step with a smaller chance is more likely missed than met
MILLI = 3  # digits of a lap time in the JSON
LEDGERS = {
    "lost": "lost here",
    "caused": "caused here, also further on",
    "gain_alone": "worth: gained if driven at the limit alone",
}

WORTH_TELLING = 0.005  # [s] less rounds to nothing


def clean(text: str) -> str:
    """`text` on one line, without characters that steer a terminal or turn other text around."""
    out = []
    for character in " ".join(str(text).split()):
        if character in DIRECTION_CONTROLS:
            continue
        out.append(REPLACEMENT if unicodedata.category(character) in UNPRINTABLE else character)
    return "".join(out)


def units_held(text: str) -> str:
    """`text` of the same length with `HELD` for the blank between a number and its unit, for breaking into lines."""
    return BEFORE_UNIT.sub(HELD, text)


def units_let_go(text: str) -> str:
    """`text` of `units_held` with its blanks again."""
    return text.replace(HELD, " ")


def shortened(text: str, length: int) -> str:
    """`clean` text of at most `length` characters, an ellipsis where some were left out."""
    tidy = clean(text)
    return tidy if len(tidy) <= length else tidy[: length - 1].rstrip() + "…"


def corner_label(name: str, length: int | None = None) -> str:
    """A corner's name as shown: cleaned, "corner 7" where it is a bare number, at most `length` characters."""
    tidy = clean(name)
    label = f"corner {tidy}" if tidy.isdigit() else tidy
    return label if length is None else shortened(label, length)


def joined_by_and(words: Sequence[str]) -> str:
    """One or more words as a list in a sentence: "a, b and c"."""
    return f"{', '.join(words[:-1])} and {words[-1]}" if len(words) > 1 else words[0]


def counted_laps(number: int) -> str:
    """ "1 counted lap", "8 counted laps"."""
    return f"{number} counted lap{'s' * (number != 1)}"


def step_name(outing: int) -> str:
    """What the step of a target so many outings ahead is called."""
    return "next step" if outing == 1 else f"step to outing {outing}"


def lap_time(seconds: float, digits: int = 2) -> str:
    """A lap time as m:ss.ff, or ss.ff below a minute [s]; at most `MILLI` digits."""
    scale = 10**digits
    ticks = _ticks(abs(seconds), digits)
    minutes, rest = divmod(ticks, SECONDS_PER_MINUTE * scale)
    sign = "-" if seconds < 0 and ticks else ""
    if not minutes:
        return f"{sign}{rest / scale:.{digits}f}"
    return f"{sign}{minutes}:{rest / scale:0{3 + digits if digits else 2}.{digits}f}"


def time_gap(one: float, other: float, digits: int = 2) -> str:
    """Seconds from lap time `other` to `one` as the reader forms them from the two as printed. [s]"""
    ticks = _ticks(abs(one), digits) - _ticks(abs(other), digits)
    return f"{ticks / 10**digits:.{digits}f}"


def _ticks(time_s: float, digits: int) -> int:
    """A lap time, not negative, in units of its last digit: the millisecond of the JSON, its half rounded up.

    A time that went through the JSON and one that did not are printed alike.
    """
    thousandths = round(round(float(time_s), MILLI) * 10**MILLI)
    step = 10 ** (MILLI - digits)
    return (2 * thousandths + step) // (2 * step)


def rounded_parts(parts: Iterable[float], total: float | None = None) -> list[float]:
    """Parts rounded to a millisecond so that they still add up to `total`, or else to the rounded sum.

    The running sum is rounded, not the part: each part moves by less than one millisecond, the sum by less than
    half of one. `total` is the sum as the reader forms it from up to three other rounded numbers; the part of a
    millisecond or two that it is away is shared out by the size of the parts, so what is zero stays zero.
    """
    parts = [float(part) for part in parts]
    running = [0.0, *accumulate(parts)]
    sizes = [0.0, *accumulate(map(abs, parts))]
    away = 0.0 if total is None else total - running[-1]
    if sizes[-1] > 0.0 and abs(away) < 1.6 * 10.0**-MILLI:  # three roundings of half a digit
        running = [one + away * size / sizes[-1] for one, size in zip(running, sizes, strict=True)]
    ticks = (round(each, MILLI) for each in running)
    return [round(after - before, MILLI) + 0.0 for before, after in pairwise(ticks)]


def seconds(value: float, digits: int = 2) -> str:
    """Seconds with a sign only where negative, never "-0.00"."""
    text = f"{value:.{digits}f}"
    return text.lstrip("-") if float(text) == 0.0 else text


def signed(value: float, digits: int = 2) -> str:
    """A change with its sign, and none where it rounds to nothing."""
    text = f"{value:+.{digits}f}"
    return text[1:] if float(text) == 0.0 else text


def clock(session_time: float) -> str:
    """A time on the clock of the log as h:mm:ss or m:ss, whole seconds."""
    whole = round(session_time)
    sign = "-" if whole < 0 else ""
    minutes, rest = divmod(abs(whole), SECONDS_PER_MINUTE)
    hours, minutes = divmod(minutes, SECONDS_PER_MINUTE)
    return f"{sign}{hours}:{minutes:02d}:{rest:02d}" if hours else f"{sign}{minutes}:{rest:02d}"


def chance_words(chance: float) -> str:
    """A chance in per cent; "ambitious" where it is more likely missed than met."""
    return f"{percent(chance)}{', ambitious' if round(chance, 2) < EVEN else ''}"


def percent(share: float) -> str:
    """A share 0..1 as whole percent."""
    return f"{100.0 * share:.0f} %"
