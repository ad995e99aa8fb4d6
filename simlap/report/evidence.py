"""Evidence of findings in words: what each number is, and its unit as it is printed."""

UNITS = {"s": "s", "m": "m", "kmh": "km/h", "ms2": "m/s²", "g": "g", "bar": "bar", "percent": "%", "share": "%"}
# What a key without its unit is called; one that is not listed reads as it stands.
WORDS = {
    "again": "pressed again to",
    "aim": "aimed at",
    "before": "before that",
    "before_apex": "ahead of the apex",
    "before_brake": "from there to the brake",
    "behind_slowest": "behind the slowest point",
    "below_limit": "below the limit's slowest speed by",
    "both": "both pedals for",
    "brake": "on the brake for",
    "brake_point_later": "brake point later by",
    "braked": "brake at",
    "brakes": "followed by the brake",
    "braking": "braking takes",
    "braking_lost": "lost in braking",
    "closed_to": "throttle closed to",
    "coast": "neither pedal for",
    "delay": "later than the limit by",
    "earliest": "earliest brake point, from the start of the zone",
    "drive_used": "drive in use",
    "early": "earlier than needed by",
    "eased_to": "brake eased to",
    "entry_above": "above the limit where braking ends by",
    "exit_below": "below the limit where the drive begins by",
    "exit_lost": "lost on the exit",
    "full_throttle_later": "full throttle later by",
    "grip_used": "grip in use",
    "latest": "latest brake point, from the start of the zone",
    "lift": "lifted for",
    "limit_braking": "the limit's braking takes",
    "limit_mean": "mean slowing of the limit's braking",
    "limit_minimum": "slowest speed of the limit",
    "limit_peak": "hardest slowing of the limit",
    "line": "suggested by the other braking zones",
    "lost": "lost",
    "mean": "mean slowing",
    "mid_corner_lost": "lost in mid-corner",
    "minimum": "slowest speed",
    "never_full": "never fully open before the next corner",
    "next_corner_lost": "lost in the next corner",
    "not_opened": "hardly open before the next corner",
    "opened": "throttle opened to",
    "opening": "throttle open",
    "part_throttle": "part throttle for",
    "past_release": "behind the limit's release by",
    "peak": "peak",
    "peak_after": "from the first touch to the peak",
    "slower": "these laps are slower here by",
    "speed": "speed there",
    "speed_given_up": "speed given up",
    "spread": "brake points spread over",
    "told_to": "places shown to",
    "usual_minimum": "slowest speed of the other laps",
    "way_out": "on the way out",
    "weak": "weak drive for",
    "with_downshift": "together with a down-shift",
}


def evidence_words(key: str, value: float) -> str:
    """One number of the evidence in words, such as ``grip in use 38 %``; a share is one of the laps that
    show the finding."""
    name, _, unit = key.rpartition("_")
    if not name or unit not in UNITS:
        name, unit = key, ""
    words = WORDS.get(name, name.replace("_", " "))
    shown = 100.0 * value if unit == "share" else round(value, 2) if unit == "s" else value
    number = _three_digits(shown)
    told = f"{number} {UNITS[unit]}" if unit else number
    return f"on {told} of these laps {words}" if unit == "share" else f"{words} {told}"


def _three_digits(value: float) -> str:
    """A number to three digits, whole from a hundred on: evidence is no more exact than that; seconds come rounded."""
    return f"{value:.0f}" if abs(value) >= 100.0 else f"{value:.3g}"
