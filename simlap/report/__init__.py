"""What a user sees of an analysis: JSON, CSV, terminal table, page, figures."""

from typing import Any

__all__ = ["analysis_to_dict", "print_analysis", "write_outputs"]


def __getattr__(name: str) -> Any:
    """Load a part when it is asked for: a table in the terminal needs no plotting."""
    if name == "write_outputs":
        from simlap.report.outputs import write_outputs

        return write_outputs
    if name == "analysis_to_dict":
        from simlap.report.json import analysis_to_dict

        return analysis_to_dict
    if name == "print_analysis":
        from simlap.report.table import print_analysis

        return print_analysis
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
