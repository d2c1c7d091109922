"""The command line: one file for each command, loaded only when it is used.

Only this package (and the screen) prints.  Errors are one or two plain lines
on standard error and a non-zero exit:

==== ==================================================================
code meaning
==== ==================================================================
0    done
1    it could not be done; standard error says why
2    the command line makes no sense
3    done, and the answer is no: a damaged recording, a box with faults
130  stopped by Ctrl-C
==== ==================================================================
"""

from __future__ import annotations

import sys

import click

from steelyard.cli.commands import steelyard
from steelyard.errors import SteelyardError

EXIT_FAILED = 1
EXIT_INTERRUPTED = 130


def main() -> None:
    """Run the command line; every error that Steelyard knows becomes plain text."""
    for stream in (sys.stdout, sys.stderr):
        # A pipe or an old console may not know every sign; none is worth a crash.
        reconfigure = getattr(stream, "reconfigure", None)
        if reconfigure is not None:
            reconfigure(errors="replace")
    try:
        sys.exit(steelyard(standalone_mode=False))
    except click.ClickException as error:
        error.show()
        sys.exit(error.exit_code)
    except SteelyardError as error:
        print(f"error: {error.what}", file=sys.stderr)
        if error.advice:
            print(error.advice, file=sys.stderr)
        sys.exit(EXIT_FAILED)
    except (click.Abort, KeyboardInterrupt):
        print("\nstopped", file=sys.stderr)
        sys.exit(EXIT_INTERRUPTED)
    except BrokenPipeError:
        # Whoever read the output has had enough of it; that is not a fault.
        sys.stdout = None
        sys.exit(EXIT_FAILED)
