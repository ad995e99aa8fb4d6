"""Run the command line: errors that a user can mend end with one line on stderr and exit code 2."""

import atexit
import errno
import gc
import os
import re
import sys
from typing import Any

import typer

from simlap.cli_app import app
from simlap.errors import SimlapError
from simlap.report.plain import clean

MENDABLE = 2  # exit code of errors that a user can mend
# The device behind stdout took no more: no fault of ours, and no traceback.
DEVICE_ERRORS = {errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EIO}
# What the parser's own words ask for, and the plain words for it.
NOT_A_NUMBER = (("integer", "a whole number, such as 200"), ("(?:number|float)", "a number, such as 12.5"))
# typer brings its own click along from some version on; the base of its usage errors is found by the names they share.
ClickException = next(kind for kind in typer.BadParameter.__mro__ if kind.__name__ == "ClickException")


def run() -> int:
    """Run the command that `sys.argv` names; return the exit code."""
    # Millions of small objects are made and few of them in circles: looking for circles at the usual rate took 15 % of
    # a run. At the end everything goes at once.
    gc.set_threshold(100_000, 20, 100)
    atexit.register(gc.freeze)
    if sys.stderr is None:  # closed by the shell (2>&-): progress and errors go nowhere, rather than to stdout
        sys.stderr = open(os.devnull, "w")  # noqa: SIM115 - held until the program ends
    if sys.stdout is None:  # (>&-) told before anything is computed
        return _told("the output is closed (>&-). Send it to a terminal, a file or a pipe.")
    try:
        program = typer.main.get_command(app)
        _name_no_type_of_flags(program)
        code = program(prog_name="simlap", standalone_mode=False)
        sys.stdout.flush()  # here, where an error can still be told, not at exit
    except SimlapError as error:
        return _told(str(error))
    except BrokenPipeError:
        _drop_stdout()  # the reader of the pipe went away (such as `| head`): not an error of ours
        return 0
    except OSError as error:
        if error.errno not in DEVICE_ERRORS:
            raise
        _drop_stdout()
        return _told(f"the output cannot be written ({error.strerror}). Free some space, or send it elsewhere.")
    except typer.Abort:
        return MENDABLE
    except Exception as error:
        if not isinstance(error, ClickException):
            raise
        return _usage(error)
    return code if isinstance(code, int) else 0


def _name_no_type_of_flags(command: Any) -> None:
    """Let the help of a command and those under it show a flag without a type: it takes no value."""
    own_help = command.get_help_option(typer.Context(command))
    for option in (*command.params, *filter(None, [own_help])):
        if getattr(option, "is_flag", False):
            option.metavar = ""
    for below in getattr(command, "commands", {}).values():
        _name_no_type_of_flags(below)


def _usage(error: Exception) -> int:
    """Tell a slip on the command line: typer would draw a box of five lines around it."""
    words = error.format_message().rstrip(".")  # type: ignore[attr-defined]
    for wanted, plain in NOT_A_NUMBER:
        words = re.sub(rf"(Invalid value[^:]*): .*valid {wanted}\b.*", rf"\1: write {plain}", words, flags=re.DOTALL)
    if type(error).__name__ == "NoArgsIsHelpError":  # the help is printed already, or is the message
        print(words, end="")
        return MENDABLE
    context = getattr(error, "ctx", None)
    command = "simlap" if context is None else context.command_path
    end = "" if words.endswith("?") else "."  # of "Did you mean ...?"
    return _told(f"{words}{end} '{command} --help' lists what can be given.")


def _told(text: str) -> int:
    print(f"simlap: {clean(text)}", file=sys.stderr)
    return MENDABLE


def _drop_stdout() -> None:
    """Send stdout nowhere from here on: Python would complain once more when it flushes at exit."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
