"""Theoretical minimum-lap and time-loss estimator.

Finds where a lap loses time against the fastest lap that the driver's own best observed accelerations allow.
Importing simlap only binds names; each part is loaded when it is first used.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from simlap.analysis import analyse as analyse
    from simlap.envelope import Envelope as Envelope
    from simlap.errors import SimlapError as SimlapError
    from simlap.line import Line as Line
    from simlap.options import Options as Options
    from simlap.readers import read_session as read_session
    from simlap.session import Session as Session
    from simlap.solver import limit_profile as limit_profile
    from simlap.trackfile import read_track as read_track
    from simlap.trackfile import write_track as write_track

_HOME = {
    "Envelope": "simlap.envelope",
    "Line": "simlap.line",
    "Options": "simlap.options",
    "Session": "simlap.session",
    "SimlapError": "simlap.errors",
    "analyse": "simlap.analysis",
    "limit_profile": "simlap.solver",
    "read_session": "simlap.readers",
    "read_track": "simlap.trackfile",
    "write_track": "simlap.trackfile",
}

__all__ = sorted(_HOME)
__version__ = "0.1.0"


def __getattr__(name: str) -> Any:
    """Load the module that holds a public name when the name is first asked for (PEP 562)."""
    if name not in _HOME:
        raise AttributeError(f"module 'simlap' has no attribute {name!r}")
    return getattr(import_module(_HOME[name]), name)


def __dir__() -> list[str]:
    return sorted([*globals(), *_HOME])
